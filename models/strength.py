"""How firmly an interval speaks, and the words that it may be told in: one ladder, from "shows" to "cannot tell".

A sentence takes its verb from the rung of its interval, never from its value alone. A rung says what the interval has to exclude for
it, so that a test can hold every sentence against its own numbers.
"""

from __future__ import annotations

from dataclasses import dataclass

from models.estimate import Estimate
from models.estimate_answers import Ranges

#: Coverage from which on an interval that lies wholly on one side may be said to show it (two one-sided tests at 5 %).
SHOWING_LEVEL = 0.90
#: Below this coverage an interval on one side is a leaning and no more.
SUGGESTING_LEVEL = 0.80
#: Share of the half width by which the value must stand away from the reference to lean.
LEANING_SHARE = 0.5


@dataclass(frozen=True, slots=True)
class Rung:
    """One step of the ladder.

    Attributes
    ----------
    name : stable name, as in JSON.
    verb : what records do ("show", "suggest" ...); the verb of a sentence on this rung.
    needs : what the interval must do for it, in words.
    excludes : coverage of the interval that must lie wholly on one side of the reference; None where none has to.
    """

    name: str
    verb: str
    needs: str
    excludes: float | None


SHOWS = Rung("shows", "show", "an interval of at least 90 % lies wholly on one side", SHOWING_LEVEL)
SUGGESTS = Rung("suggests", "suggest", "an interval of at least 80 % lies wholly on one side", SUGGESTING_LEVEL)
LEANS = Rung("leans", "lean", "the value stands at least half a half width away, and the interval holds the reference", None)
CANNOT_TELL = Rung("cannot tell", "cannot tell", "the interval holds the reference well inside", None)
NO_FIGURE = Rung("no figure", "cannot tell", "a value or an end of the interval is missing", None)

#: Firmest first.
LADDER: tuple[Rung, ...] = (SHOWS, SUGGESTS, LEANS, CANNOT_TELL, NO_FIGURE)


def strength_of(estimate: Estimate, reference: float) -> Rung:
    """The rung on which an estimate says that it differs from ``reference`` (in the estimate's unit)."""
    value, low, high = estimate.value, estimate.low, estimate.high
    if value is None or low is None or high is None:
        return NO_FIGURE
    if low > reference or high < reference:
        if estimate.level >= SHOWING_LEVEL:
            return SHOWS
        return SUGGESTS if estimate.level >= SUGGESTING_LEVEL else LEANS
    half = (high - low) / 2.0
    return LEANS if half > 0.0 and abs(value - reference) >= LEANING_SHARE * half else CANNOT_TELL


def strength_of_ranges(ranges: Ranges, reference: float) -> Rung:
    """The rung on which a predictive range says that one figure (in the range's unit) is not what such engines make."""
    wide = Estimate(ranges.value, ranges.low95, ranges.high95, 0.95, ranges.unit, 0, 0)
    if strength_of(wide, reference) is SHOWS:
        return SHOWS
    return strength_of(Estimate(ranges.value, ranges.low80, ranges.high80, 0.80, ranges.unit, 0, 0), reference)
