"""Write the awkward files and their manifest: `python tests/small_raw/make.py`.

Each case is a source folder under ``sources/``. What is expected of it is written by hand beside its content
(``text_cases.py``, ``record_cases.py``, ``file_cases.py``) and collected in ``expected.csv``. Content is invented throughout.
"""

from __future__ import annotations

import csv
import io
import shutil
import sys
from pathlib import Path

HERE = Path(__file__).resolve().parent
sys.path.insert(0, str(HERE))

from case import Case  # noqa: E402
from file_cases import FILE_CASES  # noqa: E402
from record_cases import RECORD_CASES  # noqa: E402
from text_cases import TEXT_CASES  # noqa: E402

CASES = (*TEXT_CASES, *RECORD_CASES, *FILE_CASES)
COLUMNS = (
    "name", "file", "rows_read", "accepted", "refused", "repeated", "runs", "points", "changes", "refused_lines", "flags", "values",
    "problem", "what",
)  # fmt: skip


def files_of(case: Case) -> dict[str, bytes]:
    """Name -> bytes of every file of a case's folder."""
    texts = {case.file: case.content, "source.toml": case.toml(), **case.others}
    return {name: content if isinstance(content, bytes) else content.encode() for name, content in texts.items()}


def manifest() -> str:
    """The text of expected.csv."""
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\n")
    writer.writerow(COLUMNS)
    for case in CASES:
        writer.writerow([getattr(case, column) for column in COLUMNS])
    return out.getvalue()


def main() -> None:
    """Write everything anew."""
    shutil.rmtree(HERE / "sources", ignore_errors=True)
    for case in CASES:
        folder = HERE / "sources" / case.name
        folder.mkdir(parents=True)
        for name, content in files_of(case).items():
            (folder / name).write_bytes(content)
    (HERE / "expected.csv").write_text(manifest(), encoding="utf-8")
    print(f"{len(CASES)} cases")


if __name__ == "__main__":
    main()
