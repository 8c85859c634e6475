"""One folded cell into its figures and unit text: a single figure, a compression ratio, a range, a figure with its tolerance."""

from __future__ import annotations

import polars as pl

_WHOLE = r"[0-9]+(?:[.,'][0-9]+|[ ][0-9]{3})*\.?"
_PLAIN = rf"(?:{_WHOLE}|[.,][0-9]+)(?:[eE][+-]?[0-9]{{1,3}})?"
_FRACTION = r"(?:[0-9]{1,4}[ -])?[0-9]{1,3}/[0-9]{1,2}"
_FIGURE = rf"[+-]?(?:{_PLAIN}|{_FRACTION})"
# Digits stand in units only right after a letter (cm2, inH2O) or as the exponent -1 (min-1); anything looser would
# take the second figure of "5psi-8psi" for a part of the first one's unit.
_UNIT_PIECE = r"""(?:\p{L}\^?[0-9]?|[%°"'″′·*/()\[\]. ]|-1|-\p{L})"""
_UNIT = rf"""(?:1/(?:min|s)|(?:\p{{L}}\^?[0-9]?|[%°"'″′/(\[]){_UNIT_PIECE}{{0,30}})"""
_ABOUT = (
    r"(?i:~|≈|∼|≃|≅|(?:approximately|approx|about|around|roughly|nearly|circa|ca|c|est|estimated|environ|env|rund|etwa|ungefähr|"
    r"aprox|cerca de|約|およそ|大約)\b\.?|c\.|約)"
)
_ABOUT_AFTER = r"(?i) ?(?:\((?:approx|approximately|est|estimated|ca|circa)\.?\)|(?:approx|est|estimated)\.?)$"
_BETWEEN = r"(?i:-|~|\.{2,3}| to |-to-| through | bis | à | a | til | tot | t/m )"
_TOLERANCE = r"(?:±|\+/-|\+-)"

_SINGLE = rf"^(?P<first>{_FIGURE}) ?(?P<unit>{_UNIT})?$"
_RATIO = rf"^(?P<first>{_PLAIN}) ?(?i::|/|-| to |-to-) ?1(?:\.0+)?$"
_RANGE = (
    rf"^(?P<first>{_FIGURE}) ?(?P<unit>{_UNIT})? ?(?P<between>{_BETWEEN}|{_TOLERANCE}) ?"
    rf"(?P<second>{_FIGURE}) ?(?P<unit2>{_UNIT})?$"
)
_UNIT_FIRST = rf"^(?P<unit>\p{{L}}[\p{{L}}.]{{0,14}}) ?[ :=] ?(?P<first>{_FIGURE})$"

_FRACTION_CHARACTERS = "¼½¾⅐⅑⅒⅓⅔⅕⅖⅗⅘⅙⅚⅛⅜⅝⅞"


def fold_figures(text: pl.Series) -> pl.Series:
    """Fold the ways to type one figure into one: full-width forms, kinds of dash, space, apostrophe and fraction."""
    special = text.str.len_bytes() != text.str.len_chars()
    if special.any():
        text = pl.select(pl.when(special).then(_fold_special(text)).otherwise(text)).to_series()
    return text.str.replace_all(r"\s+", " ").str.strip_chars()


def _fold_special(text: pl.Series) -> pl.Series:
    return (
        # Before compatibility folding, which would turn "1½" into "11/2" and the footnote in "410¹" into a digit.
        text.str.replace_all(f"([{_FRACTION_CHARACTERS}])", " ${1}")
        .str.replace_all("([0-9])[⁰¹²³⁴-⁹]", "${1} ^")
        .str.normalize("NFKC")
        .str.replace_all("[\u200b-\u200f\u2060\ufeff]", "")
        .str.replace_all("[\u2010-\u2015\u2212]", "-")
        .str.replace_all("[\u2018\u2019\u02bc]", "'")
        .str.replace_all("\u2044", "/")
        .str.replace_all("\u301c", "~")
    )


def split_figures(folded: pl.Series) -> pl.DataFrame:
    """Split folded cells into figures and unit text.

    Returns
    -------
    polars.DataFrame
        n rows: ``first``, ``second`` (figures as text), ``unit``, ``kind`` ("single", "ratio", "range", "tolerance" or null),
        ``approx``, ``shortened`` (a range whose second figure has fewer digits).
    """
    cell = pl.DataFrame({"cell": folded}).with_columns(
        core=pl.col("cell")
        .str.replace(rf"^{_ABOUT} ?", "")
        .str.replace(r"^@ ?", "")
        .str.replace(_ABOUT_AFTER, "")
        .str.replace(r" ?[*†‡]+$", "")
    )
    approx = cell.select(
        (pl.col("cell").str.contains(rf"^{_ABOUT}") | pl.col("cell").str.contains(_ABOUT_AFTER)).fill_null(False)
    )
    core = cell["core"]
    parts = pl.DataFrame({"row": pl.int_range(len(core), eager=True), "core": core, "approx": approx.to_series()})
    taken: list[pl.DataFrame] = []
    rest = parts
    for kind, pattern in (("single", _SINGLE), ("ratio", _RATIO), ("range", _RANGE), ("single", _UNIT_FIRST)):
        fits = rest["core"].str.contains(pattern).fill_null(False)
        if fits.any():
            taken.append(_groups(rest.filter(fits), kind, pattern))
            rest = rest.filter(~fits)
    empty = rest.select(
        "row",
        "approx",
        pl.lit(False).alias("shortened"),
        *(pl.lit(None, pl.String).alias(name) for name in ("first", "second", "unit", "kind")),
    )
    return pl.concat([*taken, empty], how="diagonal").sort("row")


def _groups(matched: pl.DataFrame, kind: str, pattern: str) -> pl.DataFrame:
    found = matched.select("row", "approx", pl.col("core").str.extract_groups(pattern).alias("g")).unnest("g")
    absent = [pl.lit(None, pl.String).alias(name) for name in ("unit", "unit2", "between", "second") if name not in found.columns]
    found = found.with_columns(absent)
    same_unit = (
        pl.col("unit").is_null()
        | pl.col("unit2").is_null()
        | (pl.col("unit").str.strip_chars() == pl.col("unit2").str.strip_chars())
    )
    # "400-10" may be short for 400 to 410, "10-8" a falling boost, "2024-05" a month: second figures that are shorter or begin
    # with a zero are not guessed.
    shorter = (_whole_digits("second") < _whole_digits("first")) | pl.col("second").str.contains(r"^0[0-9]")
    shortened = (kind == "range") & shorter & ~pl.col("between").str.contains(f"^{_TOLERANCE}$")
    named = pl.when(pl.col("between").str.contains(f"^{_TOLERANCE}$")).then(pl.lit("tolerance")).otherwise(pl.lit(kind))
    return found.select(
        "row",
        "approx",
        first=pl.when(same_unit).then("first"),
        second=pl.when(same_unit).then("second"),
        unit=pl.coalesce("unit", "unit2").str.strip_chars(),
        kind=named,
        shortened=shortened.fill_null(False),
    )


def _whole_digits(name: str) -> pl.Expr:
    return pl.col(name).str.extract(r"^[+-]?([0-9]*)").str.len_chars()
