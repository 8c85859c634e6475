"""Words for codes, and contributed text made safe to set in a line.

Contributed names may hold anything. Escaping for HTML is the template's work; here control
and direction characters go (they could turn the words around them) and endless names are cut.
"""

from __future__ import annotations

import unicodedata
from urllib.parse import urlsplit

#: Longest contributed name that a table or chart sets; the rest stays in the records.
LONGEST_NAME = 90

INDUCTION: dict[str, str] = {
    "turbocharger": "Turbocharger",
    "centrifugal": "Centrifugal supercharger",
    "positive_displacement": "Positive-displacement supercharger",
    "unstated": "Induction not stated",
}
COOLING: dict[str, str] = {
    "air_to_air": "air-to-air cooled",
    "air_to_water": "air-to-water cooled",
    "none": "uncooled",
    "unstated": "cooling not stated",
}
QUALITY: dict[str, str] = {
    "same_session": "baseline from the same session",
    "same_engine": "baseline from the same engine",
    "same_spec": "baseline from another engine of the same build",
    "stated": "baseline is a stated rating",
}
AMBIENT: dict[str, str] = {
    "recorded": "air pressure recorded",
    "altitude": "air pressure from the altitude",
    "assumed": "air pressure assumed at sea level",
}
HARDWARE: dict[str, str] = {
    "compressor_removed": "compressor removed for the baseline",
    "fitted_bypassed": "compressor fitted but bypassed for the baseline",
    "fitted_lowest_boost": "compressor at its lowest boost for the baseline",
    "belt_off": "drive belt off for the baseline",
    "unstated": "hardware of the baseline not stated",
}
MEASURED_AT: dict[str, str] = {"crank": "measured at the crank", "hub": "measured at the hubs", "wheel": "measured at the wheels"}

#: Standing counts of the flow of records; other steps are reasons why records stayed behind.
FLOW_STEPS: dict[str, str] = {
    "rows read": "Rows read",
    "rows accepted": "Rows accepted",
    "refused": "Rows refused by a check",
    "repeated": "Rows published before under another name",
    "runs": "Runs in the clean tables",
    "runs analysed": "Runs analysed, baselines among them",
    "builds analysed": "Builds analysed",
}
#: Standing counts that stay behind.
FLOW_LOSSES = frozenset({"refused", "repeated"})


def word_for(code: str | None, words: dict[str, str]) -> str:
    """Words for a code; a code without words is shown with spaces, a missing one as unstated."""
    key = code or "unstated"
    return words.get(key, clean_text(key).replace("_", " "))


def clean_text(text: str, longest: int = LONGEST_NAME) -> str:
    """Contributed text without control and direction characters, in one line, cut at ``longest`` characters."""
    # What Python calls printable holds no control, format or direction character.
    kept = (
        text
        if text.isprintable()
        else "".join(" " if unicodedata.category(c) in {"Cc", "Zl", "Zp"} else c for c in text if not _is_hidden(c))
    )
    line = " ".join(kept.split())
    return line if len(line) <= longest else line[: longest - 1].rstrip() + "\u2026"


def _is_hidden(character: str) -> bool:
    """Format characters (bidi marks and overrides, zero-width joints) and lone surrogates."""
    return unicodedata.category(character) in {"Cf", "Cs"}


def safe_url(url: str | None) -> str | None:
    """The address where it is plain http or https with a host; None for anything else, however dressed up."""
    if not url or any(ord(c) <= 32 or c in "\"'<>\\`" for c in url):
        return None
    try:
        parts = urlsplit(url)
    except ValueError:
        return None
    return url if parts.scheme.lower() in {"http", "https"} and parts.hostname else None
