"""One deviation, and what it would take to explain it: the arithmetic that every test of a cause shares.

Each cause is put as a range of plausible shifts of the reading. It explains a deviation when some shift in that range brings
the build back to where it was expected, in the right direction and by at least half of the way; a cause that is merely
present does not.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from models.deviator_records import Cause, CauseBasis, DeviatorKind
from models.rule import REFERENCE_BOOST_RATIO

Row = Mapping[str, Any]

#: A cause must make at least this share of the deviation; less is a footnote and no explanation.
LEAST_SHARE = 0.5


@dataclass(frozen=True, slots=True)
class Case:
    """A build under suspicion; ratios without unit.

    Attributes
    ----------
    kind : which expectation it departs from.
    own, expected : its rule ratio, and what was expected.
    band : how far from ``expected`` it would not have been listed.
    curvature : common curvature at which ``own`` was taken; ``curvature_sd`` its spread between builds.
    bend : the build's own curvature less that of its peers; None where untested.
    is_bent : whether its curvature gave it away.
    error_scale : scale of the error variance on its kind of dyno.
    unit : facts of the unit; ``baselines`` and ``boosted``: its runs as recorded, boosted by rising boost, at least one of each.
    others, others_mean, others_se : how many other builds of its publisher there are, and how far they lie from their peers.
    peers_mean : what builds of its class show.
    are_peers_cooled_alike : whether builds were compared with builds of the same charge cooling.
    physics : least and most rule ratio that physics expects, or None.
    """

    kind: DeviatorKind
    own: float
    expected: float
    band: float
    curvature: float
    curvature_sd: float
    bend: float | None
    is_bent: bool
    error_scale: float
    unit: Row
    baselines: Sequence[Row]
    boosted: Sequence[Row]
    others: int
    others_mean: float
    others_se: float
    peers_mean: float
    are_peers_cooled_alike: bool
    physics: tuple[float, float] | None

    @property
    def deviation(self) -> float:
        """Own rule ratio less the expected one."""
        return self.own - self.expected

    @property
    def direction(self) -> str:
        """Whether it reads high or low."""
        return "high" if self.deviation > 0 else "low"

    @property
    def top(self) -> Row:
        """The run at the highest boost."""
        return self.boosted[-1]

    @property
    def ratio_per_log_power(self) -> float:
        """Shift of the fitted rule ratio when every boosted power is wrong by one (natural) logarithm: sum z / sum z^2."""
        x = np.array([row["boost_ratio"] for row in self.boosted], dtype=np.float64)
        z = x / self.multiple(x)
        return float(z.sum() / (z**2).sum())

    def multiple(self, x: Any) -> Any:
        """Expected power over unboosted power at boost ratio x, on the build's own curve; never below 0.2."""
        return np.maximum(1.0 + self.own * x + self.curvature * x * (x - REFERENCE_BOOST_RATIO), 0.2)

    def explains(self, low: float, high: float) -> bool:
        """Whether a shift of the reading between ``low`` and ``high`` explains the deviation."""
        away = self.deviation
        if abs(away) <= self.band:
            return False
        shift = min(max(away, low), high)
        return shift * away > 0 and abs(away - shift) <= self.band and abs(shift) >= LEAST_SHARE * abs(away)

    def explains_power(self, low: float, high: float) -> bool:
        """The same for a relative error of all boosted powers against the baseline between ``low`` and ``high`` (-0.1: 10 % low)."""
        slope = self.ratio_per_log_power
        return self.explains(slope * float(np.log1p(low)), slope * float(np.log1p(high)))

    def enough(self, low: float, high: float) -> tuple[float, float]:
        """Of the plausible shifts those that explain the deviation: the least that does, and the one that explains most of it."""
        away = self.deviation
        least = np.copysign(max(abs(away) - self.band, LEAST_SHARE * abs(away)), away)
        return float(np.clip(least, low, high)), float(np.clip(away, low, high))

    def enough_power(self, low: float, high: float) -> tuple[float, float]:
        """The same as relative errors of the boosted powers against the baseline."""
        slope = self.ratio_per_log_power
        least, most = self.enough(slope * float(np.log1p(low)), slope * float(np.log1p(high)))
        return float(np.expm1(least / slope)), float(np.expm1(most / slope))


def known(rows: Sequence[Row], name: str) -> list[Any]:
    """Stated values of a column; ``unstated`` is none."""
    return [row[name] for row in rows if row.get(name) is not None and row[name] != "unstated"]


def mean_of(rows: Sequence[Row], name: str) -> float | None:
    """Mean of the stated values of a column, or None."""
    values = known(rows, name)
    return float(np.mean(values)) if values else None


def span(ends: tuple[float, float], style: str = ".0%") -> str:
    """Two sizes as "8% to 12%", smaller first, or one where they look alike."""
    low, high = (format(size, style) for size in sorted(abs(end) for end in ends))
    return low if low == high else f"{low} to {high}"


def words(code: str) -> str:
    """A code as words."""
    return code.replace("_", " ")


def ruled_out(cause: str, sentence: str) -> Cause:
    """The record speaks against the cause."""
    return Cause(cause, True, sentence, False, "ruled out")


def untested(cause: str, sentence: str) -> Cause:
    """A figure is missing without which the cause cannot be tested."""
    return Cause(cause, False, sentence, False, "not stated")


def tested(cause: str, basis: CauseBasis, fact: str, is_explained: bool, yes: str, no: str) -> Cause:
    """A cause that the record allows: the fact, and whether its size and direction fit."""
    return Cause(cause, True, f"{fact} {yes if is_explained else no}", is_explained, basis)
