"""A small language for naming a part of the data: ``induction = turbocharger and na_power_kw > 150hp``.

Text in, polars expression out; nothing in the text is ever executed. The grammar::

    any       := all ("or" all)*
    all       := one ("and" one)*
    one       := "not" one | "(" any ")" | column test
    test      := (= | != | < | <= | > | >=) value | "in" "(" value ("," value)* ")" | "contains" value
               | "is" ("missing" | "stated")
    value     := number with or without a unit | word | 'text' | "text"

A number without a unit is in the unit that the column's name ends in. A comparison with a value that the record does not
state is neither met nor failed; a row is kept only where the whole is met.
"""

from __future__ import annotations

import difflib
import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from datetime import date
from typing import Any

import polars as pl

from pipeline.errors import PoundworthError, RequestProblem
from pipeline.fields import Field
from pipeline.units import convert, parse_quantity, unit_named

#: Longer than any condition that a person writes.
LONGEST = 2_000

#: Brackets and ``not`` within one another.
DEEPEST = 50

#: Whole numbers up to here are exact in both kinds of numbers.
_LARGEST_WHOLE = 2.0**53

_TOKEN = re.compile(
    r"""\s*(?:
        (?P<op><=|>=|!=|<>|==|=|<|>)
      | (?P<mark>[(),])
      | '(?P<single>[^']*)' | "(?P<double>[^"]*)"
      | (?P<number>[-+]?\d+(?:\.\d+)?(?:\s*(?!(?:and|or)\b)[^\s\d(),<>=!'"][^\s(),<>=!'"]*)?(?=[\s(),<>=!'"]|$))
      | (?P<word>[^\W\d][\w.%/-]*)
    )""",
    re.VERBOSE | re.IGNORECASE,
)
_KEYWORDS = frozenset({"and", "or", "not", "in", "is", "contains"})
_SAME = {"==": "=", "<>": "!="}
_ORDER: dict[str, Callable[[pl.Expr, Any], pl.Expr]] = {
    "=": lambda column, value: column == value,
    "!=": lambda column, value: column != value,
    "<": lambda column, value: column < value,
    "<=": lambda column, value: column <= value,
    ">": lambda column, value: column > value,
    ">=": lambda column, value: column >= value,
}
_FLAGS = {"true": True, "yes": True, "false": False, "no": False}


@dataclass(frozen=True, slots=True)
class _Token:
    kind: str  # op, mark, text, number, word, end
    text: str
    place: int

    def is_word(self, word: str) -> bool:
        return self.kind == "word" and self.text.lower() == word


def parse_where(text: str, fields: Mapping[str, Field]) -> pl.Expr:
    """The condition as a polars expression over the columns that ``fields`` describes; null where it is not known.

    Parameters
    ----------
    text : the condition as typed.
    fields : column name to its description.

    Raises
    ------
    RequestProblem : the text is no condition, names an unknown column, or compares a column with what it cannot hold.
    """
    if len(text) > LONGEST:
        raise RequestProblem(f"The condition is {len(text):,} characters long; at most {LONGEST:,} are read. Shorten it.")
    parser = _Parser(text, fields, _tokens(text))
    made = parser.any_of(0)
    if parser.next.kind != "end":
        raise parser.problem("and, or, or the end of the condition")
    return made


def _tokens(text: str) -> list[_Token]:
    found: list[_Token] = []
    place = 0
    end = len(text.rstrip())
    while place < end:
        match = _TOKEN.match(text, place)
        if match is None:
            at = place + len(text[place:]) - len(text[place:].lstrip())
            raise RequestProblem(
                f"The condition {text!r} cannot be read at character {at + 1} ({text[at]!r}); it may hold column names, "
                "= != < <= > >=, and, or, not, in, contains, is missing, brackets, numbers with units and quoted texts. "
                "Put other texts in quotes."
            )
        kind = str(match.lastgroup)
        value = match.group(kind)
        found.append(_Token("text" if kind in ("single", "double") else kind, value, match.start(kind)))
        place = match.end()
    return [*found, _Token("end", "", end)]


class _Parser:
    """Reads tokens from left to right."""

    def __init__(self, text: str, fields: Mapping[str, Field], tokens: list[_Token]) -> None:
        self.text, self.fields, self.tokens, self.at = text, fields, tokens, 0

    @property
    def next(self) -> _Token:
        return self.tokens[self.at]

    def take(self) -> _Token:
        token = self.next
        self.at += token.kind != "end"
        return token

    def problem(self, wanted: str) -> RequestProblem:
        token = self.next
        got = "ends" if token.kind == "end" else f"has {token.text!r}"
        return RequestProblem(
            f"The condition {self.text!r} {got} at character {token.place + 1}, where {wanted} must stand. "
            "An example: induction = turbocharger and na_power_kw > 150hp."
        )

    def any_of(self, depth: int) -> pl.Expr:
        made = self.all_of(depth)
        while self.next.is_word("or"):
            self.take()
            made = made | self.all_of(depth)
        return made

    def all_of(self, depth: int) -> pl.Expr:
        made = self.one(depth)
        while self.next.is_word("and"):
            self.take()
            made = made & self.one(depth)
        return made

    def one(self, depth: int) -> pl.Expr:
        if depth > DEEPEST:
            raise RequestProblem(
                f"The condition nests more than {DEEPEST} brackets or nots; that is more than is read. Write it flat."
            )
        if self.next.is_word("not"):
            self.take()
            return ~self.one(depth + 1)
        if self.next.kind == "mark" and self.next.text == "(":
            self.take()
            made = self.any_of(depth + 1)
            self.close()
            return made
        return self.test(self.column())

    def close(self) -> None:
        if not (self.next.kind == "mark" and self.next.text == ")"):
            raise self.problem("a closing bracket")
        self.take()

    def column(self) -> Field:
        token = self.next
        if token.kind not in ("word", "text") or token.text.lower() in _KEYWORDS:
            raise self.problem("the name of a column")
        self.take()
        field = self.fields.get(token.text)
        if field is None:
            near = difflib.get_close_matches(token.text.lower(), list(self.fields), n=3, cutoff=0.6)
            hint = f"nearest are {', '.join(near)}" if near else "see `poundworth dictionary` for their names"
            raise RequestProblem(
                f"The condition {self.text!r} names the column {token.text!r}, which builds and runs do not have; {hint}."
            )
        return field

    def test(self, field: Field) -> pl.Expr:
        column, token = pl.col(field.name), self.take()
        if token.kind == "op":
            return self.compare(field, _SAME.get(token.text, token.text))
        if token.is_word("is"):
            negated = self.next.is_word("not") and bool(self.take())
            state = self.take()
            if not (state.is_word("missing") or state.is_word("stated")):
                self.at -= state.kind != "end"
                raise self.problem("missing or stated")
            return column.is_null() if state.is_word("missing") != negated else column.is_not_null()
        if token.is_word("in"):
            return pl.any_horizontal(*(column == value for value in self.values(field)))
        if token.is_word("contains") and field.kind in ("text", "code"):
            return column.str.to_lowercase().str.contains(str(self.raw_value()).lower(), literal=True)
        self.at -= token.kind != "end"
        raise self.problem(f"=, !=, <, <=, >, >=, in, contains (texts only) or is missing, after {field.name},")

    def compare(self, field: Field, sign: str) -> pl.Expr:
        if sign not in ("=", "!=") and field.kind in ("code", "text", "flag"):
            raise RequestProblem(
                f"The condition {self.text!r} asks for {field.name} {sign} something, but {field.name} is a {field.kind}; "
                "it can be = or != a value, in (a, b) or is missing. Use one of these."
            )
        return _ORDER[sign](pl.col(field.name), self.value(field))

    def values(self, field: Field) -> list[Any]:
        if not (self.next.kind == "mark" and self.next.text == "("):
            raise self.problem("an opening bracket")
        self.take()
        found = [self.value(field)]
        while self.next.kind == "mark" and self.next.text == ",":
            self.take()
            found.append(self.value(field))
        self.close()
        return found

    def raw_value(self) -> str:
        if self.next.kind not in ("number", "word", "text"):
            raise self.problem("a value")
        return self.take().text

    def value(self, field: Field) -> Any:
        return _value(field, self.raw_value(), self.text)


def _value(field: Field, text: str, condition: str) -> Any:
    """A value of the field's own kind and unit.

    Raises
    ------
    RequestProblem : the field cannot hold it.
    """
    if field.kind == "code":
        folded = text.strip().lower().replace("-", "_").replace(" ", "_")
        if folded not in field.codes:
            raise _no_value(field, text, condition, ", ".join(field.codes))
        return folded
    if field.kind == "text":
        return text
    if field.kind == "flag":
        if text.lower() not in _FLAGS:
            raise _no_value(field, text, condition, "true or false")
        return _FLAGS[text.lower()]
    if field.kind == "date":
        try:
            return date.fromisoformat(text)
        except ValueError:
            raise _no_value(field, text, condition, "a day as 2024-05-01, in quotes") from None
    return _number(field, text, condition)


def _number(field: Field, text: str, condition: str) -> float:
    if field.unit is None or field.quantity is None:
        try:
            value = float(text)
            # A whole number beyond what a column of whole numbers holds is compared as it is.
            return int(value) if field.kind == "integer" and value.is_integer() and abs(value) < _LARGEST_WHOLE else value
        except ValueError:
            raise _no_value(field, text, condition, "a number without a unit") from None
    try:
        value, unit = parse_quantity(text, field.quantity, field.unit)
        return float(convert(value, unit, unit_named(field.unit)))
    except PoundworthError as error:
        raise _no_value(field, text, condition, f"a number, in {field.unit} or with its unit") from error


def _no_value(field: Field, text: str, condition: str, allowed: str) -> RequestProblem:
    return RequestProblem(
        f"The condition {condition!r} compares {field.name} with {text!r}; allowed is {allowed}. Write one of these."
    )
