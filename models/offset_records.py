"""Records of "change the part or turn it up?": curves and evidence to answer from, the question, the answers. Nothing computes here.

Boost is gauge pressure in kPa, power in kW, ``x`` boost over the air pressure at the dyno, ``M`` boosted over unboosted power.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

from pydantic import TypeAdapter

from models.estimate import Estimate
from models.plain_records import to_plain


@dataclass(frozen=True, slots=True)
class PowerCurve:
    """How power rises with boost on an engine of one kind: ``M(x) = 1 + s x + q x (x - x_r)``, x_r the reference boost ratio.

    Attributes
    ----------
    induction, charge_cooling : codes of the kind; None: whatever it is.
    slope, curvature : s (the rule ratio) and q; q is 0 where it could not be fitted, and ``curvature_why`` says why.
    var_slope, var_curvature, covariance : sampling variances of the mean engine's s and q.
    engine_var : variance of s between engines of this kind, all publishers.
    engine_var_curvature : the same of q.
    degrees_of_freedom : publishers less one; 0: no range can be given.
    builds, runs, publishers : what the fit rests on; ``builds_of_kind`` how many of the builds are of this kind.
    """

    induction: str | None
    charge_cooling: str | None
    slope: float
    curvature: float
    var_slope: float
    var_curvature: float
    covariance: float
    engine_var: float
    degrees_of_freedom: int
    builds: int
    runs: int
    publishers: int
    builds_of_kind: int
    curvature_why: str | None = None
    engine_var_curvature: float = 0.0

    @property
    def is_curved(self) -> bool:
        """Whether a curvature was fitted."""
        return self.curvature_why is None


@dataclass(frozen=True, slots=True)
class TestedKind:
    """What was tested of one kind of engine on one fuel (each code None where the record does not say).

    Attributes
    ----------
    builds : how many.
    lowest_na_kw, highest_na_kw : their output without boost.
    top_boosts_kpa, top_boost_ratios : highest boosts tested, one a build, falling; no more than are asked for.
    builds_by_psi : entry k counts builds that were tested at k psi or more.
    """

    induction: str | None
    charge_cooling: str | None
    fuel: str | None
    builds: int
    lowest_na_kw: float
    highest_na_kw: float
    top_boosts_kpa: tuple[float, ...]
    top_boost_ratios: tuple[float, ...]
    builds_by_psi: tuple[int, ...]


@dataclass(frozen=True, slots=True)
class OffsetModel:
    """All that offset boost and the choice of a way are worked out from; kept in the store under ``offset``.

    Attributes
    ----------
    fingerprint, version, made_on, invented : stamp, as in the study's results.
    curves : the curve of all engines first, then those of kinds with builds enough.
    tested : what was tested, by kind and fuel.
    figure_rel_sd : relative error of a boosted dyno figure against the stated unboosted one.
    boost_sd_kpa : error of a boost reading.
    level : coverage of all ranges.
    t_quantile : two-sided quantile of Student's t at ``level``, for the ranges without draws; None with one publisher.
    draws : standard draws (:mod:`models.offset_draws`), one tuple each: gain, slope, curvature, growth, dyno figure.
    why : why there is no curve at all; None where there is.
    """

    fingerprint: str
    version: str
    made_on: str
    invented: bool
    curves: tuple[PowerCurve, ...]
    tested: tuple[TestedKind, ...]
    figure_rel_sd: float
    boost_sd_kpa: float
    level: float = 0.95
    t_quantile: float | None = None
    draws: tuple[tuple[float, float, float, float, float], ...] = ()
    why: str | None = None


@dataclass(frozen=True, slots=True)
class Gain:
    """What a part adds without boost, as a share of the output before it, with the error of that share (0: taken as given)."""

    share: float
    sd: float = 0.0


@dataclass(frozen=True, slots=True)
class Growth:
    """Exponent lambda: under boost a part adds ``g M**lambda`` of the unboosted output. 1: multiplied in full; 0: the same hp."""

    value: float = 1.0
    sd: float = 0.0
    is_measured: bool = False


@dataclass(frozen=True, slots=True)
class Engine:
    """The engine that is asked about.

    Attributes
    ----------
    na_kw : output without boost.
    ambient_kpa : air pressure where it runs.
    boost_kpa : boost it runs now; None: it was not asked what holds under boost.
    made_kw : what it makes at that boost, where that was measured.
    induction, charge_cooling, fuel : codes, None where not stated.
    """

    na_kw: float
    ambient_kpa: float
    boost_kpa: float | None = None
    made_kw: float | None = None
    induction: str | None = None
    charge_cooling: str | None = None
    fuel: str | None = None


@dataclass(frozen=True, slots=True)
class OffsetAnswer:
    """Boost that gives the same power as a gain.

    Attributes
    ----------
    engine, gain, growth : what was asked.
    gain_kw : the gain without boost.
    rule_kpa : the trade's figure, gain over (NA output / 14.7 psi).
    rule_at_boost_kpa : the rule at the present boost, where the gain is multiplied too; None without a present boost.
    at_no_boost, at_boost : extra boost [kPa], range of one engine of this kind; the second None without a present boost.
    bounded : whether all asked ranges are bounded by these data.
    curve : which curve it was read from.
    notes, outside_evidence, cautions : sentences.
    """

    engine: Engine
    gain: Gain
    growth: Growth
    gain_kw: float
    rule_kpa: float
    rule_at_boost_kpa: float | None
    at_no_boost: Estimate
    at_boost: Estimate | None
    bounded: bool
    curve: PowerCurve
    notes: tuple[str, ...] = ()
    outside_evidence: tuple[str, ...] = ()
    cautions: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class PartGain:
    """What the study found of one kind of part; gains in % of the output before.

    ``gain_pct`` is the mean over engines, ``new_engine_pct`` the range of one engine more, ``growth_under_boost`` lambda.
    ``is_own`` marks a figure of the reader's own.
    """

    part: str
    gain_pct: Estimate
    new_engine_pct: Estimate
    growth_under_boost: Estimate | None
    pairs: int
    is_own: bool = False


@dataclass(frozen=True, slots=True)
class Way:
    """One way towards a target.

    Attributes
    ----------
    way : in words; ``parts`` the changed parts.
    boost : gauge boost [kPa]; the value is what is proposed, the ends what this engine may need for the target.
    extra_boost_kpa : proposed boost beyond the present one.
    power : dyno figure of one engine of this kind there [kW].
    chance_figure_reached : share of such engines whose dyno figure reaches the target, if they survive.
    reaches_target : whether the expected power reaches it.
    stopped_by : what kept the boost from going on: "evidence", "max_boost", "no boost reaches it", or None.
    compressor_exceeded : whether the expected power lies above the compressor's rating; None without one.
    builds_at_boost : builds of this kind that were tested at this boost or more.
    price : always None; the column is the reader's own.
    outside_evidence, cautions : sentences.
    """

    way: str
    parts: tuple[str, ...]
    boost: Estimate
    extra_boost_kpa: float
    power: Estimate
    chance_figure_reached: float | None
    reaches_target: bool
    stopped_by: str | None
    compressor_exceeded: bool | None
    builds_at_boost: int
    price: None = None
    outside_evidence: tuple[str, ...] = ()
    cautions: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Choice:
    """All ways towards a target.

    ``cautions`` come before any figure. ``highest_boost_kpa`` is the boost beyond which none was proposed, ``stopped_by`` whether the evidence or the reader set it.
    """

    engine: Engine
    target_kw: float
    curve: PowerCurve
    highest_boost_kpa: float
    stopped_by: str
    ways: tuple[Way, ...]
    notes: tuple[str, ...] = field(default=())
    cautions: tuple[str, ...] = field(default=())


def offset_model_to_json(model: OffsetModel) -> dict[str, Any]:
    """The model as plain dictionaries and lists."""
    return to_plain(model)


def offset_model_from_json(row: dict[str, Any]) -> OffsetModel:
    """Inverse of :func:`offset_model_to_json`.

    Raises
    ------
    pydantic.ValidationError : the dictionary is not that of a model of this version.
    """
    return TypeAdapter(OffsetModel).validate_python(row)
