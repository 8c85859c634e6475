"""The headline under other reasonable choices, each declared with its name and its sentence.

Every choice that a critic could have made otherwise is a row of `ALTERNATIVES`: who is in, what
counts as ambient pressure, what the model contains. The fit itself is handed in, so that each
line is made exactly as the headline is.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field

from models.estimate import Estimate
from models.results import SensitivityLine
from models.sample_options import SampleOptions


@dataclass(frozen=True, slots=True)
class Alternative:
    """One way to make the headline.

    Attributes
    ----------
    name : short stable name, as printed.
    sentence : what is done otherwise, and why one might.
    sample : who is in.
    with_curvature : let later psi be worth more or less than earlier ones.
    with_publisher_level : let publishers differ in the model; without it the spread between
        publishers enters through the jackknife alone.
    """

    name: str
    sentence: str
    sample: SampleOptions = field(default_factory=SampleOptions)
    with_curvature: bool = True
    with_publisher_level: bool = True


MAIN = Alternative("Main analysis", "The main analysis.")

ALTERNATIVES: tuple[Alternative, ...] = (
    MAIN,
    Alternative(
        "14.7 psi for every site's air",
        "14.7 psi in place of each site's own air pressure; raises the ratio where sites lie high.",
        SampleOptions(standard_ambient=True),
    ),
    Alternative("Straight line, no curvature", "Every psi taken to be worth the same.", with_curvature=False),
    Alternative(
        "14.7 psi and straight line",
        "Both at once: the two can cancel and look right.",
        SampleOptions(standard_ambient=True),
        with_curvature=False,
    ),
    Alternative(
        "No publisher term",
        "No term for publishers in the model; how they differ enters through the jackknife that leaves one out at a time.",
        with_publisher_level=False,
    ),
    Alternative(
        "Stated ratings let in",
        "Stated ratings let in as baselines and results, with 7 % between them.",
        SampleOptions(qualities=("same_session", "same_engine", "stated")),
    ),
    Alternative(
        "Baselines of the same specification let in",
        "Baselines of another build of the same specification let in, with 4 % error on each side.",
        SampleOptions(qualities=("same_session", "same_engine", "same_spec")),
    ),
    Alternative(
        "Baselines from another dyno let in",
        "Baselines from another dyno let in, with 4 % error on each side.",
        SampleOptions(other_dyno=True),
    ),
    Alternative(
        "Wheel against crank with a stated loss let in",
        "Wheel figures with a stated flat loss let in against crank figures, with at least 4 % error.",
        SampleOptions(flat_loss=True),
    ),
    Alternative("Only pairs of one session", "Only pairs from one session.", SampleOptions(qualities=("same_session",))),
    Alternative("Without wheel and hub figures", "Wheel and hub figures left out.", SampleOptions(only_measured_at=("crank",))),
    Alternative(
        "Only recorded air pressure", "Only sites whose air pressure was recorded.", SampleOptions(only_recorded_ambient=True)
    ),
    Alternative(
        "Only with the compressor removed",
        "Only baselines without compressor hardware: what stays on costs power and flatters boost.",
        SampleOptions(only_baseline_hardware=("compressor_removed",)),
    ),
    Alternative("Only cooled builds", "Only builds with a charge cooler.", SampleOptions(only_cooled=True)),
    Alternative(
        "Only builds with several boost levels", "Only builds tested at two boosts or more.", SampleOptions(least_boost_levels=2)
    ),
    Alternative(
        "Baseline at ambient manifold pressure",
        "Power at ambient manifold pressure read off the line through runs within 25 kPa on both sides of it.",
        SampleOptions(interpolated_baseline=True),
    ),
)


def sensitivity_lines(
    answer: Callable[[Alternative], Estimate], alternatives: tuple[Alternative, ...] = ALTERNATIVES
) -> tuple[SensitivityLine, ...]:
    """The rule ratio under each alternative, in the order of the table.

    Parameters
    ----------
    answer : from an alternative to its rule ratio; gives an estimate with a ``why`` where it cannot be had.
    alternatives : what to try.
    """
    return tuple(SensitivityLine(a.name, a.sentence, answer(a)) for a in alternatives)
