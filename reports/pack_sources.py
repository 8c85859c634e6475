"""Sources of an article pack: BibTeX, CSL-JSON, and what may be reprinted. Persons who wrote or sent in are not named."""

from __future__ import annotations

import json
import re
from collections.abc import Iterable, Mapping, Sequence
from typing import Any

from models.results import SourceNote
from reports.labels import clean_text, safe_url
from reports.numbers import count_of
from reports.pack_records import Pack, PackSource, Terms, terms_of
from reports.pack_text import markdown, markdown_table, tex

#: Kind of publication -> (entry type of BibTeX, item type of CSL 1.0.2).
_TYPES: dict[str, tuple[str, str]] = {
    "magazine": ("article", "article-magazine"), "paper": ("article", "article-journal"), "book": ("book", "book"),
    "video": ("misc", "motion_picture"), "forum": ("misc", "post"), "website": ("misc", "webpage"),
    "certificate": ("techreport", "report"), "own_test": ("misc", "dataset"),
}  # fmt: skip
_OTHER = ("misc", "document")
#: Field of BibTeX that names the publication, by entry type.
_WHERE = {"article": "journal", "book": "publisher", "techreport": "institution", "misc": "howpublished"}

#: Who collected the study, as the data export names them.
COLLECTORS = "Contributors to the Poundworth study"


def pack_sources(
    notes: Sequence[SourceNote], described: Iterable[Mapping[str, Any]], counts: Mapping[str, int]
) -> tuple[PackSource, ...]:
    """Sources that the pack rests on, in the order of their names.

    Parameters
    ----------
    notes : sources of the stored study.
    described : rows of the table of sources, for kind and citation; author and contributor are not read.
    counts : source -> runs that the pack rests on; a source without one is not listed.
    """
    rows = {str(row["source"]): row for row in described}
    made = []
    for note in sorted(notes, key=lambda one: one.source):
        if not counts.get(note.source):
            continue
        row = rows.get(note.source, {})
        made.append(
            PackSource(
                note.source, clean_text(note.title, 300), clean_text(note.publisher, 200), safe_url(note.url) or "",
                clean_text(note.licence, 200), note.published_on, str(row.get("medium") or ""),
                clean_text(str(row.get("citation") or ""), 400), note.invented, terms_of(note.licence), counts[note.source],
            )
        )  # fmt: skip
    return tuple(made)


def named(sources: Iterable[PackSource]) -> list[PackSource]:
    """Sources that may be named: all but the private ones."""
    return [source for source in sources if source.terms is not Terms.PRIVATE]


def cite_keys(sources: Sequence[PackSource]) -> dict[str, str]:
    """Source -> key of its entry: letters, digits and dashes, each key once."""
    keys: dict[str, str] = {}
    for source in sources:
        plain = re.sub(r"[^A-Za-z0-9]+", "-", source.source).strip("-") or "source"
        key, number = plain, 2
        while key.lower() in {taken.lower() for taken in keys.values()}:
            key, number = f"{plain}-{number}", number + 1
        keys[source.source] = key
    return keys


def _date(text: str) -> list[int]:
    """Year, month and day as far as they are there."""
    found = re.match(r"(\d{4})(?:-(\d{2})(?:-(\d{2}))?)?", text or "")
    return [] if found is None else [int(part) for part in found.groups() if part is not None]


def _told(source: PackSource) -> str:
    invented = "Invented demo data: no such publication exists. " if source.invented else ""
    return f"{invented}Licence: {source.licence}. {count_of(source.records, 'run')} used in this pack."


def write_bibtex(pack: Pack) -> str:
    """The text of ``sources.bib``."""
    sources = named(pack.sources)
    keys = cite_keys(sources)
    head = "Invented demo data: no such publication exists.\n" if pack.invented else ""
    lines = [f"{head}Sources of the article pack: {pack.title}. {count_of(len(sources), 'entry', 'entries')}.", ""]
    for source in sources:
        kind, _ = _TYPES.get(source.medium, _OTHER)
        date = _date(source.published_on)
        fields = [
            ("author", "{" + tex(source.publisher) + "}"), ("title", "{" + tex(source.title) + "}"),
            (_WHERE[kind], tex(source.publisher)), ("year", str(date[0]) if date else ""),
            ("month", str(date[1]) if len(date) > 1 else ""), ("url", source.url), ("note", tex(_told(source))),
        ]  # fmt: skip
        lines += [f"@{kind}{{{keys[source.source]},"]
        lines += [f"  {name} = {{{text}}}," for name, text in fields if text]
        lines += ["}", ""]
    return "\n".join(lines)


def csl_items(pack: Pack) -> list[dict[str, Any]]:
    """Items of ``sources.json`` (Citation Style Language, CSL-JSON 1.0.2)."""
    sources = named(pack.sources)
    keys = cite_keys(sources)
    items = []
    for source in sources:
        item: dict[str, Any] = {
            "id": keys[source.source], "type": _TYPES.get(source.medium, _OTHER)[1], "title": source.title,
            "author": [{"literal": source.publisher}], "publisher": source.publisher, "note": _told(source),
        }  # fmt: skip
        if date := _date(source.published_on):
            item["issued"] = {"date-parts": [date]}
        if source.url:
            item["URL"] = source.url
        items.append(item)
    return items


def write_csl(pack: Pack) -> str:
    """The text of ``sources.json``."""
    return json.dumps(csl_items(pack), ensure_ascii=False, indent=2) + "\n"


_MAY = {
    Terms.OPEN: "yes, with its credit",
    Terms.ASK: "its single figures: ask the publisher first",
    Terms.PRIVATE: "no",
}


def write_licences(pack: Pack) -> str:
    """The text of ``licences.md``: what may be reprinted, source by source."""
    asked = [source for source in pack.sources if source.terms is Terms.ASK]
    lines = [
        "# What may be reprinted", "",
        *(["**Invented demo data: no such publication, engine or place exists.**", ""] if pack.invented else []),
        "- **Sentences, captions and figures of this pack** are results over many records. They may be printed, translated and "
        "shortened with the credit in `how-to-cite.md`; keep each sentence's range and its grade when you shorten it.",
        "- **Single records** (a row of a CSV file, a named build) stand under the terms of their source, below.",
        "- **The typeface** of the figures in `fonts/` is under the SIL Open Font License; the licence lies beside it and does not bind "
        "what is set in it.",
        "- The terms are those that contributors stated. This page is a summary, not legal advice.", "",
    ]  # fmt: skip
    if asked:
        lines += [
            f"Terms of {count_of(len(asked), 'source')} are not known here as open. Their rows are left out of the CSV files and their builds "
            "are drawn without names; averages rest on them like on all others.", "",
        ]  # fmt: skip
    if pack.private:
        lines += [
            f"{count_of(pack.private, 'source')} must not be passed on: counted in the averages, but neither named, drawn nor listed.",
            "",
        ]
    heads = ("source", "publisher", "title", "licence", "runs", "may be reprinted", "address")
    lines += markdown_table(
        heads, [(s.source, s.publisher, s.title, s.licence, s.records, _MAY[s.terms], s.url) for s in named(pack.sources)]
    )
    credits = [source.citation for source in named(pack.sources) if source.citation]
    if credits:
        lines += ["", "## Credit lines as the sources ask for them", "", *(f"- {markdown(text, 400)}" for text in credits)]
    return "\n".join([*lines, ""])


def write_how_to_cite(pack: Pack) -> str:
    """The text of ``how-to-cite.md``."""
    year = pack.made_on[:4]
    invented = "Invented demo data. " if pack.invented else ""
    rests = f"{count_of(pack.runs, 'run')} on {count_of(pack.builds, 'build')} by {count_of(pack.publishers, 'publisher')}"
    release = f"version {pack.version}, data {pack.fingerprint}"
    long = f"{invented}{COLLECTORS} ({year}): {pack.title}. Article pack of Poundworth, {release}, made on {pack.made_on}."
    return "\n".join([
        "# How to cite", "",
        *(["**Invented demo data: nothing here may be printed as a finding.**", ""] if pack.invented else []),
        "**In running text:** " + markdown(f"{invented}Poundworth study, {year}: {rests}."), "",
        "**Under a figure:** " + markdown(f"{invented}Figure: Poundworth study, {year}; data from {count_of(pack.publishers, 'publisher')}, listed with the pack."), "",
        "**In a list of references:** " + markdown(long), "",
        "Cite a single record by its source (`sources.bib`, `sources.json`) and its key in `data/records.csv`: source, file and line as contributed.", "",
        "State the version and the data mark: results change when records are added. Ask for the pack again before reprinting after a year.", "",
    ])  # fmt: skip
