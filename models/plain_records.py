"""Records as plain dictionaries: what `dataclasses.asdict` gives, without its copy of every figure and text."""

from __future__ import annotations

from dataclasses import fields, is_dataclass
from functools import cache
from typing import Any


def to_plain(value: Any) -> Any:
    """Records in a value as dictionaries by field, in lists, tuples and mappings too; all else is handed on as it is."""
    kind: Any = type(value)
    names = _field_names(kind)
    if names is not None:
        return {name: to_plain(getattr(value, name)) for name in names}
    if kind is tuple or kind is list:
        return kind(map(to_plain, value))
    if kind is dict:
        return {key: to_plain(one) for key, one in value.items()}
    return value


@cache
def _field_names(kind: type) -> tuple[str, ...] | None:
    """Fields of a kind of record; None of what is no record."""
    return tuple(field.name for field in fields(kind)) if is_dataclass(kind) else None
