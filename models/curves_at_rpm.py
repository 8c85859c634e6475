"""Curves compared at equal engine speed: what a change is worth, and what boost is worth, from bottom to top.

Curves are freed of spikes and noise as in the reading of sweeps (``pipeline.curve_bins``), then read at round speeds by
straight lines between their points, inside the speeds that both cover: nothing is extrapolated, and no line is drawn
across a wide gap. The two curves of a pair are brought to one correction first.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence

import numpy as np
import numpy.typing as npt
import polars as pl

from models.curve_records import CurveAnswers, GainCurve, GainPoint, LeftOut, SpeedPoint, YieldCurve, YieldPoint
from models.estimate import Estimate
from models.interpolated_baseline import PULL_REL_SD
from models.laws import norm
from models.pairing import SESSION_REL_SD
from models.pooling import pool
from models.rule import SEA_LEVEL_KPA
from models.sample import BOOST_SD_KPA, GAUGE_SD_KPA, LEAST_POWER_REL_SD, Sample
from pipeline.curve_bins import smooth_curves
from pipeline.errors import RequestProblem

#: Speeds at which curves are compared are multiples of this.
GRID_RPM = 100.0
#: No line is drawn between points farther apart: a whole torque peak fits in between.
WIDEST_GAP_RPM = 1000.0
#: Below this boost (1.5 psi) gauge error alone makes a yield anything at all.
LEAST_BOOST_KPA = 10.0
#: Shares of the speed of the unboosted power peak at which builds are averaged, and the fewest builds for an average.
SPEED_SHARES = (0.5, 0.6, 0.7, 0.8, 0.9, 1.0, 1.1)
FEWEST_BUILDS = 3
_NEEDED = ("run_key", "line", "rpm", "curve_power_kw", "curve_torque_nm", "curve_boost_kpa")


def on_common_speeds(points: pl.DataFrame, step_rpm: float = GRID_RPM) -> pl.DataFrame:
    """All curves read at multiples of one step.

    Parameters
    ----------
    points : clean table ``sweep_point``.
    step_rpm : distance of the speeds.

    Returns
    -------
    run_key, rpm, power_kw, torque_nm, boost_kpa (null where it was not logged), noise_share (standard deviation of
    points about the curve; null where they stand too far apart to tell), in order of key and speed.

    Raises
    ------
    RequestProblem : a column is missing, or the step is not above zero.
    """
    missing = [c for c in _NEEDED if c not in points.columns]
    if missing or not step_rpm > 0:
        raise RequestProblem(
            f"Curves cannot be compared: the table lacks {', '.join(missing) or 'nothing'} and the step is {step_rpm} rpm; it needs "
            f"{', '.join(_NEEDED)} and a step above zero. Read the table sweep_point from the store."
        )
    smooth = smooth_curves(points.sort("run_key", "line").filter(pl.col("rpm") > 0))
    if smooth.is_empty():
        none = {n: pl.lit(None, pl.Float64) for n in ("power_kw", "torque_nm", "boost_kpa")}
        return smooth.select("run_key", "rpm", **none, noise_share="noise_share")
    curve = smooth["run_key"].rle_id().to_numpy().astype(np.int64)
    rpm = smooth["rpm"].to_numpy()
    starts = np.flatnonzero(np.diff(curve, prepend=-1))
    first = np.ceil(rpm[starts] / step_rpm - 1e-9).astype(np.int64)
    last = np.floor(rpm[np.append(starts[1:], len(rpm)) - 1] / step_rpm + 1e-9).astype(np.int64)
    counts = np.maximum(last - first + 1, 0)
    owner = np.repeat(np.arange(len(starts)), counts)
    place = np.arange(len(owner)) - np.repeat(np.cumsum(counts) - counts, counts)
    speeds = (first[owner] + place) * step_rpm
    span = float(rpm.max()) + 2 * WIDEST_GAP_RPM
    x, at = rpm + curve * span, speeds + owner * span
    right = np.clip(np.searchsorted(x, at - 1e-9), 1, max(len(x) - 1, 1)) if len(x) > 1 else np.zeros(len(at), dtype=np.int64)
    near = np.abs(x[right] - x[np.maximum(right - 1, 0)]) <= WIDEST_GAP_RPM
    near |= np.isclose(x[right], at) | np.isclose(x[np.maximum(right - 1, 0)], at)
    read = {
        name: pl.Series(np.interp(at, x, smooth[column].fill_null(float("nan")).to_numpy())).fill_nan(None)
        for name, column in (("power_kw", "power"), ("torque_nm", "torque"), ("boost_kpa", "boost"))
    }
    keys = {"run_key": smooth["run_key"].gather(starts[owner]), "rpm": speeds}
    made = pl.DataFrame({**keys, **read, "noise_share": smooth["noise_share"].gather(starts[owner])})
    return made.filter(pl.Series(near))


def _relative_sd() -> pl.Expr:
    """Relative error of one curve's height: repeatability over pulls, and the noise of a point (smoothing leaves less of it)."""
    pulls = pl.col("pulls").fill_null(1).clip(1).cast(pl.Float64).sqrt()
    stated = pl.when(pl.col("power_sd_kw") > 0).then(pl.col("power_sd_kw") / pl.col("power_kw"))
    repeat = (stated.fill_null(PULL_REL_SD) / pulls).clip(LEAST_POWER_REL_SD)
    return (repeat**2 + pl.col("noise_share").fill_null(0.0) ** 2).sqrt()


def _with_optional(runs: pl.DataFrame) -> pl.DataFrame:
    optional = {
        "pulls": pl.Int64, "power_sd_kw": pl.Float64, "session": pl.String, "correction": pl.String, "correction_factor": pl.Float64,
    }  # fmt: skip
    return runs.with_columns(pl.lit(None, kind).alias(name) for name, kind in optional.items() if name not in runs.columns)


def gains_of_changes(
    changes: pl.DataFrame, runs: pl.DataFrame, builds: pl.DataFrame, points: pl.DataFrame, level: float = 0.95
) -> tuple[tuple[GainCurve, ...], tuple[LeftOut, ...]]:
    """Power won by each change at every speed that both of its curves cover.

    The error of a gain is that of both heights: repeatability (1.5 % a pull unless stated), noise, and the session
    (0.5 % each within one named session, 1.5 % across).

    Parameters
    ----------
    changes, runs, builds, points : clean tables; changes whose runs have no curve are passed over in silence, since most have none.
    """
    grid = on_common_speeds(points.filter(pl.col("run_key").is_in(_keys_of(changes).implode())))
    facts = _with_optional(runs).join(builds.select("build_key", "build").unique("build_key"), on="build_key", how="left")
    height = grid.join(facts.select("run_key", "pulls", "power_sd_kw", run_power="power_kw"), on="run_key", how="inner")
    height = height.rename({"power_kw": "curve_kw", "run_power": "power_kw"}).with_columns(rel_sd=_relative_sd())
    curves = {key[0]: frame for key, frame in height.partition_by("run_key", as_dict=True).items()}
    known = {row["run_key"]: row for row in facts.filter(pl.col("run_key").is_in(list(curves))).iter_rows(named=True)}
    made = []
    for change in changes.sort("change_key").iter_rows(named=True):
        before, after = (known.get(change[f"{side}_run_key"]) for side in ("before", "after"))
        if before is not None and after is not None:
            made.append(_gain_curve(change, before, after, curves, level))
    return tuple(m for m in made if isinstance(m, GainCurve)), tuple(m for m in made if isinstance(m, LeftOut))


def _keys_of(changes: pl.DataFrame) -> pl.Series:
    return pl.concat([changes["before_run_key"], changes["after_run_key"]]).unique()


def _common_factors(before: dict[str, object], after: dict[str, object]) -> tuple[float, float, str] | None:
    """Factors that bring both curves to one correction, and its name; None where that is not possible."""
    if before["correction"] == after["correction"]:
        return 1.0, 1.0, "as reported"
    factors = before["correction_factor"], after["correction_factor"]
    if all(isinstance(f, float) and f > 0 for f in factors):
        return 1.0 / float(factors[0]), 1.0 / float(factors[1]), "observed"  # type: ignore[arg-type]
    return None


def _gain_curve(
    change: dict[str, object],
    before: dict[str, object],
    after: dict[str, object],
    curves: dict[object, pl.DataFrame],
    level: float,
) -> GainCurve | LeftOut:
    key = str(change["change_key"])
    factors = _common_factors(before, after)
    if factors is None:
        return LeftOut(
            key,
            f"The curves of {key} are corrected under {before['correction'] or 'no stated standard'} and "
            f"{after['correction'] or 'no stated standard'}, and the air that would bring them together is not given.",
        )
    both = curves[before["run_key"]].join(curves[after["run_key"]], on="rpm", suffix="_after").sort("rpm")
    if both.is_empty():
        return LeftOut(key, f"The two curves of {key} share no speed.")
    same = before["session"] is not None and before["session"] == after["session"]
    session = SESSION_REL_SD["same_session" if same else "same_engine"]
    first, second = both["curve_kw"].to_numpy() * factors[0], both["curve_kw_after"].to_numpy() * factors[1]
    variance = sum(kw**2 * (both[c].to_numpy() ** 2 + session**2) for kw, c in ((first, "rel_sd"), (second, "rel_sd_after")))
    half = float(norm.ppf(0.5 + level / 2)) * np.sqrt(variance)
    gain = second - first
    rows = zip(both["rpm"], first, second, gain, gain - half, gain + half, strict=True)
    parts = change["parts"]
    return GainCurve(
        key, str(before["run_key"]), str(after["run_key"]), str(change["source"]), str(change["publisher"]), str(before["build"]),
        tuple(parts) if isinstance(parts, list) else (), factors[2], same, level, tuple(GainPoint(*map(float, row)) for row in rows),
    )  # fmt: skip


def yields_by_rpm(
    sample: Sample, runs: pl.DataFrame, points: pl.DataFrame, level: float = 0.95
) -> tuple[tuple[YieldCurve, ...], tuple[LeftOut, ...]]:
    """What boost was worth at every speed that a boosted curve and its baseline cover, for the builds of the study.

    Only where boost was logged against speed: boost at the power peak says nothing of other speeds. Powers are on the
    common basis of the sample. The ends hold the errors of both heights, of the session, and of gauge and reading.

    Parameters
    ----------
    sample : who is in the study.
    runs, points : clean tables.
    """
    told = sample.runs.join(
        _with_optional(runs).select("run_key", "power_kw", "power_rpm", "source", "pulls", "power_sd_kw"), on="run_key"
    )
    told = told.with_columns(factor=pl.col("power") / pl.col("power_kw"))
    grid = on_common_speeds(points.filter(pl.col("run_key").is_in(told["run_key"].unique().implode())))
    read = told.join(grid.rename({"power_kw": "curve_kw", "boost_kpa": "curve_boost_kpa"}), on="run_key", how="inner")
    read = read.with_columns(kw=pl.col("curve_kw") * pl.col("factor"), rel_sd=_relative_sd())
    boosted = pl.col("gain_ratio").is_not_null()
    base = read.filter(~boosted).group_by("unit", "rpm").agg(
        base_kw=pl.col("kw").mean(), base_var=((pl.col("rel_sd") * pl.col("kw")) ** 2).sum() / pl.len() ** 2,
        baseline_curves=pl.col("run_key").n_unique(), peak_rpm=pl.col("power_rpm").mean(),
    )  # fmt: skip
    shared = read.filter(boosted).join(base, on=["unit", "rpm"], how="inner").join(
        sample.units.select("unit", "session_rel_sd", "publisher", "build", "induction", "charge_cooling"), on="unit", how="left"
    )  # fmt: skip
    left_out = _unlogged(shared)
    usable = shared.filter(pl.col("curve_boost_kpa") >= LEAST_BOOST_KPA).sort("unit_id", "run_key", "rpm")
    with_ends = usable.with_columns(_rule_ratio()).with_columns(_half_width(level).alias("half"))
    curves = (_yield_curve(frame, level) for frame in with_ends.partition_by("unit_id", "run_key", maintain_order=True))
    return tuple(curves), left_out


def _unlogged(shared: pl.DataFrame) -> tuple[LeftOut, ...]:
    silent = (
        shared.group_by("run_key").agg(pl.col("curve_boost_kpa").is_not_null().any().alias("logged")).filter(~pl.col("logged"))
    )
    return tuple(
        LeftOut(key, f"Boost of {key} was not logged against speed, so that its yield is known at the power peak only.")
        for key in silent["run_key"].sort()
    )


def _rule_ratio() -> Iterable[pl.Expr]:
    x = pl.col("curve_boost_kpa") / pl.col("ambient_kpa")
    gain = pl.col("kw") / pl.col("base_kw") - 1
    return x.alias("x"), gain.alias("g"), (gain / x).alias("ratio")


def _half_width(level: float) -> pl.Expr:
    """Half the interval of the rule ratio by the delta method: var(g) / x^2 + ratio^2 var(x) / x^2."""
    heights = (pl.col("rel_sd") ** 2 + pl.col("base_var") / pl.col("base_kw") ** 2 + 2 * pl.col("session_rel_sd") ** 2) * (
        1 + pl.col("g")
    ) ** 2
    boost = (BOOST_SD_KPA**2 + GAUGE_SD_KPA**2) / pl.col("ambient_kpa") ** 2
    return float(norm.ppf(0.5 + level / 2)) * (heights + pl.col("ratio") ** 2 * boost).sqrt() / pl.col("x")


def _yield_curve(frame: pl.DataFrame, level: float) -> YieldCurve:
    head = frame.row(0, named=True)
    ratio, half = pl.col("ratio"), pl.col("half")
    columns = frame.select(
        "rpm", "base_kw", "kw", "curve_boost_kpa", "ratio",
        low=ratio - half, high=ratio + half, yield_kw_per_kpa=ratio * pl.col("base_kw") / SEA_LEVEL_KPA,
    )  # fmt: skip
    made = [c.to_list() for c in columns.get_columns()]
    return YieldCurve(
        head["unit_id"], head["run_key"], head["source"], head["publisher"], head["build"], head["induction"], head["charge_cooling"],
        head["ambient_kpa"], head["peak_rpm"], int(frame["baseline_curves"].max()), level,  # type: ignore[arg-type]
        tuple(YieldPoint(*row) for row in zip(*made, strict=True)),
    )  # fmt: skip


def answer_yield_by_speed(
    yields: Sequence[YieldCurve], level: float = 0.95, shares: Sequence[float] = SPEED_SHARES
) -> tuple[SpeedPoint, ...]:
    """Mean rule ratio over builds at shares of the speed at which the unboosted engine makes its peak power.

    Each build counts once (mean over its boosted curves). Pooled with the spread between builds by REML and the
    Hartung-Knapp interval (``models.pooling``); builds of one publisher are taken as independent here, so that the
    intervals lean to the narrow side where few publishers log boost.
    """
    return tuple(SpeedPoint(share, _pooled_at(yields, share, level)) for share in shares)


def _pooled_at(yields: Sequence[YieldCurve], share: float, level: float) -> Estimate:
    found: dict[str, list[tuple[float, float]]] = {}
    z = float(norm.ppf(0.5 + level / 2))
    for curve in yields:
        rpm = np.array([p.rpm for p in curve.points])
        at = share * curve.peak_rpm
        if rpm.size and rpm[0] <= at <= rpm[-1] and np.min(np.abs(rpm - at)) <= GRID_RPM:
            ratio, high = (float(np.interp(at, rpm, [getattr(p, n) for p in curve.points])) for n in ("rule_ratio", "high"))
            found.setdefault(curve.unit_id, []).append((ratio, ((high - ratio) / z) ** 2))
    runs = sum(len(v) for v in found.values())
    if len(found) < FEWEST_BUILDS:
        why = f"{len(found)} build{' has' if len(found) == 1 else 's have'} boost logged at this speed; an average needs {FEWEST_BUILDS}."
        return Estimate(None, None, None, level, "1", len(found), runs, why)
    # Curves of one build share its baseline and session: averaging them does not shrink their error.
    means: npt.NDArray[np.float64] = np.array([np.mean(v, axis=0) for v in found.values()])
    pooled = pool(means[:, 0], means[:, 1], method="reml", knapp_hartung=True)
    low, high = pooled.interval(level)
    return Estimate(float(pooled.coefficients[0]), low, high, level, "1", len(found), runs)


def answer_curves(
    sample: Sample, runs: pl.DataFrame, builds: pl.DataFrame, changes: pl.DataFrame, points: pl.DataFrame, level: float = 0.95
) -> CurveAnswers:
    """All that the curves of a store say, from its clean tables and the sample of the study."""
    gains, lost = gains_of_changes(changes, runs, builds, points, level)
    yields, silent = yields_by_rpm(sample, runs, points, level)
    return CurveAnswers(gains, yields, answer_yield_by_speed(yields, level), (*lost, *silent))
