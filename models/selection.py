"""Does the published sample look picked, and what would the mean be if so.

The honest answer is a range under stated assumptions, not a corrected figure: in dyno results the usual tests have no power
against the picking of good results, and fire on something else (DEVELOPERS.md, Estimators). What they show is printed with
that said; the only real evidence is how kinds of source compare.
"""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np
import polars as pl

from models.build_sums import Floats
from models.deviator_records import FunnelPoint, SelectionAnswers, SelectionLine, SmallStudyTest, SourceKindMean
from models.estimate import Estimate
from models.fit_answers import contrast_estimate, curve_row
from models.joint_fit import JointFit, fit_joint
from models.precision_regression import PrecisionRegression, fit_precision_regression
from models.sample import Sample
from models.withheld_builds import fit_thinned

#: Probabilities with which a build below the cut is taken to have gone unpublished.
SHARES_WITHHELD = (0.25, 0.5, 0.75, 0.9)

#: Cuts are round figures this far apart, because nobody decides at the third digit.
CUT_STEP = 0.05

#: Fewer builds than this show no shape that a cut could be seen in.
LEAST_BUILDS = 10

#: A kind of source is compared from this many builds and publishers on.
LEAST_BUILDS_OF_A_KIND, LEAST_PUBLISHERS_OF_A_KIND = 5, 2

#: Below this many clusters a clustered standard error comes out too small (Cameron and Miller 2015, from memory).
FEW_PUBLISHERS = 12

#: Words for builds whose kind of source is too rare to stand alone, or is not stated.
OTHER = "other or not stated"

LEAN = "Published results lean to the good ones; these records cannot show by how much."
NO_POWER = (
    "Neither test can find the picking of good results in data like these: precision is set by boost and by the number of runs, "
    "and picking acts on the result."
)


def answer_selection(fit: JointFit, sample: Sample, sources: pl.DataFrame | None = None, level: float = 0.95) -> SelectionAnswers:
    """What can honestly be said of selection.

    Parameters
    ----------
    fit : the headline fit.
    sample : what it was fitted to.
    sources : clean table ``source`` with ``source`` and ``medium``; without it kinds of source are not compared.
    level : coverage of all intervals.
    """
    if fit.effects is None:
        return SelectionAnswers(f"{LEAN} {fit.why or ''}".strip(), (), None, None, (), (), (), ())
    funnel = _funnel(fit)
    kinds, kind_note = _kinds(sample, sources, level)
    if fit.builds < LEAST_BUILDS:
        few = f"With {fit.builds} builds no assumption about withheld ones can be worked through; it takes {LEAST_BUILDS}."
        return SelectionAnswers(f"{LEAN} {few}", (), None, None, (), kinds, funnel, kind_note)
    headline = contrast_estimate(fit, curve_row(fit, 1.0, 0.0), level).value or 0.0
    lines = _lines(fit, headline)
    means = [headline, *(line.rule_ratio for line in lines if line.rule_ratio is not None)]
    tests = _tests(fit, level)
    notes = (NO_POWER, *kind_note) if tests else kind_note
    return SelectionAnswers(
        _say(headline, lines, min(means), max(means)), lines, min(means), max(means), tests, kinds, funnel, notes
    )


# --- what if builds were withheld ---------------------------------------------------------------------------------------


def cuts_below(mean: float, tau: float) -> tuple[float, ...]:
    """Round rule ratios at the mean, one spread and two spreads below it, lowest first; equal ones once."""
    steps = {round((mean - far * tau) / CUT_STEP) for far in (0.0, 1.0, 2.0)}
    return tuple(round(step * CUT_STEP, 10) for step in sorted(steps))


def _lines(fit: JointFit, headline: float) -> tuple[SelectionLine, ...]:
    """The headline moved by what each assumption moves the same likelihood without it."""
    y, v = fit.own_slope, fit.own_variance
    plain = fit_thinned(y, v, headline, 0.0)
    made = []
    for cut in cuts_below(headline, fit.answer.tau):
        for share in SHARES_WITHHELD:
            thinned = fit_thinned(y, v, cut, share)
            fits = plain.is_found and thinned.is_found
            moved = headline + thinned.mean - plain.mean if fits else None
            made.append(SelectionLine(cut, share, moved, thinned.unpublished if fits else None, fits))
    return tuple(made)


def _say(headline: float, lines: Iterable[SelectionLine], lowest: float, highest: float) -> str:
    used = [line for line in lines if line.fits]
    if not used:
        return f"{LEAN} No assumption about withheld builds could be worked through with these figures."
    cuts = sorted({line.cut for line in used})
    between = f"{cuts[0]:.2f}" if len(cuts) == 1 else f"{cuts[0]:.2f} to {cuts[-1]:.2f}"
    return (
        f"{LEAN} If between {SHARES_WITHHELD[0]:.0%} and {SHARES_WITHHELD[-1]:.0%} of the builds with a rule ratio below {between} "
        f"had gone unpublished, the mean over all builds would lie between {lowest:.2f} and {highest:.2f} instead of {headline:.2f}. "
        "That is a range of what-ifs, not a correction."
    )


# --- tests and funnel ---------------------------------------------------------------------------------------------------


def _funnel(fit: JointFit) -> tuple[FunnelPoint, ...]:
    table = fit.units.select(
        unit_id="unit_id" if "unit_id" in fit.units.columns else pl.col("unit").cast(pl.String),
        publisher="publisher",
        highest_boost_kpa=pl.col("highest_boost_kpa") if "highest_boost_kpa" in fit.units.columns else pl.lit(float("nan")),
    )
    return tuple(
        FunnelPoint(unit_id, publisher, float(slope), float(variance) ** 0.5, float(boost))
        for (unit_id, publisher, boost), slope, variance in zip(table.iter_rows(), fit.own_slope, fit.own_variance, strict=True)
    )


def _tests(fit: JointFit, level: float) -> tuple[SmallStudyTest, ...]:
    """Egger's kind of test on the standard error, and the check that tells whether boost explains what it finds."""
    y, v = fit.own_slope, fit.own_variance
    total = v + fit.answer.tau**2
    tests = [_test(fit, "standard_error", fit_precision_regression(y, np.sqrt(v), total, fit.publisher_index), level)]
    reach = _boost_reach(fit)
    if reach is not None:
        tests.append(_test(fit, "boost_range", fit_precision_regression(y, 1.0 / reach, total, fit.publisher_index), level))
    return tuple(tests)


def _boost_reach(fit: JointFit) -> Floats | None:
    """Highest boost ratio of each build, or None where the units do not say."""
    if not {"highest_boost_kpa", "ambient_kpa"} <= set(fit.units.columns):
        return None
    reach: Floats = (fit.units["highest_boost_kpa"] / fit.units["ambient_kpa"]).to_numpy()
    return reach if bool((reach > 0.0).all()) else None


_MEASURES = {"standard_error": "the standard error of a build", "boost_range": "one over a build's highest boost ratio"}


def _test(fit: JointFit, name: str, made: PrecisionRegression | None, level: float) -> SmallStudyTest:
    measure = _MEASURES[name]
    if made is None:
        why = f"It takes at least three publishers and builds that differ in {measure}."
        none = Estimate(None, None, None, level, "1", fit.builds, fit.runs, why)
        return SmallStudyTest(name, none, None, 0, None, f"No regression on {measure}. {why}")
    half = made.half_width(made.slope_se, level)
    slope = Estimate(made.slope, made.slope - half, made.slope + half, level, "1", fit.builds, fit.runs)
    found = "does not go with" if made.p_value > 1.0 - level else ("rises with" if made.slope > 0.0 else "falls with")
    sentence = (
        f"Rule ratio {found} {measure} (t = {made.t_value:.2f}, {made.freedom} degrees of freedom, p = {made.p_value:.3f})."
    )
    if made.freedom + 1 < FEW_PUBLISHERS:
        sentence += f" With {made.freedom + 1} publishers it finds too much too often."
    if name == "boost_range":
        sentence += " Where this moves, boost was chosen by how engines took it, and the test on the standard error follows it."
    return SmallStudyTest(name, slope, made.t_value, made.freedom, made.p_value, sentence)


# --- kinds of source ----------------------------------------------------------------------------------------------------


def _kinds(sample: Sample, sources: pl.DataFrame | None, level: float) -> tuple[tuple[SourceKindMean, ...], tuple[str, ...]]:
    """Mean of each kind of source and its difference from the builds of all other kinds, from one fit with a mean for each."""
    if sources is None or "medium" not in sources.columns or sample.units.is_empty():
        return (), ()
    units = sample.units.join(sources.select("source", "medium").unique("source"), on="source", how="left").sort("unit")
    sizes = units.group_by("medium").agg(pl.len().alias("builds"), pl.col("publisher").n_unique().alias("publishers"))
    large = sizes.filter(
        pl.col("medium").is_not_null()
        & (pl.col("builds") >= LEAST_BUILDS_OF_A_KIND)
        & (pl.col("publishers") >= LEAST_PUBLISHERS_OF_A_KIND)
    )
    names = sorted(large["medium"].to_list())
    kind = units.select(pl.when(pl.col("medium").is_in(names)).then(pl.col("medium")).otherwise(pl.lit(OTHER))).to_series()
    present = [*names, OTHER] if (kind == OTHER).any() else names
    if not names or len(present) < 2:
        return (), ("Kinds of source cannot be compared: fewer than two have enough builds from enough publishers.",)
    one_hot = np.column_stack([(kind == name).to_numpy() for name in present]).astype(np.float64)
    fit = fit_joint(sample.runs, sample.units, one_hot)
    if fit.effects is None:
        return (), (f"Kinds of source cannot be compared. {fit.why}",)
    return tuple(_kind_mean(fit, place, name, level) for place, name in enumerate(names)), ()


def _kind_mean(fit: JointFit, place: int, medium: str, level: float) -> SourceKindMean:
    mine = np.zeros(fit.answer.theta.size)
    mine[place] = 1.0
    counts = np.append(fit.design.sum(axis=0), np.zeros(mine.size - fit.design.shape[1]))
    counts[place] = 0.0
    ours = fit.design[:, place] > 0.0
    runs = int((fit.boosted_runs + fit.baseline_runs)[ours].sum())

    def of_kind(estimate: Estimate, builds: int, of: int) -> Estimate:
        return Estimate(estimate.value, estimate.low, estimate.high, level, "1", builds, of, estimate.why)

    mean = contrast_estimate(fit, mine, level)
    difference = contrast_estimate(fit, mine - counts / counts.sum(), level)
    return SourceKindMean(medium, of_kind(mean, int(ours.sum()), runs), of_kind(difference, fit.builds, fit.runs))
