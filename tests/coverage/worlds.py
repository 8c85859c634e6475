"""Which worlds are simulated, what is measured in each, and the limits that must be kept.

Limits are those that the estimators were designed to (DEVELOPERS.md, Estimators): a miss is a bug or a named limit.
"""

from __future__ import annotations

from dataclasses import dataclass

from tests.coverage import measures as m

#: What is known and stays as it is, printed at the head of the report.
NAMED_LIMITS = (
    "Out of breath: planned for 55 % found where power stops rising at the knee. The simulator's builds still gain 30 % of every "
    "later rise, mostly over three boosted runs; of these a good third is found. With nothing gained past the knee four in five are.",
    "Boost follows yield: engines that take boost well are given 42 % more of it per spread of yield. That tilts the mean by about "
    "+0.007 and the spread by -0.008 (300 studies), beyond the planned 0.005 and 0.006; the 95 % interval still covers 90 %. At 16 % "
    "more boost per spread, the world after it, all planned limits are kept. The study says where boost is confounded with yield.",
    "Share of builds within 10 %: the estimate takes builds as normal about the mean. Where they fall into classes (base world) the "
    "truth is a mixture with more builds near the rule, and the estimate is low by about 0.04.",
    "Altitude ignored and boost misread move a rule ratio by two spreads at most: no test of residuals finds them often. Checks on "
    "the records themselves have to.",
    "Power of a single new build: its range is measured here as that of its rule ratio only.",
)

_MEAN = "rule ratio"
_SPREAD = "spread between builds"
_WITHIN = "curvature within builds"


@dataclass(frozen=True)
class Limit:
    """What a summary must keep to: ``figure`` is bias, coverage or rate."""

    quantity: str
    figure: str
    low: float
    high: float


@dataclass(frozen=True)
class World:
    """A world of models.simulate_worlds with what is measured in it.

    ``changed`` is what of the world's truth is otherwise, in words and as fields. ``builds`` and ``studies`` fix what is
    drawn; None leaves builds at 60 to 150 and studies at what is asked for.
    """

    name: str
    measures: tuple[m.Measure, ...]
    limits: tuple[Limit, ...]
    builds: int | None = None
    studies: int | None = None
    changed: tuple[str, dict[str, float]] = ("", {})

    @property
    def label(self) -> str:
        return f"{self.name}{self.changed[0] and ', ' + self.changed[0]}"


def _of_headline(spread: bool = True, bias: float = 0.005) -> tuple[Limit, ...]:
    limits = [
        Limit(_MEAN, "bias", -bias, bias), Limit(_MEAN, "coverage", 0.89, 0.995),
        Limit(_WITHIN, "bias", -0.006, 0.006), Limit(_WITHIN, "coverage", 0.86, 1.0), Limit("studies without an answer", "rate", 0.0, 0.0),
    ]  # fmt: skip
    return tuple(limits + ([Limit(_SPREAD, "bias", -0.006, 0.006)] if spread else []))


_FAILED = Limit("studies without an answer", "rate", 0.0, 0.0)
_HEADLINE = (m.headline,)

WORLDS: tuple[World, ...] = (
    World(
        "base",
        (m.headline, m.other_estimators, m.publishers_out, m.elasticity, m.equivalence, m.drivers, m.deviators),
        (
            *_of_headline(),
            Limit("mean said to hold within 10 %", "rate", 0.0, 0.09),
            Limit("some build flagged", "rate", 0.0, 0.22),
            Limit("share of builds within 10 %", "coverage", 0.88, 1.0),
            Limit("headline within its range with one publisher out", "rate", 0.98, 1.0),
            Limit("new builds inside their 95 % range", "rate", 0.93, 0.98),
            Limit("charge_cooling: none against air_to_air", "coverage", 0.88, 1.0),
            Limit("induction: positive_displacement against turbocharger", "coverage", 0.88, 1.0),
        ),
    ),
    World("few_publishers", (m.headline, m.other_estimators), _of_headline()),
    World("boost_follows_yield", (m.headline, m.other_estimators), (*_of_headline(spread=False, bias=0.010), Limit(_SPREAD, "bias", -0.010, 0.010))),
    World("boost_follows_yield", _HEADLINE, _of_headline(), changed=("mildly", {"boost_follows_yield": 0.15})),
    World(
        "engines_alike", (m.headline, m.elasticity), (*_of_headline(), Limit("elasticity", "bias", -0.05, 0.05))
    ),
    World("heavy_tails", _HEADLINE, _of_headline()),
    World("homogeneous", (m.headline, m.deviators), _of_headline()),
    World("one_boost_each", _HEADLINE, (Limit(_MEAN, "bias", -0.005, 0.005), Limit(_MEAN, "coverage", 0.89, 0.995), _FAILED)),
    World(
        "yield_falls_with_power", (m.headline, m.elasticity),
        (Limit("elasticity", "bias", -0.01, 0.01), Limit("elasticity", "coverage", 0.90, 1.0), _FAILED),
    ),
    World(
        "rule_true", (m.headline, m.equivalence),
        (
            Limit("mean said to hold within 10 %", "rate", 0.95, 1.0), Limit("mean said not to hold", "rate", 0.0, 0.01),
            Limit("share of builds within 10 %", "coverage", 0.88, 1.0), _FAILED,
        ),
    ),
    World(
        "contaminated", (m.headline, m.deviators),
        (
            Limit("false alarms among flagged", "rate", 0.0, 0.10), Limit("planted mistakes found", "rate", 0.30, 1.0),
            Limit("planted mistakes found: wheel_boosted", "rate", 0.55, 1.0),
            # planned for .55 with power that stops at the knee; here 30 % of every later rise still counts, a milder bend
            Limit("planted mistakes found: out_of_breath", "rate", 0.30, 1.0), _FAILED,
        ),
    ),
    World(
        "many_small_publishers", _HEADLINE, (Limit(_MEAN, "bias", -0.001, 0.001), _FAILED), builds=20_000, studies=8
    ),
)  # fmt: skip
