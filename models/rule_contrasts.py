"""Differences of the rule ratio between kinds of build that rules of thumb speak of.

Each is a coefficient of a fit to the builds that state what is asked, from the statistics of the headline fit at its fixed
point; other facts that go with it are held equal in the same fit. A difference that rests on fewer than five builds or two
publishers on either side is not given.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
import polars as pl

from models.build_grams import BuildGrams, take_builds
from models.build_sums import Floats
from models.clustered import LEAST_BUILDS, LEAST_PUBLISHERS, say_too_few
from models.estimate import Estimate
from models.joint_fit import JointFit
from models.laws import t
from models.random_effects import RandomEffects, fit_random_effects
from models.results import RuleEvidence
from models.rules_of_thumb import EQUIVALENCE_LEVEL

#: A log rating must spread at least this much (sd) at equal power, or sizes are too alike to compare.
LEAST_SPREAD = 0.05

_COOLED = pl.col("charge_cooling") != "none"
_BELT = pl.col("induction") != "turbocharger"
_SUPERCHARGED = pl.col("induction") == "positive_displacement"


@dataclass(frozen=True, slots=True)
class _Asked:
    """One difference.

    Attributes
    ----------
    name, meaning : of the figure.
    column : what is compared: true/false, or a number.
    beside : what is held equal.
    only : which builds; what is null there does not state it.
    factor : times the coefficient.
    sides : words of the two sides, "builds without a charge cooler"; for a number, of all builds.
    """

    name: str
    meaning: str
    column: pl.Expr
    beside: tuple[pl.Expr, ...]
    only: pl.Expr
    factor: float
    sides: tuple[str, ...]


def _compressor(name: str, meaning: str, only: pl.Expr, what: str) -> _Asked:
    size = (pl.col("compressor_rating_kw") / pl.col("na_power_kw")).log()
    return _Asked(name, meaning, size, (pl.col("na_power_kw").log(),), only, float(np.log(2.0)), (what,))


_ASKED = (
    _Asked(
        "charge_cooling", "rule ratio of charge-cooled builds less that of uncooled ones, with equal kind of compressor",
        _COOLED, (_BELT, _SUPERCHARGED), pl.lit(True), 1.0, ("charge-cooled builds", "builds without a charge cooler"),
    ),
    _Asked(
        "belt_drive", "rule ratio of belt-driven builds less that of turbocharged ones, with equal charge cooling",
        _BELT, (_COOLED,), pl.lit(True), 1.0, ("belt-driven builds", "turbocharged builds"),
    ),
    _compressor(
        "compressor_size", "change of the rule ratio with a compressor of twice the rating, at equal unboosted power",
        pl.lit(True), "builds with a compressor's rating",
    ),
    _compressor(
        "compressor_size_turbo", "the same on turbocharged builds",
        pl.col("induction") == "turbocharger", "turbocharged builds with the turbo's rating",
    ),
)  # fmt: skip


def contrast_figures(fit: JointFit, level: float) -> tuple[RuleEvidence, ...]:
    """Charge cooling, belt drive, compressor size (all, turbos only)."""
    return tuple(
        RuleEvidence(asked.name, asked.meaning, *(_answer(fit, asked, at) for at in (level, EQUIVALENCE_LEVEL)))
        for asked in _ASKED
    )


def unit_contrast(fit: JointFit, name: str, meaning: str, flags: pl.Series, sides: tuple[str, str], level: float) -> RuleEvidence:
    """Difference of the rule ratio between units flagged true and false; null flags are not compared.

    Parameters
    ----------
    flags : one per row of ``fit.units``.
    sides : words of the true and of the false side.
    """
    asked = _Asked(name, meaning, pl.lit(flags), (), pl.lit(True), 1.0, sides)
    return RuleEvidence(name, meaning, *(_answer(fit, asked, at) for at in (level, EQUIVALENCE_LEVEL)))


def _answer(fit: JointFit, asked: _Asked, level: float) -> Estimate:
    if fit.effects is None or fit.grams is None:
        return Estimate(None, None, None, level, "1", 0, 0, fit.why)
    columns = [asked.column, *asked.beside]
    table = fit.units.select(
        asked.only.fill_null(False).alias("only"), *(c.cast(pl.Float64).alias(f"c{i}") for i, c in enumerate(columns))
    )
    found = table.to_numpy().astype(np.float64)
    keep = (found[:, 0] > 0.0) & np.isfinite(found[:, 1:]).all(axis=1)
    facts = found[keep, 1:]
    runs = int((fit.baseline_runs + fit.boosted_runs)[keep].sum())

    def nothing(why: str) -> Estimate:
        return Estimate(None, None, None, level, "1", int(keep.sum()), runs, why)

    why = _too_few(facts[:, 0] if facts.size else np.empty(0), fit.publisher_index[keep], asked.sides)
    if why is not None:
        return nothing(why)
    held = _independent(facts)
    if held is None:
        return nothing(
            f"Among the {int(keep.sum())} builds, what is compared goes along with what is held equal; they cannot be told apart."
        )
    effects = _refit(fit, fit.grams, keep, held)
    if effects is None:
        return nothing("The fit of this difference did not settle.")
    row = np.zeros(effects.theta.size)
    row[1] = asked.factor
    value = float(row @ effects.theta)
    half = float(t.ppf(0.5 + level / 2.0, effects.publishers - 1)) * effects.variance_of(row) ** 0.5
    return Estimate(value, value - half, value + half, level, "1", int(keep.sum()), runs)


def _too_few(values: Floats, publisher: np.ndarray, sides: Sequence[str]) -> str | None:
    """Why the two sides (or the one, of a number) are too few, or None."""
    masks: list[Callable[[], np.ndarray]]
    masks = [lambda: np.ones(values.size, dtype=bool)] if len(sides) == 1 else [lambda: values > 0.5, lambda: values <= 0.5]
    for words, mask in zip(sides, masks, strict=True):
        builds, publishers = int(mask().sum()), len(set(publisher[mask()].tolist()))
        if builds < LEAST_BUILDS or publishers < LEAST_PUBLISHERS:
            return say_too_few(builds, publishers, words)
    return None


def _independent(facts: Floats) -> Floats | None:
    """The design: 1, what is compared, and those of the facts held equal that say something of their own; centred.

    None where what is compared has no spread of its own.
    """
    centred = facts - facts.mean(axis=0)
    kept: list[Floats] = []
    for column in centred.T[1:]:
        rest = _residual(column, kept)
        if rest.std() > 1e-6 * (1.0 + column.std()):
            kept.append(column)
    own = _residual(centred[:, 0], kept)
    if own.std() < LEAST_SPREAD * min(1.0, centred[:, 0].std() or 1.0) or own.std() == 0.0:
        return None
    return np.column_stack([np.ones(len(facts)), centred[:, 0], *kept])


def _residual(column: Floats, others: list[Floats]) -> Floats:
    if not others:
        return column
    x = np.column_stack(others)
    rest: Floats = column - x @ np.linalg.lstsq(x, column, rcond=None)[0]
    return rest


def _refit(fit: JointFit, grams: BuildGrams, keep: np.ndarray, design: Floats) -> RandomEffects | None:
    """Coefficients on the kept builds at the headline's fixed point; None where they cannot be had."""
    names, index = np.unique(fit.publisher_index[keep], return_inverse=True)
    if design.shape[0] <= design.shape[1] or names.size < LEAST_PUBLISHERS:
        return None
    curved = fit.curvature_why is None
    effects = fit_random_effects(take_builds(grams, keep), design, index.astype(np.int64), with_curvature=curved)
    return effects if effects.converged else None
