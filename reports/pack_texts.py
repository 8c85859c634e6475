"""The Markdown files of an article pack: read me, findings, captions, method, limits, glossary."""

from __future__ import annotations

from collections.abc import Iterable

from models.estimate import Estimate
from reports.numbers import SYSTEMS, count_of, show_estimate, show_level
from reports.pack_records import GRADE_WORDS, Finding, Grade, Pack, Terms
from reports.pack_sources import COLLECTORS
from reports.pack_text import markdown, markdown_table, words_in
from reports.pack_words import CAUTIONS, GLOSSARY

INVENTED = (
    "**Invented demo data: no such publication, engine or place exists. Nothing in this pack may be printed as a finding.**"
)

#: A footnote names its records itself up to this many; beyond, the list stands in the data.
MOST_NAMED = 8


def head(pack: Pack, title: str) -> list[str]:
    """Title of a file, the stamp of invented data, and of a part of the data."""
    lines = [f"# {title}", ""]
    if pack.invented:
        lines += [INVENTED, ""]
    if pack.subset:
        lines += [f"A part of the data only: {markdown(pack.subset, 300)}.", ""]
    return lines


def stamp(pack: Pack) -> str:
    """Version, day and mark of the data."""
    return f"Poundworth {pack.version}, made on {pack.made_on}, data {pack.fingerprint}"


def write_findings(pack: Pack) -> str:
    """The text of ``findings.md``: sentences with their grade, each with a footnote to its stored result and records."""
    lines = head(pack, f"{pack.title}: findings")
    lines += [f"{markdown(stamp(pack))}. {_basis(pack)}.", ""]
    lines += ["**Before any figure:** " + markdown(CAUTIONS[0]), "", "## How firmly each may be told", ""]
    used = [grade for grade in GRADE_WORDS if any(one.grade is grade for one in pack.findings)]
    lines += markdown_table(("grade", "what it rests on", "how to word it"), [(g.value, *GRADE_WORDS[g]) for g in used])
    lines += [
        "",
        "Keep the range with the figure. Where a line says \u201cnot\u201d, it names the reading that the evidence does not carry.",
    ]
    section = ""
    for one in pack.findings:
        if one.section != section:
            section = one.section
            lines += ["", f"## {markdown(section)}", ""]
        lines.append(f"- **{one.key} \u00b7 {one.grade.value}.** {markdown(one.text.in_system(pack.units))}[^{one.key}]")
        if one.avoid:
            word = "Not" if one.avoid.startswith("Not ") else "Mind"
            lines.append(f"  *{word}:* {markdown(one.avoid.removeprefix('Not '))}")
    lines += ["", *(f"[^{one.key}]: {_footnote(one, pack)}" for one in pack.findings), ""]
    return "\n".join(lines)


def _basis(pack: Pack) -> str:
    return f"It rests on {count_of(pack.runs, 'run')} of {count_of(pack.builds, 'build')} by {count_of(pack.publishers, 'publisher')}"


def _footnote(one: Finding, pack: Pack) -> str:
    parts = [f"Stored result `{one.stored}`."]
    parts += [
        f"{markdown(name[:1].upper() + name[1:])}: {_figure(estimate, pack)}." for name, estimate in one.figures[:MOST_NAMED]
    ]
    if len(one.figures) > MOST_NAMED:
        parts.append(f"{len(one.figures) - MOST_NAMED} more in `findings.json`.")
    return " ".join([*parts, _records(one, pack)])


def _figure(estimate: Estimate, pack: Pack) -> str:
    if estimate.value is None or estimate.low is None or estimate.high is None:
        return markdown(estimate.why or "no range", 300).rstrip(".")
    shown = show_estimate(estimate, SYSTEMS[pack.units], share=False)
    of = f" of {count_of(estimate.builds, 'build')}" if estimate.builds else ""
    return markdown(f"{shown.full}, {show_level(estimate)}, {count_of(estimate.runs, 'run')}{of}")


def _records(one: Finding, pack: Pack) -> str:
    if one.records is None:
        some = any(0 < estimate.builds < pack.builds for _, estimate in one.figures)
        return f"Records: {'those that state what it needs among the' if some else 'all'} rows of `data/records.csv`."
    if one.elsewhere:
        return f"Records: {markdown(one.elsewhere)}"
    named = [key for key in one.records if pack.may_list(key)]
    silent = len(one.records) - len(named)
    beyond = f" {count_of(silent, 'record')} more may not be passed on." if silent else ""
    if len(named) <= MOST_NAMED:
        return f"Records: {', '.join(markdown(key) for key in named) or 'none that may be listed'}.{beyond}"
    return f"Records: the {len(named)} rows of `data/records.csv` that name {one.key}.{beyond}"


def write_captions(pack: Pack) -> str:
    """The text of ``captions.md``: caption, credit and alternative text of each figure."""
    lines = head(pack, "Captions and alternative texts")
    lines += [
        "Use the alternative text for screen readers; it says what the picture shows. Print the credit under each figure.",
        "",
    ]
    invented = "Invented demo data. " if pack.invented else ""
    credit = (
        f"{invented}Figure: Poundworth study, {pack.made_on[:4]}; {count_of(pack.publishers, 'publisher')}, listed with the pack."
    )
    for number, figure in enumerate(pack.figures, start=1):
        name, caption = file_name(number, figure.name), figure.caption
        lines += [
            f"## Figure {number}. {markdown(caption.question.in_system(pack.units))}", "",
            f"Files: `figures/{name}.svg`, `figures/{name}.png`, data in `data/{name}.csv`.", "",
            f"**Caption.** {markdown(caption.see.in_system(pack.units))}", "",
            f"**Alternative text.** {markdown(invented + caption.description.in_system(pack.units))}", "",
            f"**Credit.** {markdown(credit)}", "",
        ]  # fmt: skip
        if figure.left_out:
            lines += [
                f"{count_of(figure.left_out, 'row')} of sources whose terms are not known as open are left out of the data file.",
                "",
            ]
    return "\n".join(lines)


def file_name(number: int, name: str) -> str:
    """Name of a figure's files without ending: ``01-spread``."""
    return f"{number:02d}-{name.replace('_', '-')}"


def write_method(pack: Pack, text: str, title: str) -> str:
    """The text of a method box with its count of words."""
    return "\n".join([*head(pack, title), text, "", f"*{words_in(text)} words. {markdown(stamp(pack))}.*", ""])


def write_limits(pack: Pack) -> str:
    """The text of ``limits.md``."""
    return "\n".join([
        *head(pack, "Limits and cautions"),
        "Print the first caution with any figure that could lead somebody to raise boost.", "", "## Cautions", "",
        *_bullets(CAUTIONS), "", "## Limits", "", *_bullets(pack.limits), "",
        *(["## Noted with these results", "", *_bullets(pack.notes), ""] if pack.notes else []),
    ])  # fmt: skip


def _bullets(texts: Iterable[str]) -> list[str]:
    return [f"- {markdown(text, 900)}" for text in texts]


def write_glossary(pack: Pack) -> str:
    """The text of ``glossary.md``."""
    lines = head(pack, "Glossary")
    for term, meaning in GLOSSARY.items():
        lines += [f"**{term}:** {markdown(meaning)}", ""]
    return "\n".join(lines)


#: Files in the order of the read me; figures and their data beside them.
FILES: dict[str, str] = {
    "findings.md": "sentences, each with its grade and a footnote to its records; begin here",
    "findings.json": "the same for programs, with every figure and its interval",
    "captions.md": "caption, credit and alternative text of each figure",
    "figures/": "each figure as SVG (with its font inside) and as PNG at twice the size",
    "data/": "the data of each figure as CSV, and `records.csv`: the runs behind the findings, each with its baseline",
    "method-150.md": "how it was done, for a box",
    "method-600.md": "how it was done, in full",
    "limits.md": "limits, and cautions to print",
    "glossary.md": "terms in plain words",
    "how-to-cite.md": "credit lines for text, figures and references",
    "sources.bib": "sources as BibTeX",
    "sources.json": "sources as CSL-JSON",
    "licences.md": "what may be reprinted, source by source",
    "fonts/": "the typeface of the figures, for programs that do not read the one inside the SVG",
    "checksums.txt": "check with `sha256sum -c checksums.txt`",
}


def write_read_me(pack: Pack) -> str:
    """The text of ``README.md``."""
    asked = sum(source.terms is Terms.ASK for source in pack.sources)
    first = next((one for one in pack.findings if one.grade is not Grade.COUNTED), None)
    lines = [*head(pack, pack.title), f"{markdown(stamp(pack))}. {_basis(pack)}. Collected by {COLLECTORS}.", ""]
    lines += [f"**In one sentence.** {markdown(first.text.in_system(pack.units))}", ""] if first else []
    lines += ["**Before any figure:** " + markdown(CAUTIONS[0]), "", "## What is here", ""]
    lines += [f"- `{name}`: {words}" for name, words in FILES.items()]
    lines += [f"- `data/{name}.csv`: {words}" for name, words, _ in pack.tables]
    lines += ["", "## Writing from it", ""]
    lines += [
        "1. Take sentences from `findings.md` with their range; keep to the wording that their grade allows.",
        "2. Give the range for the next engine beside every average: readers have one engine.",
        "3. Print a figure with its caption and credit, and the first caution of `limits.md`.",
        "4. Explain the rule and the share of the rule once; `glossary.md` has both in a sentence.",
    ]
    if asked or pack.private:
        lines += [
            "",
            "Some sources may not be reprinted freely, and some not at all: `licences.md` says which and what was left out.",
        ]
    lines += [
        "", "Text that came with the records stands as it was contributed, in whatever language. In CSV a text that a spreadsheet would take for a "
        "formula has an apostrophe in front.", "",
    ]  # fmt: skip
    return "\n".join(lines)
