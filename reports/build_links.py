"""Anchors of builds and sources: one short, stable name for each, which every page links by."""

from __future__ import annotations

import hashlib

BUILDS_PAGE = "builds.html"


def build_anchor(build_key: str) -> str:
    """Anchor of a build's panel. Keys hold contributed text of any kind; their digest is safe in an address."""
    return "b-" + hashlib.sha256(build_key.encode("utf-8", "surrogatepass")).hexdigest()[:12]


def source_anchor(source: str) -> str:
    """Anchor of a source."""
    return "s-" + hashlib.sha256(source.encode("utf-8", "surrogatepass")).hexdigest()[:12]


def build_link(build_key: str) -> str:
    """Address of a build's panel from any page beside it."""
    return f"{BUILDS_PAGE}#{build_anchor(build_key)}"


def source_link(source: str) -> str:
    """Address of the builds of a source from any page beside it."""
    return f"{BUILDS_PAGE}#{source_anchor(source)}"


def key_of_build(source: str, publisher: str, build: str) -> str:
    """Key of a build from its parts, as the clean tables write it: ``source|publisher|build``, bars and backslashes escaped."""
    return "|".join(part.replace("\\", "\\\\").replace("|", "\\|") for part in (source, publisher, build))
