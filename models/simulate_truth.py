"""What a simulated study is drawn from, and the formula that makes power from boost.

The model (DEVELOPERS.md, Estimators)::

    power = NA power * M * error        M = 1 + s x + q x (x - x_r)
    s = rule ratio + class effects + publisher effect + build effect

with ``x`` gauge boost over ambient pressure and ``x_r`` the reference boost, 10 psi at sea
level. Effects and error sizes are assumptions of the simulator, not facts about engines.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

import numpy as np

PSI_KPA = 6.894757293168361
ATMOSPHERE_KPA = 101.325
REFERENCE_BOOST_RATIO = 10 / 14.7
#: Station pressure of the sites at altitude, about 1600 m.
HIGH_SITE_KPA = 83.5

#: class field -> code -> (share of builds, effect on the rule ratio before centring)
ClassTable = dict[str, dict[str, tuple[float, float]]]

COMMON_CLASSES: ClassTable = {
    "induction": {"turbocharger": (0.60, 0.0), "centrifugal": (0.20, -0.06), "positive_displacement": (0.20, -0.13)},
    "charge_cooling": {"air_to_air": (0.55, 0.0), "air_to_water": (0.25, 0.02), "none": (0.20, -0.11)},
}
ONE_CLASS: ClassTable = {"induction": {"turbocharger": (1.0, 0.0)}, "charge_cooling": {"air_to_air": (1.0, 0.0)}}

MISTAKES = ("altitude_ignored", "wheel_boosted", "boost_misread", "out_of_breath")


@dataclass(frozen=True, slots=True)
class Truth:
    """What a simulated study is drawn from.

    Attributes
    ----------
    builds, publishers : how many; publishers are of unequal size.
    rule_ratio : mean of ``s`` over builds of a typical publisher.
    build_sd, publisher_sd : spread of ``s`` beside the classes.
    curvature, curvature_sd : mean and spread of ``q``.
    elasticity : exponent of the yield in NA power, 1 where the rule is right.
    median_power_kw, log_power_sd : NA power, log-normal.
    classes : shares and effects of induction and charge cooling.
    heavy_tails : build effects from Student's t with 4 degrees of freedom, scaled to ``build_sd``.
    high_site_share : share of publishers that test at about 1600 m.
    chassis_share : share of publishers that measure at the wheel.
    extra_runs : mean number of boosted runs beyond the first.
    boost_follows_yield : change of log top boost per standard deviation of ``s``.
    contaminated : share of builds whose record holds one of `MISTAKES`.
    power_rel_sd, boost_sd_kpa, gauge_sd_kpa, session_rel_sd : errors of a pull, of a boost reading,
        of a build's gauge and of a session.
    """

    builds: int = 100
    publishers: int = 20
    rule_ratio: float = 0.90
    build_sd: float = 0.065
    publisher_sd: float = 0.03
    curvature: float = -0.08
    curvature_sd: float = 0.04
    elasticity: float = 1.0
    median_power_kw: float = 260.0
    log_power_sd: float = 0.35
    classes: ClassTable = field(default_factory=lambda: COMMON_CLASSES)
    heavy_tails: bool = False
    high_site_share: float = 0.20
    chassis_share: float = 0.35
    extra_runs: float = 1.6
    boost_follows_yield: float = 0.0
    contaminated: float = 0.0
    power_rel_sd: float = 0.015
    boost_sd_kpa: float = 1.19279
    gauge_sd_kpa: float = 0.689476
    session_rel_sd: float = 0.005

    @property
    def between_builds_sd(self) -> float:
        """Spread of ``s`` over builds of all publishers: classes, publishers, builds and elasticity together."""
        scatter = sum(class_moments(codes)[1] for codes in self.classes.values())
        by_power = (self.rule_ratio * (self.elasticity - 1) * self.log_power_sd) ** 2
        return float(np.sqrt(self.build_sd**2 + self.publisher_sd**2 + scatter + by_power))


def class_moments(codes: dict[str, tuple[float, float]]) -> tuple[float, float]:
    """Mean and variance of one class field's effect over its shares."""
    share = np.array([row[0] for row in codes.values()])
    effect = np.array([row[1] for row in codes.values()])
    mean = float(share @ effect / share.sum())
    return mean, float(share @ (effect - mean) ** 2 / share.sum())


def power_multiple(rule_ratio: Any, curvature: Any, boost_ratio: Any) -> Any:
    """Boosted over NA power: ``1 + s x + q x (x - x_r)``, for numbers or arrays, no unit."""
    return 1 + rule_ratio * boost_ratio + curvature * boost_ratio * (boost_ratio - REFERENCE_BOOST_RATIO)


def generator(*seed: int) -> np.random.Generator:
    """The one random generator of the simulators: PCG64 from fixed seeds."""
    return np.random.Generator(np.random.PCG64(list(seed)))
