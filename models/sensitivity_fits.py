"""The figure of each sensitivity line: chosen, fitted and answered as its alternative says."""

from __future__ import annotations

from dataclasses import dataclass, field, replace

import polars as pl

from models.estimate import Estimate
from models.joint_fit import JointFit, fit_joint
from models.other_estimators import clustered_regression, mixed_model, two_stage
from models.sample import Sample, asked_for, choose_sample
from models.sample_options import SampleOptions
from models.sensitivity import MAIN, Alternative
from models.yield_fit import answer_rule_ratio


@dataclass(frozen=True, slots=True)
class AlternativeFits:
    """What every alternative starts from; what comes to the main sample is not chosen or fitted twice.

    Attributes
    ----------
    runs, builds : clean tables.
    main, fit, headline : sample, fit and rule ratio of the main analysis.
    level : coverage of the intervals.
    unlike_peers : unit_id of builds unlike their peers.
    last : the sample chosen last by its options: alternatives that stand near one another may share it.
    """

    runs: pl.DataFrame
    builds: pl.DataFrame
    main: Sample
    fit: JointFit
    headline: Estimate
    level: float
    unlike_peers: tuple[str, ...] = ()
    last: dict[SampleOptions, Sample] = field(default_factory=dict, repr=False, compare=False)

    def answer(self, alternative: Alternative) -> Estimate:
        """The rule ratio under an alternative; without a value, and why, where it cannot be had."""
        sample = self._sample(alternative)
        if sample.units.is_empty() and not self.main.units.is_empty():
            return Estimate(None, None, None, self.level, "1", 0, 0, "No build is left under this choice.")
        if alternative.estimator != "joint":
            return self._by_others(alternative, sample)
        like_main = (
            replace(alternative, name=MAIN.name, sentence=MAIN.sentence, sample=MAIN.sample, without_deviators=False) == MAIN
        )
        if like_main and sample.runs.equals(self.main.runs) and sample.units.equals(self.main.units):
            return self.headline
        runs, units = _with_errors(sample, alternative)
        fit = fit_joint(
            runs, units, with_curvature=alternative.with_curvature, with_publisher_level=alternative.with_publisher_level
        )
        return answer_rule_ratio(fit, self.level).rule_ratio

    def _sample(self, alternative: Alternative) -> Sample:
        options = alternative.sample
        if alternative.without_deviators and self.unlike_peers:
            options = replace(options, drop_units=(*options.drop_units, *self.unlike_peers))
        if options == MAIN.sample:
            return self.main
        if options.without_filters() == MAIN.sample:
            return narrowed(self.main, options)
        if options not in self.last:
            self.last.clear()  # one at a time: of a million builds each is large
            self.last[options] = choose_sample(self.runs, self.builds, options)
        return self.last[options]

    def _by_others(self, alternative: Alternative, sample: Sample) -> Estimate:
        if alternative.estimator == "mixed_model":
            return mixed_model(sample, self.level)
        if alternative.estimator == "clustered_regression":
            return clustered_regression(sample, self.level)
        return two_stage(self.fit if sample is self.main else fit_joint(sample.runs, sample.units), self.level)


def narrowed(main: Sample, options: SampleOptions) -> Sample:
    """The units of the main sample that were asked for, numbered anew; runs and units as if the sample had been chosen so.

    ``flow`` and ``excluded`` stay those of the main sample.
    """
    kept = main.units.rename({"unit": "was"}).filter(asked_for(options)).with_row_index("unit")
    units = kept.with_columns(pl.col("unit").cast(pl.UInt32))
    runs = main.runs.rename({"unit": "was"}).join(units.select("was", "unit"), on="was", how="inner", maintain_order="left")
    return replace(main, runs=runs.select(main.runs.columns), units=units.select(main.units.columns))


def _with_errors(sample: Sample, alternative: Alternative) -> tuple[pl.DataFrame, pl.DataFrame]:
    """Runs and units with the stated errors scaled as the alternative says."""
    power, boost = alternative.power_error_scale, alternative.boost_error_scale
    runs = sample.runs.with_columns(pl.col("power_rel_sd") * power, pl.col("boost_sd_kpa") * boost)
    units = sample.units.with_columns(pl.col("session_rel_sd") * power, pl.col("gauge_sd_kpa") * boost)
    return runs, units
