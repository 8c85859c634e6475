"""Words for kinds of part and for kinds of engine."""

from __future__ import annotations

from reports.labels import COOLING, INDUCTION, clean_text, word_for


def part_words(kind: str) -> str:
    """A kind of part in words: ``cylinder_head + headers`` becomes ``Cylinder head + headers``."""
    words = clean_text(kind).replace("_", " ")
    return words[:1].upper() + words[1:] if words else "Not stated"


def engine_words(induction: str | None, charge_cooling: str | None, fuel: str | None = None) -> str:
    """A kind of engine in words, in lower case; what is open is left out."""
    said = [
        word_for(induction, INDUCTION).lower() if induction else "",
        word_for(charge_cooling, COOLING) if charge_cooling else "",
        clean_text(fuel).replace("_", " ") if fuel else "",
    ]
    return ", ".join(word for word in said if word) or "any engine of the study"
