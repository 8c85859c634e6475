"""Write TOML from plain values, and change single keys of a hand-written source.toml without touching the rest.

The standard library reads TOML but does not write it. Texts may come from strangers (headers, titles), so every text is
escaped and every result is read back and compared before it is used.
"""

from __future__ import annotations

import json
import math
import re
import tomllib
from collections.abc import Mapping
from datetime import date
from typing import Any

from pipeline.errors import RequestProblem

_BARE_KEY = re.compile(r"[A-Za-z0-9_-]+")
_TABLE_HEAD = re.compile(r"\s*\[")
_FILE_HEAD = re.compile(r"\s*\[\[\s*file\s*\]\]\s*(#.*)?$")
#: Keys of a source.toml in the order in which people read them; other keys follow in their own order.
SOURCE_KEYS = (
    "title", "publisher", "author", "url", "published_on", "received_on", "licence", "medium", "contributor", "citation",
    "invented", "same_as", "not_same",
)  # fmt: skip
FILE_KEYS = (
    "name", "kind", "sha256", "sheet", "delimiter", "encoding", "decimal_mark", "header_line", "headers", "build_from", "constants",
)  # fmt: skip


def text_literal(text: str) -> str:
    """A TOML basic string on one line that reads back as `text`.

    Raises
    ------
    RequestProblem : the text holds half of a character (a lone surrogate), which no file can hold.
    """
    try:
        text.encode("utf-8")
    except UnicodeEncodeError:
        raise RequestProblem(
            f"the text {text.encode('utf-8', 'replace').decode()[:60]!r} holds a broken character, which source.toml cannot hold; "
            "save the file as UTF-8 and give the text again"
        ) from None
    # JSON escapes what TOML asks to be escaped, all but DEL.
    return json.dumps(text, ensure_ascii=False).replace("\x7f", "\\u007F")


def key_literal(key: str) -> str:
    """A key, bare where TOML allows it."""
    return key if _BARE_KEY.fullmatch(key) else text_literal(key)


def value_literal(value: Any) -> str:
    """One value on one line: text, whole number, number, flag, day, list, or table of these.

    Raises
    ------
    RequestProblem : a number that is not finite, or another kind of value.
    """
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, str):
        return text_literal(value)
    if isinstance(value, (int, date)):
        return value.isoformat() if isinstance(value, date) else str(value)
    if isinstance(value, float) and math.isfinite(value):
        return repr(value)
    if isinstance(value, Mapping):
        inside = ", ".join(f"{key_literal(k)} = {value_literal(v)}" for k, v in value.items())
        return f"{{ {inside} }}" if inside else "{}"
    if isinstance(value, (list, tuple)):
        return "[" + ", ".join(value_literal(v) for v in value) + "]"
    raise RequestProblem(f"the value {value!r} cannot stand in a source.toml; give a text, a number, true or false, or a day")


def _lines(table: Mapping[str, Any], order: tuple[str, ...]) -> list[str]:
    names = [k for k in order if k in table] + [k for k in table if k not in order]
    width = max((len(key_literal(n)) for n in names), default=0)
    return [f"{key_literal(n).ljust(width)} = {value_literal(table[n])}" for n in names]


def file_block(entry: Mapping[str, Any]) -> str:
    """One `[[file]]` as text."""
    return "\n".join(["[[file]]", *_lines(entry, FILE_KEYS)]) + "\n"


def source_text(described: Mapping[str, Any]) -> str:
    """A whole source.toml.

    Parameters
    ----------
    described : keys of a source.toml as plain values, `file` a list of tables.
    """
    head = {k: v for k, v in described.items() if k != "file"}
    blocks = ["\n".join(_lines(head, SOURCE_KEYS)) + "\n", *(file_block(f) for f in described.get("file", ()))]
    return "\n".join(blocks)


def _spans(lines: list[str]) -> tuple[tuple[int, int], list[tuple[int, int]]]:
    """Line ranges of the head and of each `[[file]]`, without blank and comment lines at their ends."""
    heads = [i for i, line in enumerate(lines) if _TABLE_HEAD.match(line)]
    ends = [*heads[1:], len(lines)][: len(heads)]
    files = [(start, end) for start, end in zip(heads, ends, strict=True) if _FILE_HEAD.match(lines[start])]
    first = heads[0] if heads else len(lines)
    return (0, _last_filled(lines, 0, first)), [(start, _last_filled(lines, start, end)) for start, end in files]


def _last_filled(lines: list[str], start: int, end: int) -> int:
    while end > start and (not lines[end - 1].strip() or lines[end - 1].lstrip().startswith("#")):
        end -= 1
    return end


def _set_key(lines: list[str], span: tuple[int, int], key: str, value: Any) -> None:
    """Replace the one line that sets `key` within a span, or add it at the span's end."""
    told = re.compile(rf"""(\s*["']?{re.escape(key)}["']?\s*=\s*)""")
    for i in range(*span):
        if found := told.match(lines[i]):
            lines[i] = found.group(1) + value_literal(value)
            return
    lines.insert(span[1], f"{key_literal(key)} = {value_literal(value)}")


def edit_source_text(text: str, new: Mapping[str, Any]) -> tuple[str, bool]:
    """A source.toml changed so that it says `new`; comments and layout of all else stay.

    Parameters
    ----------
    text : the file as it stands, valid TOML.
    new : what it has to say afterwards, plain values. No key may be missing that it has now; files may only be added at the end.

    Returns
    -------
    text, whether comments were kept (False: written anew, since some key could not be changed line by line).
    """
    old = tomllib.loads(text)
    lines = text.splitlines()
    files = new.get("file", [])
    held = old.get("file", [])
    # From the end, so that the spans further up stay true.
    for place in range(len(held) - 1, -1, -1):
        for key, value in files[place].items():
            if key not in held[place] or held[place][key] != value:
                spans = _spans(lines)[1]
                if place < len(spans):
                    _set_key(lines, spans[place], key, value)
    for key, value in new.items():
        if key != "file" and (key not in old or old[key] != value):
            _set_key(lines, _spans(lines)[0], key, value)
    edited = "\n".join(lines).rstrip("\n") + "\n" + "".join("\n" + file_block(f) for f in files[len(held) :])
    if _says(edited, new):
        return edited, True
    return source_text(new), False


def _says(text: str, wanted: Mapping[str, Any]) -> bool:
    try:
        return tomllib.loads(text) == _plain(wanted)
    except (tomllib.TOMLDecodeError, RecursionError):
        return False


def _plain(value: Any) -> Any:
    if isinstance(value, Mapping):
        return {k: _plain(v) for k, v in value.items()}
    return [_plain(v) for v in value] if isinstance(value, (list, tuple)) else value
