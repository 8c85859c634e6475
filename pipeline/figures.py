"""One printed figure without unit -> its value, the size of its last digit, and the decimal mark it proves."""

from __future__ import annotations

import polars as pl

#: Denominators of printed fractions: inches in halves to sixty-fourths, and thirds.
_DENOMINATORS = (2, 3, 4, 8, 16, 32, 64)

_NO_FIGURE = pl.DataFrame(schema={"proof": pl.String, "value": pl.Float64, "step": pl.Float64, "ambiguous": pl.Boolean})


def power_of_ten(exponent: pl.Expr) -> pl.Expr:
    """Write the power as a decimal and read it, so that it is the double nearest to 0.1 and not a product of roundings."""
    return pl.concat_str(pl.lit("1e"), exponent).cast(pl.Float64, strict=False)


def read_figures(figure: pl.Series, decimal_mark: str | None) -> pl.DataFrame:
    """Read figures without unit: ``value``, ``step``, ``ambiguous`` and ``proof`` (the decimal mark a figure proves)."""
    if figure.null_count() == len(figure):  # second figures of a column without ranges
        return _NO_FIGURE.clear(len(figure))
    return (
        pl.DataFrame({"figure": figure})
        .with_columns(
            sign=pl.when(pl.col("figure").str.starts_with("-")).then(-1.0).otherwise(1.0),
            body=pl.col("figure").str.strip_chars_start("+-").str.replace(r"[eE].*$", ""),
            power=pl.col("figure").str.extract(r"[eE]([+-]?[0-9]{1,3})$").cast(pl.Int32, strict=False).fill_null(0),
        )
        .with_columns(_decimal_mark_expression(decimal_mark).alias("mark"), proof=_proof_expression())
        .with_columns(digits=_digits_expression())
        .with_columns(
            decimals=pl.col("digits").str.extract(r"\.([0-9]*)$").str.len_chars().fill_null(0).cast(pl.Int32),
            plain=pl.concat_str("digits", pl.lit("e"), "power").cast(pl.Float64, strict=False),
            fraction=_fraction_expression(),
        )
        .select(
            "proof",
            value=pl.col("sign") * pl.coalesce("plain", "fraction"),
            step=pl.when(pl.col("plain").is_not_null()).then(power_of_ten(pl.col("power") - pl.col("decimals"))),
            ambiguous=pl.col("mark") == "?",
        )
    )


_GROUPED_BY_SPACE = r"^[0-9]{1,3}(?:[ '][0-9]{3})+(?:[.,][0-9]+)?$"
_GROUPED_BY_COMMA = r"^[1-9][0-9]{0,2}(?:,[0-9]{3})+(?:\.[0-9]*)?$"
_GROUPED_BY_POINT = r"^[1-9][0-9]{0,2}(?:\.[0-9]{3})+(?:,[0-9]+)?$"
_COMMA_EITHER_WAY = r"^[1-9][0-9]{0,2},[0-9]{3}$"
_POINT_EITHER_WAY = r"^[1-9][0-9]{0,2}\.[0-9]{3}$"
_ONE_COMMA = r"^[0-9]*,[0-9]+$"
_ONE_POINT = r"^[0-9]*\.[0-9]*$"


def _decimal_mark_expression(decimal_mark: str | None) -> pl.Expr:
    """Decimal mark of each ``body``: "." or ",", "?" where it can be read both ways, null where it is no figure."""
    body = pl.col("body")
    after_spaces = pl.when(body.str.contains(",", literal=True)).then(pl.lit(",")).otherwise(pl.lit("."))
    return (
        pl.when(body.str.contains(r"^[0-9]+\.?$"))
        .then(pl.lit("."))
        .when(body.str.contains(_COMMA_EITHER_WAY))
        .then(pl.lit(decimal_mark or "?"))
        .when(body.str.contains(_POINT_EITHER_WAY))
        .then(pl.lit(decimal_mark or "."))
        .when(body.str.contains(_ONE_POINT) | body.str.contains(_GROUPED_BY_COMMA))
        .then(pl.lit("."))
        .when(body.str.contains(_ONE_COMMA) | body.str.contains(_GROUPED_BY_POINT))
        .then(pl.lit(","))
        .when(body.str.contains(_GROUPED_BY_SPACE))
        .then(after_spaces)
    )


def _proof_expression() -> pl.Expr:
    """The mark in bodies that can be read in one way only and hold a mark at all."""
    body = pl.col("body")
    either = body.str.contains(_COMMA_EITHER_WAY) | body.str.contains(_POINT_EITHER_WAY)
    has_mark = body.str.contains(r"[.,][0-9]")
    return pl.when(has_mark & ~either).then(_decimal_mark_expression(None))


def _digits_expression() -> pl.Expr:
    """Digits with a decimal point and no grouping, or null."""
    body, mark = pl.col("body"), pl.col("mark")
    bare = body.str.replace_all(r"[ ']", "")
    with_point = bare.str.replace_all(",", "", literal=True)
    with_comma = bare.str.replace_all(".", "", literal=True).str.replace(",", ".", literal=True)
    return pl.when(mark == ".").then(with_point).when(mark == ",").then(with_comma)


def _fraction_expression() -> pl.Expr:
    """Value of ``1/2`` and ``4 1/8``; null for ``6/8``, which may as well be six and eight."""
    body = pl.col("body")
    parts = body.str.extract_groups(r"^(?:([0-9]+)[ -])?([0-9]+)/([0-9]+)$")
    whole, top, bottom = (parts.struct.field(str(i)).cast(pl.Int32, strict=False) for i in (1, 2, 3))
    reduced = (top > 0) & (top < bottom) & pl.when(bottom == 3).then(True).otherwise(top % 2 == 1)
    return pl.when(bottom.is_in(_DENOMINATORS) & reduced).then(whole.fill_null(0) + top / bottom)
