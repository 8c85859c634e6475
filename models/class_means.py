"""The average share of the rule within each class of engine: builds of one induction, of one cooling, and of one pair of both.

Each class is fitted alone by the joint estimator of the headline, so that its mean, its curvature and its spread are its own. Classes
differ in more than their name (:mod:`models.drivers` holds the rest equal): this is what such builds gave, not what the class causes.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

import polars as pl

from models.joint_fit import fit_joint
from models.results import ClassMean
from models.sample import Sample
from models.yield_fit import answer_rule_ratio

#: Fewer builds of a class, or of fewer publishers, are counted and get no mean.
LEAST_BUILDS, LEAST_PUBLISHERS = 5, 2
_CODES = ("induction", "charge_cooling")


def answer_class_means(sample: Sample, level: float) -> tuple[ClassMean, ...]:
    """Mean share of the rule of each class that enough builds are of, those of most builds first; classes of both codes last.

    Parameters
    ----------
    sample : of the main analysis.
    level : coverage of the intervals.
    """
    found = []
    for induction, cooling, builds in _classes(sample.units):
        units = sample.units.filter(_is("induction", induction) & _is("charge_cooling", cooling))
        publishers = units["publisher"].n_unique()
        if builds < LEAST_BUILDS or publishers < LEAST_PUBLISHERS:
            continue
        kept = _of_units(sample, units)
        fit = fit_joint(kept.runs, kept.units)
        found.append(ClassMean(induction, cooling, builds, publishers, answer_rule_ratio(fit, level).rule_ratio))
    return tuple(found)


def _classes(units: pl.DataFrame) -> Iterator[tuple[str | None, str | None, int]]:
    """(induction or None, cooling or None, builds): each code alone, then both together."""
    for codes in ((_CODES[0],), (_CODES[1],), _CODES):
        stated = units.drop_nulls(list(codes)).filter(pl.all_horizontal(pl.col(code) != "unstated" for code in codes))
        counted = stated.group_by(codes).agg(builds=pl.len()).sort("builds", *codes, descending=[True, *(False for _ in codes)])
        for row in counted.to_dicts():
            yield row.get(_CODES[0]), row.get(_CODES[1]), row["builds"]


def _is(code: str, wanted: str | None) -> pl.Expr:
    return pl.lit(True) if wanted is None else (pl.col(code) == wanted).fill_null(False)


def _of_units(sample: Sample, units: pl.DataFrame) -> Sample:
    """The sample of these units alone, numbered anew."""
    renamed = units.rename({"unit": "was"}).with_row_index("unit").with_columns(pl.col("unit").cast(pl.UInt32))
    runs = sample.runs.rename({"unit": "was"}).join(renamed.select("was", "unit"), on="was", how="inner", maintain_order="left")
    return replace(sample, runs=runs.select(sample.runs.columns), units=renamed.select(sample.units.columns))
