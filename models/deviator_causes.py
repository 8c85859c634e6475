"""All tests of causes on one deviating build, and the sentence that sums them up."""

from __future__ import annotations

from collections.abc import Callable

from models import causes_in_engine, causes_in_figures, causes_in_reading
from models.deviation_case import Case, words
from models.deviator_records import Cause

NOTHING = "Nothing in its record explains it."

#: In the order in which they are looked at: what is most often to blame first.
TESTS: tuple[Callable[[Case], Cause | None], ...] = (
    causes_in_engine.its_class,
    causes_in_engine.physics_expects,
    causes_in_figures.exchanged,
    causes_in_figures.unit_slip,
    causes_in_reading.wheel_against_crank,
    causes_in_reading.ambient,
    causes_in_engine.uncooled,
    causes_in_engine.left_in_place,
    causes_in_reading.boost_where,
    causes_in_reading.boost_taken,
    causes_in_reading.boost_printed_coarsely,
    causes_in_reading.gauge_zero,
    causes_in_engine.baseline_not_measured,
    causes_in_engine.fuel_changed,
    causes_in_engine.other_parts,
    causes_in_engine.peak_moved,
    causes_in_reading.correction,
    causes_in_engine.yield_falls,
    causes_in_engine.hot_charge,
    causes_in_engine.back_pressure,
    causes_in_engine.compressor_limit,
    causes_in_reading.publisher_leans,
)

_RANK = {"recorded": 0, "not stated": 1, "ruled out": 2}


def find_causes(case: Case) -> tuple[Cause, ...]:
    """Every cause that can be asked of this build: those that explain it first, recorded ones before silent ones."""
    found = [cause for test in TESTS if (cause := test(case)) is not None]
    return tuple(sorted(found, key=lambda cause: (not cause.supports, not cause.tested, _RANK[cause.basis])))


def say_causes(causes: tuple[Cause, ...]) -> str:
    """What explains the build, in one sentence: what is recorded plainly, what the record is silent about as a question."""
    recorded = [words(c.cause) for c in causes if c.supports and c.basis == "recorded"]
    silent = [words(c.cause) for c in causes if c.supports and c.basis == "not stated"]
    if recorded:
        said = f"Its record could explain it: {', '.join(recorded)}."
        return f"{said} Also open: {', '.join(silent)}." if silent else said
    if silent:
        return f"{NOTHING[:-1]}, but it leaves open: {', '.join(silent)}."
    return NOTHING
