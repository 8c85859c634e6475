"""The study in the shape that scripts rely on: keys may be added, those that are there stay."""

from __future__ import annotations

from dataclasses import fields, is_dataclass
from typing import Any

_ESTIMATES = ("rule_ratio", "between_builds_sd", "new_build_rule_ratio", "curvature", "curvature_within_builds")


def to_plain(value: Any) -> Any:
    """Records as dictionaries and lists; an estimate carries ``why`` only where something is missing."""
    if hasattr(value, "to_json"):
        return value.to_json()
    if is_dataclass(value) and not isinstance(value, type):
        return {field.name: to_plain(getattr(value, field.name)) for field in fields(value)}
    if isinstance(value, tuple | list):
        return [to_plain(one) for one in value]
    return value


def study_json(results: Any) -> dict[str, Any]:
    """All answers of a study.

    Parameters
    ----------
    results : a StudyResults.

    Returns
    -------
    dict
        ``drivers`` lists contrasts adjusted for one another (``adjusted_for`` names the others), then each looked at by itself;
        ``deviators`` those unlike their peers, then those that break the rule. What was not answered is null or empty.
    """
    plain = {name: to_plain(getattr(results, name)) for name in _ESTIMATES}
    return {
        **plain,
        "elasticity": to_plain(results.elasticity.elasticity) if results.elasticity else None,
        "rule_within_10pct": _within(results.equivalence),
        "drivers": _drivers(results.drivers),
        "deviators": _deviators(results.deviators),
        "selection": to_plain(results.selection) if results.selection else {},
        "sensitivity": to_plain(results.sensitivity),
        "flow": to_plain(results.flow),
        "last_over_first": to_plain(results.last_over_first),
        "marginal_yield": [{"boost_kpa": p.boost_kpa, "of_rule": to_plain(p.estimate)} for p in results.marginal_yield],
        "boost_confounded": results.boost_confounded,
        "one_publisher_out": to_plain(results.one_publisher_out),
        "cancelling_errors": to_plain(results.cancelling_errors),
        "figures": to_plain(results.evidence),
        "notes": list(results.notes),
        "subset": results.subset,
        "invented": results.invented,
        "fingerprint": results.fingerprint,
        "version": results.version,
        "made_on": results.made_on,
    }


def rules_json(verdicts: Any) -> list[dict[str, Any]]:
    """Verdicts on rules: id, statement, verdict, estimate, tolerance, would_tell, and the figure that tests each."""
    return [to_plain(verdict) for verdict in verdicts]


def _within(equivalence: Any) -> dict[str, Any] | None:
    if equivalence is None:
        return None
    return {
        "mean": equivalence.mean,
        "share_of_builds": to_plain(equivalence.share_of_builds),
        "mean_estimate": to_plain(equivalence.mean_estimate),
        "p_value": equivalence.p_value,
        "sentence": equivalence.sentence,
    }


def _drivers(drivers: Any) -> list[dict[str, Any]]:
    if drivers is None:
        return []
    return [{"model": model, **to_plain(one)} for model in ("together", "alone") for one in getattr(drivers, model)]


def _deviators(deviators: Any) -> list[dict[str, Any]]:
    return [] if deviators is None else [to_plain(one) for one in (*deviators.unlike_peers, *deviators.breaks_rule)]
