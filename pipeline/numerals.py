"""Numbers as people print them -> values with the size of their last printed digit; nothing is guessed.

``1,234`` can be read in two ways, so it stays unread until the file's decimal mark is known. ``1.234`` is read with a
decimal point unless the file's mark is a comma. Every other printed form proves its own decimal mark and is read by it.

A cell is folded first (full-width digits, kinds of dashes and spaces), then tried as a single figure, a compression
ratio (``10.5:1``), a range or a figure with its tolerance, and a figure after its unit. A bound (``>400``), two figures
(``412 hp @ 6500``) and a figure inside a sentence are no numbers: reading one of them would drop a part of the cell.
"""

from __future__ import annotations

import numpy as np
import polars as pl

from pipeline.cell_grammar import fold_figures, split_figures
from pipeline.errors import FileProblem
from pipeline.figures import read_figures

#: Texts that say "no value here", folded to lower case.
MISSING_MARKERS = frozenset(
    (
        "", "-", "--", "---", "----", ".", "..", "...", "?", "??", "???", "/", "*", "n/a", "na", "n.a.", "n.a", "n/a.", "#n/a",
        "#na", "<na>", "n/k", "n.k.", "nk", "n/d", "n.d.", "nd", "nr", "n/r", "n.r.", "nil", "nan", "null", "none", "void", "tbd",
        "tba", "t.b.d.", "t.b.a.", "unknown", "unk", "unk.", "unstated", "missing", "blank", "empty", "no data", "not stated",
        "not given", "not available", "not measured", "not recorded", "not known", "not reported", "not published",
        "not applicable", "k.a.", "k. a.", "k.a", "ka", "keine angabe",
        "o.a.", "o. a.", "unbekannt", "entf.", "entfällt", "nicht gemessen",
        "n.c.", "n. c.", "nc", "non communiqué", "non mesuré", "inconnu", "non connu",
        "s/d", "s.d.", "sin dato", "sin datos", "desconocido", "n.p.", "n.v.t.", "ei tietoa", "okänt",
        "不明", "なし", "無し", "未測定", "未計測", "未知", "无",
    )
)  # fmt: skip

#: Digits with at most one decimal mark, by the mark that is known; without a known one a comma may part thousands.
_BARE = {
    ".": r"^[+-]?[0-9]+(?:\.[0-9]+)?$",
    ",": r"^[+-]?[0-9]+(?:,[0-9]+)?$",
}

#: Digits on both sides of one mark: most figures of most files, which prove the mark without the grammar, unless the mark
#: may as well part thousands.
_ONE_MARK = {".": r"^[+-]?[0-9]+\.[0-9]+$", ",": r"^[+-]?[0-9]+,[0-9]+$"}
_EITHER_WAY = r"^[+-]?[1-9][0-9]{0,2}[.,][0-9]{3}$"
#: What a text says of the file's mark. Those of other forms prove nothing unless a digit follows a mark; texts outside ASCII may
#: hold full-width ones.
_MARK_SIGNS = {
    **{mark: pl.col("text").str.contains(pattern) for mark, pattern in _ONE_MARK.items()},
    "either_way": pl.col("text").str.contains(_EITHER_WAY),
    "may_prove": (pl.col("text").str.contains("[.,][0-9]") | (pl.col("text").str.len_bytes() != pl.col("text").str.len_chars()))
    & ~pl.any_horizontal(pl.col("text").str.contains(pattern) for pattern in _ONE_MARK.values()),
}

#: Size of the last digit by the number of decimals, as it would be read; there is none smaller.
_LAST_DIGIT = pl.Series([float(f"1e-{decimals}") for decimals in range(325)])

#: Value, and number of digits behind the mark, of a bare figure.
_BARE_FIGURES = {
    mark: (
        (pl.col("text") if mark == "." else pl.col("text").str.replace(mark, ".", literal=True)).cast(pl.Float64).alias("value"),
        (pl.col("text").str.len_bytes() - pl.col("text").str.find(mark, literal=True) - 1)
        .fill_null(0)
        .clip(0, len(_LAST_DIGIT) - 1)
        .alias("decimals"),
    )
    for mark in _BARE
}

_COLUMNS = ("value", "low", "high", "unit", "step", "approx", "missing", "marker", "problem")

#: What an empty cell is read as. Most columns have such a cell, and the grammar would take its time to find nothing in it.
_EMPTY_CELL = pl.DataFrame(
    {
        "text": [None], "missing": [True], "value": [None], "low": [None], "high": [None], "unit": [None], "step": [None],
        "approx": [False], "marker": [None], "problem": [None],
    },
    schema={
        "text": pl.String, "missing": pl.Boolean, "value": pl.Float64, "low": pl.Float64, "high": pl.Float64, "unit": pl.String,
        "step": pl.Float64, "approx": pl.Boolean, "marker": pl.String, "problem": pl.String,
    },
)  # fmt: skip


def parse_numerals(text: pl.Series, decimal_mark: str | None) -> pl.DataFrame:
    """Read printed numbers; never raises on any cell text.

    Parameters
    ----------
    text : n cells; null is an empty cell.
    decimal_mark : "." or "," where it is known for the file; decides only the cells that can be read both ways.

    Returns
    -------
    polars.DataFrame
        n rows: ``value`` (middle of a range), ``low`` and ``high`` (ends of a range; the value itself otherwise), ``unit``
        (text beside the figure, or null), ``step`` (size of the last printed digit, the coarser one of a range; null for
        fractions), ``approx`` (marked "about"), ``missing`` with ``marker`` (the text that says so), and ``problem``: null,
        "not_a_number" or "ambiguous_number". Where ``missing`` or ``problem`` is set, ``value`` is null; values are finite.

    Raises
    ------
    FileProblem
        For a decimal mark other than point and comma.
    """
    _check_mark(decimal_mark)
    text = text.cast(pl.String).alias("text")
    mark = decimal_mark or "."
    is_bare = text.to_frame().select(pl.col("text").str.contains(_BARE[mark]).fill_null(False)).to_series()
    if is_bare.all():
        return _parse_bare(text, mark)
    stacked = pl.concat([_parse_bare(text.filter(is_bare), mark), _parse_others(text.filter(~is_bare), decimal_mark)])
    at = np.empty(len(text), dtype=np.int64)
    at[np.concatenate([is_bare.arg_true(), (~is_bare).arg_true()])] = np.arange(len(text))
    return stacked[at]


def _parse_others(text: pl.Series, decimal_mark: str | None) -> pl.DataFrame:
    """Read cells of other forms. Published columns repeat their texts, so each is read once."""
    distinct = text.unique(maintain_order=True)
    said = distinct.drop_nulls()
    parsed = pl.concat(
        [*([_parse_distinct(said, decimal_mark)] if len(said) else []), *([_EMPTY_CELL] if distinct.null_count() else [])]
    )
    return text.to_frame().join(parsed, on="text", how="left", nulls_equal=True, maintain_order="left").select(_COLUMNS)


def infer_decimal_mark(columns: list[pl.Series]) -> str | None:
    """Find the decimal mark that the figures themselves prove.

    Parameters
    ----------
    columns : text columns that are meant to hold figures; give no remarks or names, whose "2.0" proves nothing.

    Returns
    -------
    str or None
        "." or ","; None where no cell proves either, or where cells contradict each other.
    """
    if not columns:
        return None
    # One pass over all columns: a pass a column costs more than the cells.
    texts = pl.concat([c.cast(pl.String).alias("text") for c in columns]).unique(maintain_order=True).drop_nulls()
    told = texts.to_frame().select(**_MARK_SIGNS)
    proofs = {mark for mark in _ONE_MARK if (told[mark] & ~told["either_way"]).any()}
    proofs |= _proofs(texts.filter(told["may_prove"]))
    return proofs.pop() if len(proofs) == 1 else None


def _proofs(texts: pl.Series) -> set[str]:
    """The decimal marks that printed figures of any form prove."""
    if texts.is_empty():
        return set()
    figures = split_figures(fold_figures(texts))
    read = [read_figures(figures[end], None)["proof"] for end in ("first", "second")]
    return set(pl.concat(read).drop_nulls())


def _check_mark(decimal_mark: str | None) -> None:
    if decimal_mark not in (None, ".", ","):
        raise FileProblem(
            f"The decimal mark {decimal_mark[:20]!r} is stated, '.' or ',' is allowed; correct `decimal_mark` in source.toml, "
            "or remove it to have it found."
        )


def _parse_bare(texts: pl.Series, mark: str) -> pl.DataFrame:
    """Read digits with at most one decimal mark: most cells of most files, without the grammar."""
    read = texts.alias("text").to_frame().select(*_BARE_FIGURES[mark])
    is_finite = pl.col("value").is_finite()
    kept = pl.when(is_finite).then("value")
    nothing, no = pl.lit(None, pl.String), pl.lit(False)
    return read.select(
        value=kept, low=kept, high=kept, unit=nothing, step=pl.when(is_finite).then(_LAST_DIGIT.gather(read["decimals"])), approx=no,
        missing=no, marker=nothing, problem=pl.when(~is_finite).then(pl.lit("not_a_number")),
    )  # fmt: skip


def _parse_distinct(text: pl.Series, decimal_mark: str | None) -> pl.DataFrame:
    folded = fold_figures(text)
    missing = folded.str.to_lowercase().is_in(list(MISSING_MARKERS))
    marker = text.filter(missing)
    read = [_EMPTY_CELL.clear(len(marker)).with_columns(text=marker, marker=marker, missing=pl.lit(True), approx=pl.lit(False))]
    if not missing.all():
        read.append(_parse_figures(text.filter(~missing), folded.filter(~missing), decimal_mark))
    return pl.concat(read)


def _parse_figures(text: pl.Series, folded: pl.Series, decimal_mark: str | None) -> pl.DataFrame:
    """Read folded cells that say something by the grammar."""
    figures = split_figures(folded)
    first = read_figures(figures["first"], decimal_mark)
    second = read_figures(figures["second"], decimal_mark)
    read = pl.DataFrame(
        {
            "text": text, "kind": figures["kind"], "unit": figures["unit"], "approx": figures["approx"],
            "a": first["value"], "b": second["value"], "step_a": first["step"], "step_b": second["step"],
            "ambiguous": first["ambiguous"].fill_null(False) | second["ambiguous"].fill_null(False) | figures["shortened"],
        }
    )  # fmt: skip
    return _assemble(read)


def _assemble(read: pl.DataFrame) -> pl.DataFrame:
    """Join both figures of each cell to one value with its ends."""
    a, b, kind = pl.col("a"), pl.col("b"), pl.col("kind")
    is_range, is_tolerance = kind == "range", kind == "tolerance"
    low = pl.when(is_range).then(pl.min_horizontal(a, b)).when(is_tolerance).then(a - b.abs()).otherwise(a)
    high = pl.when(is_range).then(pl.max_horizontal(a, b)).when(is_tolerance).then(a + b.abs()).otherwise(a)
    complete = a.is_not_null() & (b.is_not_null() | ~(is_range | is_tolerance)) & ~pl.col("ambiguous")
    ends = read.with_columns(
        low=low, high=high, complete=complete.fill_null(False) & (low.is_finite() & high.is_finite()).fill_null(False)
    )
    keep = pl.col("complete")
    value = pl.when(is_range).then(pl.col("low") + (pl.col("high") - pl.col("low")) / 2).otherwise(a)
    problem = pl.when(keep).then(None).when("ambiguous").then(pl.lit("ambiguous_number")).otherwise(pl.lit("not_a_number"))
    return ends.select(
        "text",
        missing=pl.lit(False),
        value=pl.when(keep).then(value),
        low=pl.when(keep).then("low"),
        high=pl.when(keep).then("high"),
        unit=pl.when(keep).then("unit"),
        step=pl.when(keep).then(pl.max_horizontal("step_a", "step_b")),
        approx=keep & pl.col("approx"),
        marker=pl.lit(None, pl.String),
        problem=problem,
    )
