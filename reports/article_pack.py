"""The article pack: everything a writer needs to print what the study found, in one folder, the same bytes each time.

The pack is made from stored results alone. Files of ``data_raw``, refused rows, columns that were not recognised, free notes, and
the persons who wrote or sent in a source are never read, so that no contributor's working copy can enter it.
"""

from __future__ import annotations

import hashlib
import json
import shutil
import tempfile
from collections.abc import Callable, Iterator
from dataclasses import asdict
from pathlib import Path
from typing import Any

from pipeline.errors import RequestProblem
from reports.numbers import SYSTEMS
from reports.pack_figures import draw_figure
from reports.pack_font import FONT_FILES, FONT_LICENCE, FONTS
from reports.pack_records import Pack
from reports.pack_sources import write_bibtex, write_csl, write_how_to_cite, write_licences
from reports.pack_text import csv_text, figure_csv
from reports.pack_texts import (
    file_name,
    write_captions,
    write_findings,
    write_glossary,
    write_limits,
    write_method,
    write_read_me,
)

SUMS = "checksums.txt"
FINDINGS = "findings.json"
#: First line of every pack's findings for programs, by which an earlier pack is known.
PACK_NAME = "poundworth-pack"

Progress = Callable[[int, int, str], None]


def pack_files(pack: Pack, progress: Progress | None = None) -> Iterator[tuple[str, bytes]]:
    """Every file of the pack with its content, in order; the list of sums comes last."""
    sums = {}
    for path, content in _contents(pack, progress):
        sums[path] = hashlib.sha256(content).hexdigest()
        yield path, content
    yield SUMS, "".join(f"{sums[path]}  {path}\n" for path in sorted(sums)).encode()


def _contents(pack: Pack, progress: Progress | None) -> Iterator[tuple[str, bytes]]:
    short, long = pack.method
    texts = {
        "README.md": write_read_me(pack), "findings.md": write_findings(pack), FINDINGS: _findings_json(pack),
        "captions.md": write_captions(pack), "method-150.md": write_method(pack, short, "How it was done"),
        "method-600.md": write_method(pack, long, "How it was done, in full"), "limits.md": write_limits(pack),
        "glossary.md": write_glossary(pack), "how-to-cite.md": write_how_to_cite(pack), "sources.bib": write_bibtex(pack),
        "sources.json": write_csl(pack), "licences.md": write_licences(pack), "data/records.csv": _records_csv(pack),
    }  # fmt: skip
    for path, text in texts.items():
        yield path, text.encode()
    for name, _, text in pack.tables:
        yield f"data/{name}.csv", text.encode()
    system = SYSTEMS[pack.units]
    for number, figure in enumerate(pack.figures, start=1):
        name = file_name(number, figure.name)
        if progress is not None:
            progress(number - 1, len(pack.figures), figure.name)
        svg, png = draw_figure(figure, system, pack.invented)
        yield f"figures/{name}.svg", svg.encode()
        yield f"figures/{name}.png", png
        yield f"data/{name}.csv", figure_csv(figure.columns, figure.data, system, invented=pack.invented).encode()
    for file in (*FONT_FILES.values(), FONT_LICENCE):
        yield f"fonts/{file}", (FONTS / file).read_bytes()


def _findings_json(pack: Pack) -> str:
    content = {
        "name": PACK_NAME, "about": pack.about, "title": pack.title, "invented": pack.invented, "version": pack.version,
        "made_on": pack.made_on, "fingerprint": pack.fingerprint, "subset": pack.subset, "units": pack.units, "builds": pack.builds,
        "runs": pack.runs, "publishers": pack.publishers,
        "findings": [
            {
                "key": one.key, "section": one.section, "grade": one.grade.value, "text": one.text.in_system(pack.units),
                "avoid": one.avoid, "stored": one.stored, "figures": [{"name": name, **e.to_json()} for name, e in one.figures],
                "records": None if one.records is None else [key for key in one.records if pack.may_list(key)],
                "elsewhere": one.elsewhere,
            }
            for one in pack.findings
        ],
    }  # fmt: skip
    return json.dumps(content, ensure_ascii=False, indent=2, allow_nan=False) + "\n"


def _records_csv(pack: Pack) -> str:
    """Every run that a finding rests on and that may be passed on, with the findings that name it; those on all runs are ``all``."""
    system = SYSTEMS[pack.units]
    power, boost = system.scales["power"], system.scales["boost"]
    naming: dict[str, list[str]] = {}
    for one in pack.findings:
        for key in one.records or ():
            naming.setdefault(key, []).append(one.key)
    heads = (
        "record", "source", "publisher", "build", "what", f"baseline [{power.unit}]", f"power [{power.unit}]", f"boost [{boost.unit}]",
        "gain", "share of the rule", "findings",
    )  # fmt: skip
    rows = [
        (
            record.key, record.source, record.publisher, record.build, record.what, _times(record.baseline_kw, power.factor),
            _times(record.power_kw, power.factor), _times(record.boost_kpa, boost.factor), record.gain, record.share_of_rule,
            "; ".join(["all", *naming.get(record.key, [])]),
        )
        for record in pack.records
    ]  # fmt: skip
    return csv_text(heads, rows, invented=pack.invented)


def _times(value: float | None, factor: float) -> float | None:
    return None if value is None else value * factor


# --- writing ------------------------------------------------------------------------------------------------------------


def write_pack(pack: Pack, folder: Path, *, force: bool = False, progress: Progress | None = None) -> list[Path]:
    """Write the pack into a folder and return its files; a killed run leaves the last whole pack.

    Parameters
    ----------
    pack : what to write.
    folder : new, empty, or with an earlier pack, whose files are replaced.
    force : also replace files of an earlier pack that were edited since.
    progress : called with (done, all, figure) before each figure.

    Raises
    ------
    RequestProblem : the folder holds other files, or edited ones, or cannot be written.
    """
    earlier = _earlier(folder)
    if not force:
        _check_unedited(folder, earlier)
    try:
        folder.mkdir(parents=True, exist_ok=True)
        scratch = Path(tempfile.mkdtemp(prefix=".pack-", dir=folder))
        try:
            written = []
            for path, content in pack_files(pack, progress):
                target = scratch / path
                target.parent.mkdir(parents=True, exist_ok=True)
                target.write_bytes(content)
                written.append(path)
            return _put_in_place(scratch, folder, written, earlier)
        finally:
            shutil.rmtree(scratch, ignore_errors=True)
    except OSError as error:
        raise RequestProblem(
            f"the folder {folder} cannot be written ({error.strerror or error}); the pack needs a folder of its own that is writable: give another"
        ) from error


def _put_in_place(scratch: Path, folder: Path, written: list[str], earlier: dict[str, str]) -> list[Path]:
    for path in earlier:
        if path not in written:
            (folder / path).unlink(missing_ok=True)
    for path in written:
        target = folder / path
        target.parent.mkdir(parents=True, exist_ok=True)
        (scratch / path).replace(target)
    return [folder / path for path in written]


def _earlier(folder: Path) -> dict[str, str]:
    """Files of the pack that the folder holds, with their sums; nothing where it is new or empty."""
    if folder.exists() and not folder.is_dir():
        raise RequestProblem(f"{folder} is a file; a pack is a folder of files: give a folder, a new or an empty one")
    if not folder.is_dir() or not any(folder.iterdir()):
        return {}
    sums = folder / SUMS
    if not sums.is_file() or _name_of(folder / FINDINGS) != PACK_NAME:
        raise RequestProblem(
            f"the folder {folder} holds files that are no earlier pack, and they could be overwritten; a pack needs a folder of its own: "
            "give a new or an empty one"
        )
    lines = [line.split("  ", 1) for line in sums.read_text(encoding="utf-8", errors="replace").splitlines()]
    # A sum's path is only followed inside the folder: the list may have been edited.
    return {line[1]: line[0] for line in lines if len(line) == 2 and _is_inside(line[1])}


def _is_inside(path: str) -> bool:
    return not Path(path).is_absolute() and ".." not in Path(path).parts


def _name_of(file: Path) -> Any:
    try:
        held = json.loads(file.read_text(encoding="utf-8"))
    except (OSError, ValueError):
        return None
    return held.get("name") if isinstance(held, dict) else None


def _check_unedited(folder: Path, earlier: dict[str, str]) -> None:
    edited = [
        path for path, digest in earlier.items()
        if (folder / path).is_file() and hashlib.sha256((folder / path).read_bytes()).hexdigest() != digest
    ]  # fmt: skip
    if edited:
        more = "" if len(edited) == 1 else f" and {len(edited) - 1} more"
        raise RequestProblem(
            f"{edited[0]}{more} in {folder} was edited since the pack was written, and that would be lost; a pack replaces only its own "
            "untouched files: give another folder, or --force to write over it"
        )


def pack_json(pack: Pack, files: list[Path]) -> dict[str, Any]:
    """What the command prints for programs."""
    return {
        "about": pack.about, "invented": pack.invented, "findings": len(pack.findings), "figures": len(pack.figures),
        "sources": [asdict(source) | {"terms": source.terms.value} for source in pack.sources if source.terms.value != "private"],
        "private_sources": pack.private, "records": len(pack.records), "files": [str(file) for file in files],
    }  # fmt: skip
