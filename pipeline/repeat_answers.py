"""A human's answers about tests that look alike: `same_as` and `not_same` of source.toml.

``same_as."Build" = "other source|publisher|build"`` says that a build repeats another one, which is then
the one counted; ``not_same`` says that the two are different tests and are never asked about again.
An answer that names no build of the store is kept with the sentence that says what to mend.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace

import polars as pl
from rapidfuzz import process

from pipeline.toml_text import text_literal

SAME, NOT_SAME = "same", "not_same"
#: A suggestion for a misspelt key must be this alike (0 to 100), or none is made.
ALIKE = 80.0


@dataclass(frozen=True, slots=True)
class Answer:
    """One answer.

    Attributes
    ----------
    source : source whose source.toml gives it.
    build, other : the two builds as written there.
    answer : ``same`` or ``not_same``.
    build_key, other_key : the builds that are meant; None where none was found.
    problem : what is wrong with the answer, or None.
    """

    source: str
    build: str
    other: str
    answer: str
    build_key: str | None = None
    other_key: str | None = None
    problem: str | None = None


ANSWER_SCHEMA: dict[str, type[pl.DataType]] = dict.fromkeys(Answer.__dataclass_fields__, pl.String)


def answers_of(
    source: str, same_as: Mapping[str, str | Sequence[str]], not_same: Mapping[str, str | Sequence[str]]
) -> list[Answer]:
    """The answers of one source.toml, not yet matched to builds; a value may be one key or a list of keys."""
    return [
        Answer(source, build, other, kind)
        for kind, table in ((SAME, same_as), (NOT_SAME, not_same))
        for build, others in table.items()
        for other in ([others] if isinstance(others, str) else others)
    ]


def match_answers(answers: Iterable[Answer], builds: pl.DataFrame) -> tuple[Answer, ...]:
    """Find the builds that answers name.

    Parameters
    ----------
    answers : as `answers_of` gives them.
    builds : build_key, source, build.
    """
    answers = tuple(answers)
    if not answers:
        return ()
    keys = dict(zip(builds["build_key"], builds["source"], strict=True))
    named: dict[tuple[str, str], list[str]] = {}
    for key, source, build in zip(builds["build_key"], builds["source"], builds["build"], strict=True):
        # A build may be written as its name, as publisher|build where two publishers share the name, or as its whole key.
        for form in {build, key.removeprefix(_escaped(source) + "|"), key}:
            named.setdefault((source, form), []).append(key)
    return tuple(_match(answer, keys, named) for answer in answers)


def _match(answer: Answer, keys: Mapping[str, str], named: Mapping[tuple[str, str], list[str]]) -> Answer:
    where = f"{answer.source}/source.toml: {'same_as' if answer.answer == SAME else 'not_same'}"
    mine = named.get((answer.source, answer.build), [])
    if not mine:
        ours = [form for source, form in named if source == answer.source]
        return replace(
            answer,
            problem=f"{where} names the build {answer.build!r}, which this source does not have{_near(answer.build, ours)}",
        )
    if len(mine) > 1:
        return replace(
            answer,
            problem=f"{where} names the build {answer.build!r}, which {len(mine)} publishers of this source have; "
            'write "publisher|build"',
        )
    if answer.other not in keys:
        return replace(
            answer,
            build_key=mine[0],
            problem=f"{where} compares {answer.build!r} with {answer.other!r}, which is no build of the store; "
            f'write "source|publisher|build"{_near(answer.other, list(keys))}',
        )
    if answer.other == mine[0]:
        return replace(
            answer, problem=f"{where} compares {answer.build!r} with itself; name the other build, or take the line out"
        )
    return replace(answer, build_key=mine[0], other_key=answer.other)


def _near(text: str, known: list[str]) -> str:
    found = process.extractOne(text, known, score_cutoff=ALIKE)
    return f"; did you mean {found[0]!r}?" if found else ""


def _escaped(part: str) -> str:
    return part.replace("\\", "\\\\").replace("|", "\\|")


def answers_frame(answers: Iterable[Answer]) -> pl.DataFrame:
    """Answers as the rows of the store's table."""
    rows = [tuple(getattr(a, name) for name in ANSWER_SCHEMA) for a in answers]
    return pl.DataFrame(rows, schema=ANSWER_SCHEMA, orient="row")


def toml_text(text: str) -> str:
    """A TOML basic string that reads back equal; what cannot be seen (controls, direction marks) is written as an escape."""
    return "".join(c if c.isprintable() else f"\\U{ord(c):08X}" for c in text_literal(text))


def own_name(key: str, source: str, build: str, is_shared: bool) -> str:
    """How a source.toml names one of its builds: by its name, or as publisher|build where its publishers share the name."""
    return key.removeprefix(_escaped(source) + "|") if is_shared else build


def answer_line(answer: str, build: str, others: Sequence[str]) -> str:
    """The line of source.toml that gives an answer; several others of one build become a list.

    Parameters
    ----------
    answer : ``same`` or ``not_same``.
    build : the build as its own source names it (or publisher|build).
    others : keys of the other builds.
    """
    verb = "same_as" if answer == SAME else "not_same"
    keys = [toml_text(key) for key in others]
    return f"{verb}.{toml_text(build)} = {keys[0] if len(keys) == 1 else '[' + ', '.join(keys) + ']'}"
