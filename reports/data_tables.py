"""Tables of the page about the data: sources, classes, repeats, repairs and the dictionary of fields."""

from __future__ import annotations

from pipeline.data_records import BuildName, DataSummary
from pipeline.fields import Field, fields_of
from reports.data_sentences import class_words, is_thin, say_share
from reports.labels import clean_text, safe_url
from reports.numbers import UnitSystem, in_both, show_nominal, write_count
from reports.tables import Cell, Table

#: Sources in the page's table; a thousand lines are more than anybody reads, and the export has all.
MOST_SOURCES = 1_000
TABLE_NAMES: dict[str, str] = {
    "source": "Sources", "build": "Builds", "run": "Runs", "sweep_point": "Points of a curve", "change": "Changes of parts",
}  # fmt: skip
#: Words of field names that are set otherwise; kinds that tell two fields apart; fields that need no kind.
_WORDS: dict[str, str] = {"ron": "RON", "mon": "MON", "aki": "AKI", "sd": "standard deviation", "id": "name", "rpm": "Speed"}
_KINDS: dict[str, str] = {"temperature": " temperature", "pressure": " pressure", "speed": ", speed"}
_PLAIN = ("Boost", "Speed", "Curve boost")


def table_of_sources(data: DataSummary) -> Table:
    """Sources with their terms and counts; only plain web addresses become links."""
    heads = (
        "Title",
        "Publisher",
        "Licence",
        "Published",
        "Rows",
        "In",
        "Refused",
        "Repeated",
        "Builds",
        "Runs",
        "Flags",
        "Folder",
    )
    rows = tuple(
        (
            clean_text(s.title), clean_text(s.publisher) + (f" and {s.publishers - 1} more" if s.publishers > 1 else ""),
            clean_text(s.licence), s.published_on.isoformat() if s.published_on else "\u2013",
            *(write_count(n) for n in (s.rows_read, s.accepted, s.refused, s.repeated, s.builds, s.runs, s.flags)),
            clean_text(s.source),
        )
        for s in data.sources[:MOST_SOURCES]
    )  # fmt: skip
    links = tuple(safe_url(s.url) for s in data.sources[:MOST_SOURCES])
    return Table(heads, rows, frozenset(range(4, 11)), links)


def table_of_classes(data: DataSummary) -> Table:
    """What there is of each kind of induction and cooling."""

    def span(quantity: str, low: float, high: float) -> Cell:
        def say(s: UnitSystem) -> str:
            return f"{show_nominal(low, quantity, s, unit=False)} to {show_nominal(high, quantity, s)}"

        return in_both(say)

    rows = tuple(
        (
            class_words(c), write_count(c.builds), write_count(c.runs), write_count(c.publishers), span("power", *c.power_kw),
            span("boost", *c.boost_kpa), "too thin" if is_thin(c) else "yes",
        )
        for c in data.evidence.classes
    )  # fmt: skip
    heads = ("Induction and cooling", "Builds", "Boosted runs", "Publishers", "Output without boost", "Boost", "Can be compared")
    return Table(heads, rows, frozenset({1, 2, 3}))


def name_of(build: BuildName) -> str:
    """``Alder 3.0, Test Sheet (folder)``."""
    return f"{clean_text(build.build)}, {clean_text(build.publisher)} ({clean_text(build.source)})"


def table_of_repeats(data: DataSummary) -> Table:
    """Builds counted under another publication."""
    rows = tuple(
        (
            name_of(r.build), name_of(r.counted_as), write_count(r.runs), "\u2013" if r.figures is None else write_count(r.figures),
            "a human\u2019s answer" if r.found_by == "answer" else "equal figures",
        )
        for r in data.repeats
    )  # fmt: skip
    return Table(
        ("Printed again as", "Counted as", "Runs not counted twice", "Equal figures", "Known by"), rows, frozenset({2, 3})
    )


def table_of_answers(data: DataSummary) -> Table:
    """What humans have answered about pairs of builds."""
    rows = tuple(
        (
            clean_text(a.build), clean_text(a.other), "the same test" if a.answer == "same" else "two tests", clean_text(a.source),
            "holds" if a.problem is None else clean_text(a.problem, 400),
        )
        for a in data.answers
    )  # fmt: skip
    return Table(("Build", "Compared with", "Answer", "In source.toml of", "State"), rows)


def table_of_repairs(data: DataSummary) -> Table:
    """Declared corrections of publishers' own errors."""
    rows = tuple((_capital(clean_text(r.what, 400)), clean_text(r.source), clean_text(r.file)) for r in data.repairs)
    return Table(("What was mended, and why", "Source", "File"), rows)


def _capital(text: str) -> str:
    return text[:1].upper() + text[1:]


def field_words(field: Field) -> str:
    """A field in words of its own: ``Power``, ``Power, speed``, ``Air temperature``, ``Octane RON``."""
    words = " ".join(_WORDS.get(word, word) for word in field.label.split())
    kind = _KINDS.get(field.quantity or "")
    return words if kind is None or words in _PLAIN else words + kind


def table_of_fields(data: DataSummary, table: str) -> Table:
    """The dictionary of one table, with how many records state each field."""
    filled = {f.name: f for f in data.fields if f.table == table}
    rows = []
    for field in fields_of(table):  # type: ignore[arg-type]
        found = filled.get(field.name)
        stated = "\u2013" if found is None else say_share(found.filled, found.of)
        rows.append((field.name, field.unit or "", _meaning(field), _span(field), stated))
    return Table(("Field", "Unit", "Meaning", "Usual range", "Stated by"), tuple(rows), frozenset({4}))


def _meaning(field: Field) -> str:
    codes = f" One of: {', '.join(code.replace('_', ' ') for code in field.codes)}." if field.codes else ""
    return field.meaning + codes + (" Names a person; left out of exports unless asked for." if field.personal else "")


def _span(field: Field) -> str:
    return "" if field.usual is None else f"{field.usual[0]:g} to {field.usual[1]:g}".replace("-", "\u2212")
