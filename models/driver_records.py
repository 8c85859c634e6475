"""What the questions "what drives the rule ratio" and "what does physics expect" hand to the study: frozen records only.

Boost is gauge pressure in kPa, gain ratios and rule ratios have no unit. Nothing here computes.
"""

from __future__ import annotations

from dataclasses import dataclass

from models.estimate import Estimate

# --- drivers ------------------------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class DriverLevel:
    """How many builds of how many publishers stand at one level of a driver.

    ``is_compared`` is False where they are too few to be compared.
    """

    level: str
    builds: int
    publishers: int
    is_compared: bool


@dataclass(frozen=True, slots=True)
class DriverContrast:
    """What one level of a driver does to the rule ratio, against another level.

    Attributes
    ----------
    name : the driver (``charge_cooling``, ``compression_ratio``, a column of the analyst's own).
    level, against : the two levels compared. For a number, ``level`` is a step ("+1") and ``against`` "no step".
    difference : rule ratio at ``level`` less rule ratio at ``against``; without a value where it cannot be told, and why.
    builds_at_level, builds_against : builds at each level; for a number, all builds that state it, twice.
    missing : builds of the sample that do not state this driver.
    step, unit : size of the step of a number in its canonical unit, so that a page can word it; None for codes.
    adjusted_for : the other drivers in the same model; empty when it was looked at alone.
    """

    name: str
    level: str
    against: str
    difference: Estimate
    builds_at_level: int
    builds_against: int
    missing: int
    step: float | None
    unit: str | None
    adjusted_for: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class DriverSummary:
    """How far the sample can answer for one driver.

    Attributes
    ----------
    name, label : the driver, and its words for a page ("Charge cooling").
    kind : "code" or "number".
    stated, missing : builds that state it, and that do not.
    levels : levels of a code with their counts, the reference first; empty for a number.
    low, middle, high : 5 %, 50 % and 95 % quantile of a number over the builds that state it; None for a code.
    unit : unit of these; None for a code, "1" for a pure number.
    is_in_joint_model : whether it is one of the drivers that were fitted together.
    why : sentence that says why it is not answered, or not in the joint model; None when there is nothing to say.
    """

    name: str
    label: str
    kind: str
    stated: int
    missing: int
    levels: tuple[DriverLevel, ...]
    low: float | None
    middle: float | None
    high: float | None
    unit: str | None
    is_in_joint_model: bool
    why: str | None


@dataclass(frozen=True, slots=True)
class Collinearity:
    """How far one column of the joint model can be told from the others.

    Attributes
    ----------
    name, level : driver, and the level or step that the column stands for.
    vif : variance inflation factor of the column (1: on its own; None: a sum of other columns).
    driver_vif : the largest factor of any comparison between levels of this driver against all other drivers; unlike ``vif`` it
        does not grow because few builds stand at the reference. None: a comparison is a sum of other drivers' columns.
    goes_with : the driver that this one follows, where ``driver_vif`` is above 10 or None; else None.
    """

    name: str
    level: str
    vif: float | None
    driver_vif: float | None
    goes_with: str | None


@dataclass(frozen=True, slots=True)
class UnitDiagnostic:
    """One build in the regression of builds' own rule ratios on the drivers of the joint model.

    ``residual`` is observed less fitted; ``studentised`` is internally studentised; ``normal_quantile`` is where a normal sample
    would have it (for a QQ plot); ``cooks_distance`` says how far the coefficients move without it.
    """

    unit_id: str
    publisher: str
    fitted: float
    residual: float
    studentised: float
    normal_quantile: float
    leverage: float
    cooks_distance: float
    is_influential: bool


@dataclass(frozen=True, slots=True)
class DriverDiagnostics:
    """Regression diagnostics for the appendix: collinearity, influence, residuals.

    Attributes
    ----------
    collinearity : one row per column of the joint model.
    condition_number : of the scaled columns; above 30 they are hard to tell apart; None when it is infinite.
    units : builds, the most influential first; at most ``shown`` of ``builds`` are kept, evenly over the residuals.
    builds, shown : how many there are and how many are listed.
    cooks_limit : Cook's distance from which on a build is called influential.
    uneven_spread_p : p-value of Breusch and Pagan's test that residuals spread evenly over the fitted values; None without one.
    notes : sentences.
    """

    collinearity: tuple[Collinearity, ...]
    condition_number: float | None
    units: tuple[UnitDiagnostic, ...]
    builds: int
    shown: int
    cooks_limit: float
    uneven_spread_p: float | None
    notes: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class DriverAnswers:
    """What each driver does to the rule ratio.

    Attributes
    ----------
    together : contrasts from the joint model, each adjusted for the other drivers in it.
    alone : contrasts of each driver looked at by itself.
    summaries : one per driver, in the order of the table of drivers.
    mean_at_average : rule ratio of the joint model at the average build, for comparison with the headline.
    spread_without, spread_with : sd between builds without and with the drivers, on the same builds.
    builds_left_out : builds of the sample that the joint model had to leave out, because a number in it is not stated.
    caution : what a contrast is not.
    notes : sentences to print beside the figures.
    diagnostics : for the appendix; None when there is no joint model.
    """

    together: tuple[DriverContrast, ...]
    alone: tuple[DriverContrast, ...]
    summaries: tuple[DriverSummary, ...]
    mean_at_average: Estimate
    spread_without: float | None
    spread_with: float | None
    builds_left_out: int
    caution: str
    notes: tuple[str, ...]
    diagnostics: DriverDiagnostics | None


# --- physics ------------------------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class PhysicsBand:
    """What a model of charge heating, friction, drive power and back pressure expects at one boost.

    ``gain_ratio_low`` and ``_high`` span the stated ranges of what is not known (efficiencies, the exponent of temperature,
    exhaust pressure once to twice the boost); ``rule_gain_ratio`` is what the rule says: boost over ambient pressure.
    """

    boost_kpa: float
    ambient_kpa: float
    gain_ratio_low: float
    gain_ratio_high: float
    rule_gain_ratio: float


@dataclass(frozen=True, slots=True)
class PhysicsCurve:
    """Expectation over boost for one class of build at sea level.

    ``rule_ratio_low`` and ``_high`` are its average yield from no boost to the reference boost, over the rule's.
    """

    induction: str
    charge_cooling: str
    builds: int
    rule_ratio_low: float
    rule_ratio_high: float
    points: tuple[PhysicsBand, ...]


@dataclass(frozen=True, slots=True)
class BuildPhysics:
    """Expectation for one build at its own air pressure.

    ``rule_ratio_low`` and ``_high`` stand beside the build's own rule ratio; ``runs`` are its boosted runs as (run_key, band).
    ``assumed`` names what its record does not say and the expectation therefore spans.
    """

    unit_id: str
    rule_ratio_low: float
    rule_ratio_high: float
    runs: tuple[tuple[str, PhysicsBand], ...]
    assumed: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class PhysicsEffect:
    """One effect's share of the expected rule ratio at the reference boost, in the order in which it is applied."""

    effect: str
    sentence: str
    change_of_rule_ratio: float


@dataclass(frozen=True, slots=True)
class PhysicsBudget:
    """How friction paid once and heat, drive power and back pressure add up to a rule ratio near 1 at the reference boost.

    Starts from 1 (the rule); ``effects`` add up to ``rule_ratio`` less 1. ``exhaust_over_boost`` is None where no turbine stands in
    the exhaust.
    """

    induction: str
    charge_cooling: str
    boost_kpa: float
    temperature_exponent: float
    exhaust_over_boost: float | None
    rule_ratio: float
    effects: tuple[PhysicsEffect, ...]


@dataclass(frozen=True, slots=True)
class PhysicsAssumption:
    """A range that the expectation spans, and where it comes from."""

    name: str
    low: float
    high: float
    unit: str
    source: str


@dataclass(frozen=True, slots=True)
class PhysicsAnswers:
    """What physics expects, for the classes and the builds of the study."""

    curves: tuple[PhysicsCurve, ...]
    builds: tuple[BuildPhysics, ...]
    budgets: tuple[PhysicsBudget, ...]
    assumptions: tuple[PhysicsAssumption, ...]
