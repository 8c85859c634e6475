"""Which worlds are simulated, what is measured in each, and the limits that must be kept.

Limits are those that the estimators were designed to (DEVELOPERS.md, Estimators): a miss is a bug or a named limit.
"""

from __future__ import annotations

from dataclasses import dataclass

from tests.coverage import measures as m

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

    ``builds`` and ``studies`` fix what is drawn; None leaves builds at 60 to 150 and studies at what is asked for.
    """

    name: str
    measures: tuple[m.Measure, ...]
    limits: tuple[Limit, ...]
    builds: int | None = None
    studies: int | None = None


def _of_headline(spread: bool = True) -> tuple[Limit, ...]:
    limits = [
        Limit(_MEAN, "bias", -0.005, 0.005), Limit(_MEAN, "coverage", 0.89, 0.995),
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
    World("boost_follows_yield", (m.headline, m.other_estimators), _of_headline()),
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
            Limit("planted mistakes found: out_of_breath", "rate", 0.55, 1.0), _FAILED,
        ),
    ),
    World(
        "many_small_publishers", _HEADLINE, (Limit(_MEAN, "bias", -0.001, 0.001), _FAILED), builds=20_000, studies=8
    ),
)  # fmt: skip
