"""JSON records and JSON lines -> grid of text; numbers keep the digits they were written with."""

from __future__ import annotations

import json
import re
from collections import Counter
from collections.abc import Iterator
from typing import Any

import polars as pl

from pipeline.decode import decode_text
from pipeline.errors import FileProblem
from pipeline.text_grid import Grid, ReadOptions, check_width, numbered

Record = dict[str, Any]

_ALLOWED = "a list of records, one object that holds one list of records, or one record a line is allowed"


class _Number(str):
    """Digits of a JSON number, told apart from JSON text when a nested value is written out again."""

    __slots__ = ()


class _RepeatedKey(ValueError):
    """One object names a key twice; only the last value would survive."""


def read_records(data: bytes, name: str, options: ReadOptions) -> list[Grid]:
    """Read JSON; the keys come first, as line 0. A record's line is its number, in JSON lines its physical line.

    Nested values become JSON text, true and false their names, null an empty cell.

    Raises
    ------
    FileProblem
        Where the text is no JSON, is nested too deeply, names a key twice, or holds no single list of records.
    """
    text, encoding = decode_text(data, name, options.encoding)
    whole = text.decode("utf-8")
    notes = {"encoding": encoding}
    try:
        records = (
            _from_lines(whole, name) if _is_json_lines(whole) else enumerate(_from_document(_parse(whole), name, notes), start=1)
        )
        numbered_records = list(records)
    except json.JSONDecodeError as error:
        raise FileProblem(
            f"{name} is no valid JSON at line {error.lineno} ({error.msg}), {_ALLOWED}; correct it there."
        ) from None
    except _RepeatedKey as error:
        raise FileProblem(f"{name} names the key {error} twice in one record, once is allowed; rename one of the two.") from None
    except RecursionError:
        raise FileProblem(f"{name} is nested too deeply to read, {_ALLOWED}; send flat records.") from None
    return [Grid(_cells(numbered_records, name), None, "records", notes, first_line_is_header=True)]


def _parse(text: str) -> Any:
    return json.loads(text, parse_float=_Number, parse_int=_Number, parse_constant=_Number, object_pairs_hook=_without_repeats)


def _without_repeats(pairs: list[tuple[str, Any]]) -> Record:
    record = dict(pairs)
    if len(record) < len(pairs):
        times = Counter(key for key, _ in pairs)
        raise _RepeatedKey(repr(next(key for key, count in times.items() if count > 1)))
    return record


def _is_json_lines(text: str) -> bool:
    """Tell whether the first two lines with content are each a whole object."""
    starts = [match.group(0) for _, match in zip(range(2), re.finditer(r"\S[^\n]*", text), strict=False)]
    if not starts or not starts[0].startswith("{"):
        return False
    try:
        first = _parse(starts[0])
    except ValueError:
        return False
    return len(starts) > 1 or not any(isinstance(value, list) for value in first.values())


def _from_lines(text: str, name: str) -> Iterator[tuple[int, Record]]:
    for line, content in enumerate(text.split("\n"), start=1):
        if not content.strip():
            continue
        try:
            record = _parse(content)
        except json.JSONDecodeError as error:
            raise FileProblem(
                f"Line {line} of {name} is no valid JSON ({error.msg}), one record a line is allowed; correct it."
            ) from None
        if not isinstance(record, dict):
            raise FileProblem(f"Line {line} of {name} is no JSON object, one record a line is allowed; correct it.")
        yield line, record


def _from_document(document: Any, name: str, notes: dict[str, str]) -> list[Record]:
    records = document
    if isinstance(document, dict):
        lists = {key: value for key, value in document.items() if _is_record_list(value)}
        if len(lists) != 1:
            found = f"the lists {', '.join(map(repr, list(lists)[:5]))}" if lists else "no list of records"
            raise FileProblem(f"{name} holds {found}, {_ALLOWED}; send each list as a file of its own.")
        ((key, records),) = lists.items()
        notes["records"] = key
        beside = {other: value for other, value in document.items() if other != key}
        if beside:
            notes["beside_records"] = _as_json(beside)
    if not _is_record_list(records):
        raise FileProblem(f"{name} holds JSON that is no list of records, {_ALLOWED}; send it in one of these shapes.")
    return records


def _is_record_list(value: Any) -> bool:
    return isinstance(value, list) and bool(value) and all(isinstance(item, dict) for item in value)


def _cells(records: list[tuple[int, Record]], name: str) -> pl.DataFrame:
    keys = list(dict.fromkeys(key for _, record in records for key in record))
    check_width(len(keys), name)
    columns = {
        f"c{i}": pl.Series([key, *(_cell(record.get(key)) for _, record in records)], dtype=pl.String)
        for i, key in enumerate(keys)
    }
    cells = pl.DataFrame(columns)
    return numbered(cells, pl.Series([0, *(line for line, _ in records)][: cells.height], dtype=pl.Int64))


def _cell(value: Any) -> str | None:
    if value is None:
        return None
    return str(value) if isinstance(value, str) else _as_json(value)


def _as_json(value: Any) -> str:
    """Write a parsed value as JSON again, numbers with their own digits."""
    if isinstance(value, _Number):
        return str(value)
    if isinstance(value, dict):
        return "{" + ", ".join(f"{json.dumps(key)}: {_as_json(item)}" for key, item in value.items()) + "}"
    if isinstance(value, list):
        return "[" + ", ".join(map(_as_json, value)) + "]"
    return json.dumps(value, ensure_ascii=False)
