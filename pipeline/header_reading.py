"""One header to its meaning: field, unit, side, boost level and what the words themselves state.

A header is read in this order, and the first reading that holds is taken: an exact field name; a stem with a unit of
the stem's quantity; an alias with or without a unit; the same after words that say something about the rest
(``before``, ``SAE``, ``peak``, ``wheel``, ``6 psi``) are set aside. Nothing here is fuzzy.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import replace
from functools import lru_cache

from pipeline.fields import FIELDS, Field
from pipeline.header_units import (
    ABSOLUTE_FIELDS,
    ALIAS,
    EDGES,
    EXACT,
    FIGURES,
    GAUGE_FIELDS,
    NOTHING,
    STEM,
    Reading,
    canonical_unit,
    settle,
    settle_with_unit,
    stated_unit,
    unit_not_stated,
    with_pressure_kind,
)  # fmt: skip
from pipeline.header_words import SIDE_ROLES, HeaderWord, header_table
from pipeline.units import Unit, find_unit
from pipeline.words import fold_words, widen

#: How many describing words are set aside: "peak SAE corrected wheel hp before" has four with its side.
DEEPEST = 4
#: A header of more words is a sentence.
MOST_WORDS = 14

_NUMBER = re.compile(r"(?<![A-Za-z0-9.,/])(\d{1,3}(?:[.,]\d{1,3})?)(?![0-9.,])")
_BRACKETS = re.compile(r"\(([^()]*)\)|\[([^\[\]]*)\]|\{([^{}]*)\}|<([^<>]*)>|【([^【】]*)】")
_SEPARATOR = re.compile(r"[,;:/|=~–—-]|(?<=\s)@(?=\s)")
#: Units that folding drops; a name beside one of them is not yet the whole header.
_UNIT_MARK = re.compile('[%°"″]')
_HUMP = re.compile(r"(?<=[a-z]{2})(?=[A-Z])")


@lru_cache(maxsize=8192)
def read_header(text: str) -> Reading:
    """The meaning of one header on its own.

    Parameters
    ----------
    text : the header as contributed.

    Returns
    -------
    Reading, with `field` None where the header is not recognised or says only a side.
    """
    plain = widen(text).strip(" \t\r\n\"'")
    if not fold_words(plain) or len(plain.split()) > MOST_WORDS:
        return _read_direct(plain) if plain in FIELDS else NOTHING
    first = _read(plain, 0)
    if first.field is None and not first.is_bare and _HUMP.search(plain):
        second = _read(_HUMP.sub(" ", plain), 0)
        return second if second.field is not None else first
    return first


@lru_cache(maxsize=8192)  # the same rest is reached by setting words aside in any order
def _read(text: str, depth: int) -> Reading:
    direct = _read_direct(text)
    if direct.field is not None or depth >= DEEPEST:
        return direct
    level = _read_level(text, depth)
    if level is not None:
        return level
    doubtful = direct
    for rest, word in _peelings(text):
        inner = _describe(word, _read(rest, depth + 1), is_alone=not fold_words(rest))
        if inner.field is not None or inner.is_bare:
            return inner
        if doubtful.doubt is None and inner.doubt is not None:
            doubtful = inner
    return doubtful


def _read_direct(text: str) -> Reading:
    """An exact name, an alias, or one of them with a unit; sides and describing words are not looked for."""
    table = header_table()
    folded = fold_words(text)
    if text in FIELDS:
        return settle(FIELDS[text], canonical_unit(FIELDS[text]), EXACT, text)
    if folded in table.names and not _UNIT_MARK.search(text):
        named = FIELDS[table.names[folded]]
        return settle(named, canonical_unit(named), STEM, text)
    doubtful = NOTHING if _UNIT_MARK.search(text) else _read_name(folded, text)
    if doubtful.field is not None and doubtful.doubt is None:
        return doubtful
    for stem, unit_text, is_bracketed in _splits(text):
        found = _read_with_unit(fold_words(stem), unit_text, is_bracketed)
        if found.field is not None:
            return found
        if found.doubt is not None and doubtful.field is None and doubtful.doubt is None:
            doubtful = found
    return doubtful


def _read_name(folded: str, text: str) -> Reading:
    """A whole header that is a stem or an alias; the alias may itself be a unit ("whp", "psia")."""
    table = header_table()
    if folded in table.stems:
        return settle(table.stems[folded][0], stated_unit(text, table.stems[folded][0]), STEM, text)
    word = table.aliases.get(folded)
    if word is None:
        return NOTHING
    if word.field is None:
        return Reading(None, candidates=word.candidates, doubt=word.note)
    named = FIELDS[word.field]
    return _with_word(settle(named, stated_unit(text, named), ALIAS, text), word)


def _with_word(reading: Reading, word: HeaderWord) -> Reading:
    if reading.field is None:
        return reading
    return replace(reading, implied=word.implied | reading.implied, otherwise=word.otherwise)


def _splits(text: str) -> Iterator[tuple[str, str, bool]]:
    """(name, unit, is bracketed) for each place where a unit may stand, the likeliest first."""
    for match in _BRACKETS.finditer(text):
        inner = next(group for group in match.groups() if group is not None)
        yield f"{text[: match.start()]} {text[match.end() :]}", inner, True
    for match in reversed(list(_SEPARATOR.finditer(text))):
        yield text[: match.start()], text[match.end() :].strip(EDGES), False
    tokens = re.split(r"[\s_]+", text.strip(EDGES))
    connectors = header_table().connectors
    for size in range(min(4, len(tokens) - 1), 0, -1):
        name, unit_text = tokens[:-size], " ".join(tokens[-size:])
        yield " ".join(name), unit_text, False
        if len(name) > 1 and fold_words(name[-1]) in connectors:
            yield " ".join(name[:-1]), unit_text, False
    for size in range(min(3, len(tokens) - 1), 0, -1):
        yield " ".join(tokens[size:]), " ".join(tokens[:size]), False


def _read_with_unit(stem: str, unit_text: str, is_bracketed: bool) -> Reading:
    table = header_table()
    word = table.aliases.get(stem)
    names: tuple[tuple[Field, int], ...] = tuple((each, STEM) for each in table.stems.get(stem, ()))
    if stem in table.names:
        names += ((FIELDS[table.names[stem]], STEM),)
    if word is not None and word.field is not None:
        names += ((FIELDS[word.field], ALIAS),)
    doubtful = NOTHING
    for named, rank in names:
        found = settle_with_unit(named, unit_text, is_bracketed, rank)
        if found.field is not None:
            return _with_word(found, word) if rank == ALIAS and word is not None else found
        doubtful = doubtful if doubtful.doubt else found
    return doubtful


def _peelings(text: str) -> Iterator[tuple[str, HeaderWord]]:
    """(rest, word) for each describing word or phrase that the text holds, the longest first.

    Sides are looked for at the two ends only (a unit may follow); the rest keeps its brackets unless the word stood inside them.
    """
    table = header_table()
    tokens = [token for token in re.split(r"[\s_,;/|-]+", text) if fold_words(token) or _UNIT_MARK.search(token)]
    folded = [fold_words(token) for token in tokens]
    for size in range(min(table.longest, len(tokens)), 0, -1):
        for start in range(len(tokens) - size + 1):
            chosen = tokens[start : start + size]
            word = table.modifiers.get(" ".join(folded[start : start + size]))
            if word is not None and (word.role not in SIDE_ROLES or start == 0 or _may_follow_side(tokens[start + size :])):
                yield _joined(tokens[:start] + tokens[start + size :], chosen), word
    yield from _cjk_peelings(tokens)


def _may_follow_side(tokens: list[str]) -> bool:
    """A side stands last but for the unit: "power before (kW)", "power before, kW"."""
    following = " ".join(tokens)
    return not following or following[0] in "([{<" or find_unit(following) is not None


def _joined(rest: list[str], taken: list[str]) -> str:
    text = " ".join(rest)
    return re.sub(r"[()\[\]{}<>]", " ", text).strip() if any(mark in "".join(taken) for mark in "()[]{}<>") else text


def _cjk_peelings(tokens: list[str]) -> Iterator[tuple[str, HeaderWord]]:
    """Describing words at the start or end of a word written without spaces, the longest first."""
    for word in () if all(token.isascii() for token in tokens) else header_table().cjk_modifiers:
        for place, token in enumerate(tokens):
            if len(token) <= len(word.alias):
                continue
            if token.startswith(word.alias):
                yield " ".join([*tokens[:place], token[len(word.alias) :], *tokens[place + 1 :]]), word
            elif token.endswith(word.alias):
                yield " ".join([*tokens[:place], token[: -len(word.alias)], *tokens[place + 1 :]]), word


def _describe(word: HeaderWord, inner: Reading, is_alone: bool) -> Reading:
    """What a describing word makes of the reading of the rest; `NOTHING` where the two do not go together."""
    if word.role in SIDE_ROLES:
        if is_alone:
            return Reading(None, role=word.role, is_bare=True)
        return replace(inner, role=word.role) if inner.role == "" and (inner.field or inner.doubt) else NOTHING
    if word.role in ("absolute", "gauge"):
        is_pressure = inner.field in GAUGE_FIELDS | ABSOLUTE_FIELDS
        return with_pressure_kind(inner, word.role) if is_pressure else NOTHING
    if is_alone or (inner.field is not None and inner.field not in FIGURES) or (inner.field is None and not inner.is_bare):
        return replace(NOTHING, doubt=inner.doubt, candidates=inner.candidates)
    if inner.unit is None and find_unit(word.alias) is not None:
        return NOTHING  # "power_rad" is a radian, "Leistung Rad (PS)" the wheel
    if word.role == "peak":
        return replace(inner, is_peak=True)
    if inner.is_bare:
        return replace(inner, implied=word.implied | inner.implied)
    merged = word.implied | inner.implied
    clash = [name for name, code in word.implied.items() if merged[name] != code]
    doubt = f"the header says both {word.implied[clash[0]]} and {merged[clash[0]]}" if clash else inner.doubt
    return Reading(None, candidates=(str(inner.field),), doubt=doubt) if clash else replace(inner, implied=merged)


def _read_level(text: str, depth: int) -> Reading | None:
    """A power at a stated boost ("6 psi", "hp @ 6 psi", "power_hp_8psi"), or None where no level is stated."""
    for match in _NUMBER.finditer(text):
        tokens = re.split(r"([\s_]+)", text[match.end() :].lstrip(" \t_"))
        for size in range(min(5, len(tokens)), 0, -2):
            unit_text = "".join(tokens[:size])
            unit = (
                find_unit(unit_text.strip(EDGES.replace(".", "")), "pressure")
                if fold_words(unit_text) or "#" in unit_text
                else None
            )
            if unit is not None and (plain := find_unit(unit_text)) is not None and plain.quantity != "pressure":
                unit = None
            if unit is not None:
                rest = _without_level_words(f"{text[: match.start()]} {''.join(tokens[size:])}")
                return _level(float(match.group(1).replace(",", ".")), unit, rest, depth)
    return None


def _without_level_words(text: str) -> str:
    words = header_table().level_words
    tokens = [token for token in re.split(r"[\s_]+", text) if fold_words(token)]
    while tokens and fold_words(tokens[0]) in words:
        tokens = tokens[1:]
    while tokens and fold_words(tokens[-1]) in words:
        tokens = tokens[:-1]
    return " ".join(tokens).strip(" \t@,;:=-–—")


def _level(boost: float, unit: Unit, rest: str, depth: int) -> Reading:
    inner = _read(rest, depth + 1) if fold_words(rest) else Reading("power_kw", is_bare=True, doubt=unit_not_stated("power_kw"))
    if inner.is_bare and inner.field is None and inner.role in ("boosted", "after"):
        inner = replace(inner, field="power_kw", role="", doubt=unit_not_stated("power_kw"))
    if inner.role in ("boosted", "after"):
        inner = replace(inner, role="")
    if inner.field is None or inner.role != "":
        return replace(NOTHING, doubt=inner.doubt, candidates=inner.candidates)
    if inner.field not in ("power_kw", "observed_power_kw"):
        return Reading(
            None,
            candidates=(inner.field,),
            doubt=f"only power is read at each boost level, not {inner.field}; give one line per run instead",
        )
    if unit.pressure_kind == "absolute":
        return Reading(
            None,
            candidates=("power_kw",),
            doubt=f"the level {boost:g} {unit.name} is absolute pressure; state the gauge boost of each column",
        )
    return replace(inner, role="level", level_boost=boost, level_unit=unit.name)
