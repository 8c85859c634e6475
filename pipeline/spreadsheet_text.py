"""Text for files that are opened in a spreadsheet: a contributed text must never become a formula.

A spreadsheet takes a cell that begins with ``=``, ``+``, ``-`` or ``@`` (or their full-width forms, or a control
character before them) for a formula, whatever its quotes. Such a text gets one apostrophe in front. A plain number
("-5") does no harm and stays. The rule can be undone exactly: a text that begins with apostrophes and would be guarded
without them gets one more, so that taking one away gives back every text.
"""

from __future__ import annotations

import polars as pl

_NUMBER = r"^[+\-]?[0-9]+(?:[.,][0-9]+)*$"
_FORMULA = r"^'*[\s\x00-\x1f\ufeff\u200b-\u200f]*[=+\-@＝＋－＠]|^'*[\t\r\n]"
_GUARDED = r"^'+[\s\x00-\x1f\ufeff\u200b-\u200f]*[=+\-@＝＋－＠]|^'+[\t\r\n]"


def guard_text(text: pl.Expr) -> pl.Expr:
    """Text that is safe as a cell of a spreadsheet."""
    harmless = ~text.str.contains(_FORMULA) | text.str.contains(_NUMBER)
    return pl.when(harmless | text.is_null()).then(text).otherwise(pl.concat_str([pl.lit("'"), text]))


def unguard_text(text: pl.Expr) -> pl.Expr:
    """The text that :func:`guard_text` was given."""
    return pl.when(text.str.contains(_GUARDED)).then(text.str.slice(1)).otherwise(text)
