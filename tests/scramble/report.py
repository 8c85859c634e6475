"""Write the scramble-and-recover table: `python tests/scramble/report.py` (about a minute) writes tests/reference/scramble_report.md."""

from __future__ import annotations

import sys
import tempfile
import types
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
if "tests" not in sys.modules:
    # Run as a script: name this checkout's tests, whatever package of that name an installed library brings along.
    package = types.ModuleType("tests")
    package.__path__ = [str(ROOT / "tests")]
    sys.modules["tests"] = package
    sys.path.insert(0, str(ROOT))

from tests.scramble.judge import Outcome, codes_of_clean, judge  # noqa: E402
from tests.scramble.kinds import all_mistakes  # noqa: E402
from tests.scramble.mistakes import Mistake  # noqa: E402

REPORT = ROOT / "tests" / "reference" / "scramble_report.md"
HEAD = """# Scramble and recover

Clean records with known truth (drawn from fixed seeds, {builds} builds of three runs a kind) are printed as contributors print
them, each kind of mistake is planted in every build, and the file is read through the whole pipeline. A build is *recovered* when
all its runs are stored with their true figures; else *refused* or *flagged* when one of its rows is, by a code that names the
mistake and that the clean build does not carry; else *missed*. Where boost or power is judged by the gain, the builds are
charge-cooled ones with 84 to 100 % of the rule. Written by `python tests/scramble/report.py`; checked by
`pytest -m slow tests/pipeline/test_scramble.py`.
"""
TABLE = "| mistake | planted | recovered | refused | flagged | missed | named by |\n|---|---:|---:|---:|---:|---:|---|\n"


def measure(folder: Path) -> list[tuple[Mistake, Outcome]]:
    """What became of every kind of mistake."""
    made = []
    for place, mistake in enumerate(all_mistakes()):
        rows, clean, wrong = mistake.sheets()
        made.append((mistake, judge(clean, wrong, rows, mistake.named_by, folder / str(place))))
    return made


def clean_alarms(folder: Path) -> dict[str, int]:
    """Code -> number of distinct clean sheets on which it was raised."""
    found: dict[str, int] = {}
    distinct = {(clean.kind, clean.text()): clean for _, clean, _ in (mistake.sheets() for mistake in all_mistakes())}
    for sheet in distinct.values():
        for code in codes_of_clean(sheet, folder):
            found[code] = found.get(code, 0) + 1
    return dict(sorted(found.items()))


def _line(name: str, outcome: Outcome) -> str:
    named = ", ".join(f"`{code}`" for code in outcome.codes)
    counts = " | ".join(str(n) for n in (outcome.planted, outcome.recovered, outcome.refused, outcome.flagged, outcome.missed))
    return f"| {name} | {counts} | {named} |\n"


def _total(outcomes: list[Outcome]) -> Outcome:
    sums = (sum(getattr(o, name) for o in outcomes) for name in ("planted", "recovered", "refused", "flagged", "missed"))
    return Outcome(*sums, codes=())


def write_report(measured: list[tuple[Mistake, Outcome]], alarms: dict[str, int]) -> str:
    """The report as Markdown."""
    told = [(m, o) for m, o in measured if m.reveals]
    untold = [(m, o) for m, o in measured if not m.reveals]
    parts = [HEAD.format(builds=measured[0][1].planted), "\n## Mistakes that the record reveals\n\n", TABLE]
    parts += [_line(m.name, o) for m, o in told]
    parts.append(_line("**all**", _total([o for _, o in told])))
    parts.append(
        "\n## Mistakes that such a record need not reveal\n\nThe columns named are all there is, and the scrambled record may be that "
        "of another engine, place or day. It is flagged where it goes\nbeyond what engines do; with one of the columns named above "
        "beside it, it is found.\n\n"
    )
    parts += [TABLE, *(_line(m.name, o) for m, o in untold)]
    parts.append("\n## Alarms on the clean records\n\nFlags that the clean sheets carry, none of which names a mistake:\n\n")
    parts += [f"- `{code}`: {sheets} sheets\n" for code, sheets in alarms.items()]
    return "".join(parts)


def main() -> None:
    """Measure and write."""
    with tempfile.TemporaryDirectory() as folder:
        measured = measure(Path(folder))
        REPORT.write_text(write_report(measured, clean_alarms(Path(folder))), encoding="utf-8")
    print(f"{len(measured)} kinds of mistake -> {REPORT.relative_to(ROOT)}")


if __name__ == "__main__":
    main()
