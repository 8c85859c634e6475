"""What a publisher prints about a build beside what moves its power: the compressor's rating, the volume of the plenum.

Drawn apart from the runs, by the build's name, so that neither has anything to do with the yield: a study of the demo
data must find that they explain nothing.
"""

from __future__ import annotations

import zlib
from dataclasses import replace

import numpy as np

from models.demo.engines import DemoBuild
from pipeline.units import convert, unit_named

#: A compressor supports this many times what the engine makes at the highest boost tested.
HEADROOM = (1.05, 1.9)
PLENUM_L = (2.0, 11.0)
STEP_HP = 25


def with_side_facts(build: DemoBuild) -> DemoBuild:
    """The build with ``compressor_rating_kw`` (a maker's round figure, 25 hp apart) and ``plenum_l`` on each row."""
    rng = np.random.default_rng(zlib.crc32(build.name.encode()))
    hp, kw = unit_named("hp"), unit_named("kW")
    needed_hp = convert(max(row["power_kw"] for row in build.rows), kw, hp) * float(rng.uniform(*HEADROOM))
    facts = {
        "compressor_rating_kw": convert(STEP_HP * max(round(needed_hp / STEP_HP), 5), hp, kw),
        "plenum_l": round(float(rng.uniform(*PLENUM_L)), 1),
    }
    return replace(build, rows=[row | facts for row in build.rows])
