"""The texts that travel with a data export: dictionary, licences, citation, read me.

Values in, text out; nothing here touches disk. The citation follows the Citation File Format, version 1.2.0
(https://citation-file-format.github.io).
"""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from typing import Any

from pipeline.data_package import PackageInputs, is_open_licence, say_invented, title_of
from pipeline.export_tables import exported_columns

#: Kinds of publication -> reference types of the Citation File Format; any other is "generic".
_REFERENCE_TYPES = {
    "magazine": "magazine-article", "video": "video", "paper": "article", "book": "book", "website": "website",
    "forum": "website", "certificate": "report", "own_test": "data",
}  # fmt: skip
AUTHORS = "Contributors to the Poundworth study"


# -- dictionary and licences --------------------------------------------------------------------------------------------

DICTIONARY_COLUMNS = (
    "table",
    "column",
    "kind",
    "unit",
    "meaning",
    "usual_from",
    "usual_to",
    "possible_from",
    "possible_to",
    "codes",
    "required",
    "personal",
)
LICENCE_COLUMNS = ("source", "title", "publisher", "licence", "known_to_be_open", "url", "citation", "invented", "runs")


def dictionary_rows(inputs: PackageInputs) -> list[dict[str, str]]:
    """One row of text for each exported column of each table."""
    rows = []
    for table in inputs.tables:
        for c in exported_columns(table, inputs.with_personal):
            usual, possible = (f"{v:g}" for v in c.usual or ()), (f"{v:g}" for v in c.possible or ())
            cells = (
                table.name, c.name, c.kind, c.unit or "", c.meaning, *_two(usual), *_two(possible), "+".join(c.codes),
                str(c.required).lower(), str(c.personal).lower(),
            )  # fmt: skip
            rows.append(dict(zip(DICTIONARY_COLUMNS, cells, strict=True)))
    return rows


def _two(values: Any) -> tuple[str, str]:
    low, high = tuple(values) or ("", "")
    return low, high


def licence_rows(inputs: PackageInputs) -> list[dict[str, str]]:
    """One row of text for each source: its terms, how to cite it, how many runs it gave."""
    rows = []
    for s in inputs.sources:
        licence = str(s["licence"])
        cells = (
            s["source"], s["title"], s["publisher"], licence, str(is_open_licence(licence)).lower(), s.get("url") or "",
            s.get("citation") or "", str(bool(s.get("invented"))).lower(), str(inputs.runs_by_source.get(str(s["source"]), 0)),
        )  # fmt: skip
        rows.append(dict(zip(LICENCE_COLUMNS, (str(c) for c in cells), strict=True)))
    return rows


def _cell(text: object) -> str:
    """Text as a cell of a Markdown table; a contributed text cannot end the cell or become markup."""
    plain = re.sub(r"\s+", " ", str(text)).strip()
    return re.sub(r"([\\`*_\[\]<>|#!~])", r"\\\1", plain)


def _markdown_table(heads: Sequence[str], rows: Sequence[Sequence[object]]) -> list[str]:
    return [
        "| " + " | ".join(heads) + " |",
        "|" + " --- |" * len(heads),
        *("| " + " | ".join(_cell(c) for c in row) + " |" for row in rows),
    ]


def write_dictionary(inputs: PackageInputs) -> str:
    """The text of `DICTIONARY.md`: every column of every table in words."""
    lines = ["# Dictionary", "", "Units are SI. Empty means not known; `none` is a code and means that there is none.", ""]
    for table in inputs.tables:
        lines += [f"## {table.name}", "", table.meaning, ""]
        rows = [
            (
                c.name, c.unit or "", f"{c.usual[0]:g} to {c.usual[1]:g}" if c.usual else "",
                c.meaning + (f" One of: {', '.join(c.codes)}." if c.codes else "") + (" Never empty." if c.required else ""),
            )
            for c in exported_columns(table, inputs.with_personal)
        ]  # fmt: skip
        lines += [*_markdown_table(("column", "unit", "usual", "meaning"), rows), ""]
    return "\n".join(lines)


def write_licences(inputs: PackageInputs) -> str:
    """The text of `LICENCES.md`: the terms of each source."""
    lines = ["# Licences, source by source", ""]
    if told := say_invented(inputs):
        lines += [f"**{told}**", ""]
    lines += ["Each row of each table is under the terms of its source. Cite the sources whose rows you use.", ""]
    unknown = sorted({str(s["licence"]) for s in inputs.sources if not is_open_licence(str(s["licence"]))})
    if unknown:
        lines += [
            f"Not known here as open terms: {', '.join(_cell(t) for t in unknown)}. Ask the publisher before you pass those rows on.",
            "",
        ]
    heads = ("source", "publisher", "title", "licence", "runs", "address")
    rows = [[r[h if h != "address" else "url"] for h in heads] for r in licence_rows(inputs)]
    return "\n".join([*lines, *_markdown_table(heads, rows), ""])


# -- citation -----------------------------------------------------------------------------------------------------------


def yaml_text(text: object) -> str:
    """A text as a double-quoted scalar of YAML 1.2; whatever is not printable is escaped."""
    out = []
    for mark in str(text):
        if mark in '"\\':
            out.append("\\" + mark)
        elif mark.isprintable():
            out.append(mark)
        else:
            out.append(
                f"\\x{ord(mark):02x}"
                if ord(mark) < 256
                else f"\\u{ord(mark):04x}"
                if ord(mark) < 65536
                else f"\\U{ord(mark):08x}"
            )
    return '"' + "".join(out) + '"'


def _reference(source: Mapping[str, Any], with_personal: bool) -> list[str]:
    author = source.get("author") if with_personal else None
    lines = [
        f"  - type: {_REFERENCE_TYPES.get(str(source.get('medium')), 'generic')}",
        f"    title: {yaml_text(source['title'])}",
        "    authors:",
        f"      - name: {yaml_text(author or source['publisher'])}",
        "    publisher:",
        f"      name: {yaml_text(source['publisher'])}",
    ]
    if source.get("published_on"):
        lines.append(f"    date-published: {source['published_on']}")
    if source.get("url"):
        lines.append(f"    url: {yaml_text(source['url'])}")
    told = "Invented demo data. " if source.get("invented") else ""
    note = f"{told}Source {source['source']}. Licence: {source['licence']}."
    return [*lines, f"    notes: {yaml_text(note)}"]


def write_citation(inputs: PackageInputs) -> str:
    """The text of `CITATION.cff`: this export, and each of its sources as a reference."""
    told = say_invented(inputs)
    message = " ".join(filter(None, (told, "Cite this collection, and the sources whose rows you use.")))
    lines = [
        "cff-version: 1.2.0",
        f"message: {yaml_text(message)}",
        "type: dataset",
        f"title: {yaml_text(title_of(inputs))}",
        f"version: {yaml_text(inputs.release)}",
        "authors:",
        f"  - name: {yaml_text(AUTHORS)}",
    ]
    if inputs.sources:
        lines.append("references:")
        for source in inputs.sources:
            lines += _reference(source, inputs.with_personal)
    return "\n".join(lines) + "\n"


# -- read me ------------------------------------------------------------------------------------------------------------

_READ_ME = """\
- `data/*.csv` and `data/*.parquet`: the same rows twice. Parquet keeps types and lists; CSV is UTF-8 with commas.
- `datapackage.json`: names, types, units, ranges, keys and hashes of all tables (Frictionless Data Package).
- `DICTIONARY.md` and `data/dictionary.csv`: every column in words. `LICENCES.md` and `data/licence.csv`: terms by source.
- `store/*.parquet`: what else a store of this project holds. `poundworth restore DIR` makes the store again from this folder; its
  content hash (`content_hash` in `datapackage.json`) is the same, whatever the version that makes it.
- `CITATION.cff`: how to cite. `SHA256SUMS`: check with `sha256sum -c SHA256SUMS`.

## Reading it

- Figures are in SI units (kW, kPa, N m, C); names of columns end in the unit. Empty is not known. `none` is a code.
- Boost is gauge pressure. Power is as reported under the stated `correction`; nothing was converted between standards.
- `is_repeat` marks runs of a test that is already counted under another publisher: leave them out of counts.
- In CSV a text that a spreadsheet would take for a formula (it begins with = + - @ or a full-width form of one) has an
  apostrophe in front. A text that begins with apostrophes before such a sign has one more. Take one away to have the text as
  it was sent; Parquet has it so already.
- `data/run_flat.csv` can be read back: name it in a source.toml with kind = "runs".

## What it is not

Figures describe what others measured: they are no tune, no limit and no promise. More boost raises cylinder pressure and
heat; engines fail, hot and spinning parts and fuel injure people. Setting boost, fuel and spark is for a qualified
calibrator with proper instruments. Builds that failed are seldom published.
"""


def write_read_me(inputs: PackageInputs) -> str:
    """The text of `README.md`: what is there, how to read it, what it is not."""
    lines = [f"# {title_of(inputs)}", ""]
    if told := say_invented(inputs):
        lines += [f"**{told}**", ""]
    lines += [
        f"Version {inputs.release}. "
        + (
            "Fields that name a person are included: pass this folder on only with their consent."
            if inputs.with_personal
            else "Fields that name a person are left out, also from refused rows and unrecognised columns where their header says so; "
            "free text (notes, citations) is as it was sent."
        ),
        "",
    ]
    rows = [(t.name, next(f.rows for f in inputs.files if f.table == t.name), t.meaning) for t in inputs.tables]
    return "\n".join([*lines, *_markdown_table(("table", "rows", "what a row is"), rows), "", _READ_ME])
