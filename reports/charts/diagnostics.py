"""What a statistician asks of the joint model of drivers: residuals, their shape, and who pulls the coefficients."""

from __future__ import annotations

from typing import Any

import altair as alt

from models.driver_records import DriverDiagnostics
from reports.charts.base import Chart, finish, nice_domain
from reports.charts.intervals import values_of
from reports.charts.rows import Row, Rows
from reports.labels import clean_text
from reports.theme import colour, look


def diagnostic_rows(diagnostics: DriverDiagnostics | None, names: dict[str, str]) -> Rows:
    """One row per listed build, the most influential first.

    Parameters
    ----------
    diagnostics : None gives no rows.
    names : build of each unit.
    """
    units = () if diagnostics is None else diagnostics.units
    rows: list[Row] = [
        {
            "name": clean_text(names.get(one.unit_id, one.unit_id)), "publisher": clean_text(one.publisher), "fitted": one.fitted,
            "residual": one.residual, "studentised": one.studentised, "quantile": one.normal_quantile, "leverage": one.leverage,
            "cooks": one.cooks_distance, "influential": one.is_influential,
            "flag": "moves the coefficients" if one.is_influential else "",
        }
        for one in units
    ]  # fmt: skip
    return {"diagnostics": rows}


def _tips() -> list[alt.Tooltip]:
    return [
        alt.Tooltip("name:N", title="Build"), alt.Tooltip("publisher:N", title="Publisher"),
        alt.Tooltip("studentised:Q", title="Residual, in standard errors", format="+.2f"),
        alt.Tooltip("leverage:Q", title="Leverage", format=".2f"), alt.Tooltip("cooks:Q", title="Cook's distance", format=".3f"),
    ]  # fmt: skip


def _points(x: alt.X, y: alt.Y, size: alt.Size | None = None) -> list[alt.Chart]:
    data = alt.Chart(alt.NamedData("diagnostics"))
    sized: dict[str, Any] = {"size": alt.SizeValue(46) if size is None else size}
    return [
        data.transform_filter(test)
        .mark_point(aria=False, filled=True, opacity=0.75, fill=colour(fill))
        .encode(x=x, y=y, tooltip=_tips(), **sized)
        for test, fill in (("!datum.influential", "quiet"), ("datum.influential", "accent"))
    ]


def _domain(rows: Rows, field: str, *more: float) -> alt.Scale:
    return alt.Scale(domain=nice_domain([*values_of(rows["diagnostics"], field), *more]), nice=False, zero=False)


def _zero(scale: alt.Scale, axis: alt.Axis) -> alt.Chart:
    point = alt.Chart(alt.InlineData(values=[{"at": 0}]))
    return point.mark_rule(**look("rule-line")).encode(y=alt.Y("at:Q", scale=scale, axis=axis))


def chart_residuals(rows: Rows, description: str) -> Chart:
    """Residuals over fitted values: a level cloud of even width is what the model assumes."""
    x = alt.X(
        "fitted:Q", title="Fitted share of the rule", scale=_domain(rows, "fitted"), axis=alt.Axis(format=".0%", grid=False)
    )
    scale, axis = _domain(rows, "residual", -0.1, 0.1), alt.Axis(title="Observed less fitted", format="+.0%")
    y = alt.Y("residual:Q", scale=scale, axis=axis)
    return finish([_zero(scale, axis), *_points(x, y)], ("diagnostics",), 300, description)


def chart_quantiles(rows: Rows, description: str) -> Chart:
    """Residuals over where a normal sample would have them: on the line, but for the ends."""
    ends = [*values_of(rows["diagnostics"], "quantile", "studentised"), -2.5, 2.5]
    scale = alt.Scale(domain=nice_domain(ends), nice=False, zero=False)
    low, high = nice_domain(ends)
    x = alt.X("quantile:Q", title="Where a normal sample would have it", scale=scale, axis=alt.Axis(grid=False))
    axis = alt.Axis(title="Residual, in standard errors")
    y = alt.Y("studentised:Q", scale=scale, axis=axis)
    line = alt.Chart(alt.InlineData(values=[{"a": low, "b": low}, {"a": high, "b": high}]))
    diagonal = line.mark_line(**look("rule-line")).encode(x=alt.X("a:Q", scale=scale), y=alt.Y("b:Q", scale=scale, axis=axis))
    return finish([diagonal, *_points(x, y)], ("diagnostics",), 320, description)


def chart_influence(rows: Rows, description: str) -> Chart:
    """Residuals over leverage; the larger the mark, the more the coefficients move without the build."""
    top = max([0.05, *values_of(rows["diagnostics"], "leverage")])
    x = alt.X(
        "leverage:Q", title="Leverage: how unusual its drivers are", scale=alt.Scale(domain=[0, top * 1.06], nice=False),
        axis=alt.Axis(format=".2f", grid=False),
    )  # fmt: skip
    scale, axis = _domain(rows, "studentised", -2.0, 2.0), alt.Axis(title="Residual, in standard errors")
    y = alt.Y("studentised:Q", scale=scale, axis=axis)
    most = max([0.01, *values_of(rows["diagnostics"], "cooks")])
    size = alt.Size("cooks:Q", scale=alt.Scale(domain=[0, most], range=[14, 520]), legend=None)
    return finish([_zero(scale, axis), *_points(x, y, size=size)], ("diagnostics",), 320, description)
