"""Named worlds: the truths that tests and the coverage suite draw studies from.

Each world breaks one assumption that an estimator might lean on, and is otherwise the base world.
"""

from __future__ import annotations

from dataclasses import replace

from models.simulate_truth import ONE_CLASS, Truth

BASE = Truth()

WORLDS: dict[str, Truth] = {
    "base": BASE,
    "few_publishers": replace(BASE, publishers=6, publisher_sd=0.05),
    "boost_follows_yield": replace(BASE, boost_follows_yield=0.35),
    "engines_alike": replace(BASE, log_power_sd=0.08),
    "heavy_tails": replace(BASE, heavy_tails=True, classes=ONE_CLASS, build_sd=0.095),
    "homogeneous": replace(BASE, classes=ONE_CLASS, build_sd=0.055, publisher_sd=0.0),
    "contaminated": replace(BASE, contaminated=0.10),
    "one_boost_each": replace(BASE, extra_runs=0.0),
    "rule_true": replace(BASE, rule_ratio=1.0, curvature=0.0),
    "yield_falls_with_power": replace(BASE, elasticity=0.9),
    "many_small_publishers": replace(BASE, builds=20_000, publishers=3_000),
}


def world(name: str, builds: int | None = None) -> Truth:
    """The truth of the named world, with another number of builds where asked.

    Raises
    ------
    KeyError
        If there is no such world.
    """
    truth = WORLDS[name]
    return truth if builds is None else replace(truth, builds=builds)
