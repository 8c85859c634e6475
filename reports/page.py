"""One self-contained page: script and style inside, a content policy that the browser enforces, and a safe write to disk.

The policy names each script by its hash, so that nothing else runs, and allows no address at all, so that the page cannot
reach the network. (Vega sets inline styles; therefore styles alone are allowed inline.)
"""

from __future__ import annotations

import base64
import hashlib
import json
import math
import os
import tempfile
from collections.abc import Iterable, Sequence
from functools import cache
from pathlib import Path
from typing import Any

from jinja2 import Environment, FileSystemLoader, StrictUndefined
from markupsafe import Markup

from reports.bundle import chart_bundle
from reports.stored_results import CHART_RESULTS
from reports.theme import DARK, LIGHT, css_variables

TEMPLATES = Path(__file__).parent / "templates"

#: Characters that end a script element, open a comment in it, or count as a line's end in older scripts.
_UNSAFE = {"<": "\\u003c", ">": "\\u003e", "&": "\\u0026", "\u2028": "\\u2028", "\u2029": "\\u2029"}


def script_json(value: Any) -> Markup:
    """JSON that is safe inside a script element; numbers that are not finite become null."""
    try:
        text = _plain_json(value)
    except ValueError:  # a number that is not finite; most pages hold none, and need no copy of all they say
        text = _plain_json(_finite(value))
    for character, escape in _UNSAFE.items():
        text = text.replace(character, escape)
    return Markup(text)


def _plain_json(value: Any) -> str:
    return json.dumps(value, ensure_ascii=False, separators=(",", ":"), allow_nan=False)


def _finite(value: Any) -> Any:
    if isinstance(value, float):
        return value if math.isfinite(value) else None
    if isinstance(value, dict):
        return {str(key): _finite(item) for key, item in value.items()}
    if isinstance(value, list | tuple):
        return [_finite(item) for item in value]
    return value


def columns_of(rows: list[dict[str, Any]]) -> dict[str, list[Any]]:
    """Rows as one list for each field: half the size of a list of rows."""
    names = list(dict.fromkeys(name for row in rows for name in row))
    return {name: [row.get(name) for row in rows] for name in names}


def content_policy(scripts: list[str]) -> str:
    """Content security policy that runs exactly these scripts and fetches nothing."""
    hashes = " ".join(f"'sha256-{base64.b64encode(hashlib.sha256(script.encode()).digest()).decode()}'" for script in scripts)
    return (
        f"default-src 'none'; script-src {hashes}; style-src 'unsafe-inline'; img-src data:; "
        "base-uri 'none'; form-action 'none'; object-src 'none'"
    )


def _checked_script(text: str) -> Markup:
    lowered = text.lower()
    if "</script" in lowered or "<!--" in lowered:
        raise ValueError("A script of the page holds text that would end its element; none of the page's own scripts may.")
    return Markup(text)


def _style(template: str) -> str:
    """Style of every page, followed by that of this one where it has some of its own."""
    files = [TEMPLATES / "page.css", (TEMPLATES / template).with_suffix(".css")]
    return "".join(file.read_text(encoding="utf-8") for file in files if file.exists())


def _script(file: str) -> str:
    return (TEMPLATES / file).read_text(encoding="utf-8").replace("\r\n", "\n")


def _own_scripts(template: str) -> list[str]:
    """Scripts of this page alone, which stand beside its template where it has some; those that its main one uses come first."""
    stem = Path(template).stem
    files = [*sorted(file.name for file in TEMPLATES.glob(f"{stem}_*.js")), f"{stem}.js"]
    return [_script(file) for file in files if (TEMPLATES / file).exists()]


#: Pages of the report in the order of their links: file -> name.
PAGES: dict[str, str] = {
    "index.html": "Start",
    "study.html": "Study",
    "parts.html": "Parts or boost",
    "engine.html": "One engine",
    "claims.html": "Claims",
    "builds.html": "Builds",
    "data.html": "Data",
    "method.html": "Method",
    "appendix.html": "Appendix",
    "stored.html": "Stored results",
}


def page_links(here: str, written: Iterable[str]) -> list[dict[str, Any]]:
    """Links between the pages that are written together; `here` is the page that shows them."""
    return [{"file": file, "name": name, "here": file == here} for file, name in PAGES.items() if file in {here, *written}]


@cache
def _environment() -> Environment:
    """One for all pages: a template that several include is compiled once."""
    made = Environment(
        loader=FileSystemLoader(TEMPLATES), autoescape=True, undefined=StrictUndefined, trim_blocks=True, lstrip_blocks=True
    )
    made.globals["chart_results"] = CHART_RESULTS
    return made


def prepare_pages(files: Iterable[str]) -> None:
    """Compile the templates of pages with charts and unpack the chart library, before it is known what the pages are to show."""
    shared = [file for file in _environment().list_templates(["html"]) if file not in PAGES]
    for file in (*files, *shared):
        _environment().get_template(file)
    chart_bundle()


def render_page(template: str, *, pages: Sequence[dict[str, Any]] = (), with_charts: bool = True, **context: Any) -> str:
    """A page from a template of ``reports/templates``: everything escaped, scripts hashed, colours from the theme.

    Without ``with_charts`` the chart library stays out, which is most of a page's size.
    """
    scripts = [chart_bundle() if with_charts else "", _script("page.js"), *_own_scripts(template)]
    return (
        _environment()
        .get_template(template)
        .render(
            policy=content_policy(scripts),
            bundle=_checked_script(scripts[0]),
            script=_checked_script(scripts[1]),
            own_scripts=[_checked_script(script) for script in scripts[2:]],
            style=Markup(_style(template)),
            light=Markup(css_variables(LIGHT)),
            dark=Markup(css_variables(DARK)),
            pages=pages,
            **context,
        )
    )


def write_page(html: str, out: Path) -> Path:
    """Write a page whole or not at all, so that a reader never opens half of one."""
    out.parent.mkdir(parents=True, exist_ok=True)
    handle, name = tempfile.mkstemp(dir=out.parent, prefix=f".{out.name}.", suffix=".part")
    part = Path(name)
    try:
        with os.fdopen(handle, "w", encoding="utf-8", newline="\n") as file:
            file.write(html)
        part.chmod(0o644)
        part.replace(out)
    finally:
        part.unlink(missing_ok=True)
    return out
