"""What kind of row a row of text is, judged from its cells alone: blank, comment, example, total, or a row of units."""

from __future__ import annotations

import re

import polars as pl

from pipeline.units import find_unit

#: Marks the example rows of the contribution workbook; a row with this cell is no row.
EXAMPLE_MARK = "example - not read"

_TOTALS = (
    "grand total", "sub total", "subtotal", "subtotals", "total", "totals", "sum", "sums", "average", "averages", "avg", "mean",
    "means", "median", "std dev", "stdev", "std", "standard deviation", "std deviation",
    "mittelwert", "mittel", "durchschnitt", "summe", "gesamt", "insgesamt", "standardabweichung",
    "moyenne", "somme", "écart type", "ecart type", "médiane", "promedio", "suma", "media", "média", "soma",
    "desviación estándar",
    "totale", "somma", "gemiddelde", "gemiddeld", "totaal", "medel", "medelvärde", "summa", "średnia", "razem", "suma końcowa",
    "среднее", "итого", "сумма", "всего", "合計", "総計", "小計", "平均", "平均値", "合计", "总计", "평균", "합계",
)  # fmt: skip
#: Words that are totals only below the last row of a table: elsewhere they may name an engine or a pull.
_TOTALS_AT_END = (
    "max",
    "maximum",
    "min",
    "minimum",
    "peak",
    "best",
    "range",
    "spread",
    "sd",
    "s d",
    "最大",
    "最小",
    "maximal",
    "minimal",
)

# A label may be followed by its own remark: "Average of 6", "Total (n=6)", "Mean:".
_AFTER_LABEL = r"(?:\s*[:=]|\s*\(.*\)|\s+(?:of|for|from|over|von|aus|de|n)\b.*)?"
_NO_UNIT = frozenset(
    ("-", "--", "–", "—", "[-]", "(-)", "text", "name", "code", "string", "date", "yyyy-mm-dd", "yes/no", "y/n", "1", "[1]")
)
BARE_NUMBER = r"^[+-]?[0-9][0-9.,' ]*(?:[eE][+-]?[0-9]+)?%?$"


def text_columns(cells: pl.DataFrame) -> list[str]:
    """Names of the text columns of a grid, in order."""
    return [name for name in cells.columns if name != "line"]


def is_filled() -> pl.Expr:
    """True for rows with any cell."""
    return pl.any_horizontal(pl.exclude("line").is_not_null())


def filled_rows(cells: pl.DataFrame) -> pl.Series:
    """True for rows with any cell; told without a look at the cells where one column is full."""
    if any(cells[name].null_count() == 0 for name in text_columns(cells)):
        return pl.Series([True]).new_from_index(0, cells.height)
    return cells.select(is_filled()).to_series()


def filled_cells() -> pl.Expr:
    """Number of cells of each row that hold something."""
    return pl.sum_horizontal(pl.exclude("line").is_not_null())


def bare_numbers() -> pl.Expr:
    """Number of cells of each row that hold a number and nothing else."""
    return pl.sum_horizontal(pl.exclude("line").str.contains(BARE_NUMBER).fill_null(False))


def first_text() -> pl.Expr:
    """First filled cell of each row, without surrounding space."""
    return pl.coalesce(pl.exclude("line")).str.strip_chars()


def is_comment() -> pl.Expr:
    """True for rows that begin with ``#`` and are no row of data.

    ``#3 mule`` and ``#12`` are names when other cells follow; only ``# words`` or a lone cell is a comment.
    """
    first = first_text()
    return (
        first.str.starts_with("#") & (first.str.contains(r"^#+(?:\s|!|$)") & (first.str.len_chars() > 1) | (filled_cells() == 1))
    ).fill_null(False)


def example_rows(cells: pl.DataFrame) -> pl.Series:
    """True for the example rows of the contribution workbook."""
    longest = cells.select(pl.exclude("line").str.len_bytes().max()).row(0) if cells.width > 1 else ()
    wide = [name for name, most in zip(text_columns(cells), longest, strict=True) if (most or 0) >= len(EXAMPLE_MARK)]
    if not wide:
        return _none(cells)
    return cells.select(
        pl.any_horizontal((pl.col(wide).str.strip_chars().str.to_lowercase() == EXAMPLE_MARK).fill_null(False))
    ).to_series()


def remark_rows(cells: pl.DataFrame) -> pl.Series:
    """True for rows of one cell that holds no number."""
    lone = cells.select(filled_cells() == 1).to_series()
    if not lone.any():
        return lone
    return cells.select((filled_cells() == 1) & (bare_numbers() == 0)).to_series()


#: First word of each label, and labels whose first word is one letter: a text without any of them is no label.
_SIGNS = sorted({word.split()[0] for word in _TOTALS + _TOTALS_AT_END} - {"s"})
_SHORT_SIGNS = r"s[\s._-]+d"
_IS_LIKELY = (pl.col("first").str.contains_any(_SIGNS) | pl.col("first").str.contains(_SHORT_SIGNS)).fill_null(False)


def _label_expression(words: tuple[str, ...]) -> str:
    return rf"^(?:{'|'.join(re.escape(word) for word in words)}){_AFTER_LABEL}$"


_LABEL = pl.col("first").str.replace_all(r"[\s._-]+", " ").str.strip_chars()
_IS_LABEL = {
    "everywhere": _LABEL.str.contains(_label_expression(_TOTALS)).fill_null(False),
    "at_end": _LABEL.str.contains(_label_expression(_TOTALS + _TOTALS_AT_END)).fill_null(False),
}


def total_rows(cells: pl.DataFrame) -> tuple[pl.Series, pl.Series]:
    """Rows whose first filled cell is the label of a total or an average.

    Returns
    -------
    Two series: true for labels that count everywhere; true for these and the labels that count only below a table's last row.
    """
    return _total_labels(cells.select(first_text().alias("first"))["first"])


def _total_labels(texts: pl.Series) -> tuple[pl.Series, pl.Series]:
    first = texts.str.to_lowercase().alias("first").to_frame()
    # A search for fixed words is many times faster than the expressions, which then have next to nothing to judge.
    likely = first.select(_IS_LIKELY).to_series()
    if not likely.any():
        return likely, likely
    told = first.filter(likely).select(**_IS_LABEL)
    none = pl.Series([False], dtype=pl.Boolean).new_from_index(0, len(likely))
    at = likely.arg_true()
    return none.clone().scatter(at, told["everywhere"]), none.clone().scatter(at, told["at_end"])


def is_all_data(cells: pl.DataFrame, header: str | None) -> bool:
    """Whether rows below a header are surely rows of data, as in most files; False where a closer look is needed.

    Parameters
    ----------
    cells : the rows.
    header : text above their first column.
    """
    full = [cells[name].null_count() == 0 for name in text_columns(cells)]
    if not full[0] or sum(full) < 2 or example_rows(cells).any():
        return False
    # What a row is shows in its first cell, and first cells repeat: an engine has several runs, a curve many points.
    firsts = cells[text_columns(cells)[0]].unique(maintain_order=True).str.strip_chars()
    is_header = (firsts.str.to_lowercase() == header.strip().lower()).any() if header is not None else False
    return not (is_header or firsts.str.starts_with("#").any() or _total_labels(firsts)[1].any())


def _none(cells: pl.DataFrame) -> pl.Series:
    return pl.Series([False], dtype=pl.Boolean).new_from_index(0, cells.height)


def units_of_row(row: tuple[str | None, ...]) -> tuple[str | None, ...] | None:
    """Read a row as units of the columns above it; None where it is no such row.

    All filled cells must be units or say that there is none, at least half of them units, and none a number.
    """
    filled = [cell.strip() for cell in row if cell is not None]
    without = [cell for cell in filled if cell.casefold() in _NO_UNIT]
    units = [cell for cell in filled if cell.casefold() not in _NO_UNIT and _is_unit(cell)]
    if (
        not units
        or len(units) + len(without) < len(filled)
        or len(units) * 2 < len(filled)
        or all(cell == "1" for cell in filled)
    ):
        return None
    return tuple(None if cell is None or cell.strip().casefold() in _NO_UNIT else _bare_unit(cell) for cell in row)


def _bare_unit(cell: str) -> str:
    bare = cell.strip()
    if len(bare) > 2 and (bare[0], bare[-1]) in {("(", ")"), ("[", "]"), ("{", "}")}:
        bare = bare[1:-1].strip()
    return bare.removeprefix("in ") if find_unit(bare) is None else bare


#: Spellings that mean a unit only once the column's quantity is known.
_NEEDS_QUANTITY = ("pressure", "power", "torque", "speed", "volume", "length", "temperature", "angle", "share", "speed_rate")


def _is_unit(cell: str) -> bool:
    bare = _bare_unit(cell)
    if len(bare) > 24 or re.match(BARE_NUMBER, bare):
        return False
    return find_unit(bare) is not None or any(find_unit(bare, quantity) is not None for quantity in _NEEDS_QUANTITY)
