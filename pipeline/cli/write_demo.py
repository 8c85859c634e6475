"""Write the invented demo sources into a folder, as contributors would have sent them."""

from __future__ import annotations

from pathlib import Path

from pipeline.errors import RequestProblem


def _check_ours(folder: Path) -> None:
    """Refuse to write over a source that does not call itself invented."""
    told = folder / "source.toml"
    if told.exists() and "invented" not in told.read_text(encoding="utf-8", errors="replace"):
        raise RequestProblem(
            f"{folder.name} holds a source that is not marked invented; demo files go only into their own folders "
            "(demo_...). Move that source to another folder, or give another folder to write to."
        )


def write_demo(folder: Path, seed: int | None = None, expectations: Path | None = None) -> dict[str, int]:
    """Write every demo source below `folder`.

    Parameters
    ----------
    folder : the raw folder; made where it is missing.
    seed : the same seed gives the same bytes; None for the committed demo data.
    expectations : CSV file for the table of planted rows and what must become of them; None to leave it out.

    Returns
    -------
    Counts: sources, files, builds, runs, changes, planted.

    Raises
    ------
    RequestProblem : a demo folder's place is taken by a source that is not invented.
    """
    from models.demo.files import SEED, make_demo

    demo = make_demo(SEED if seed is None else seed)
    sources = sorted({path.split("/")[0] for path in demo.files})
    for source in sources:
        _check_ours(folder / source)
    for path, content in demo.files.items():
        target = folder / path
        target.parent.mkdir(parents=True, exist_ok=True)
        target.write_bytes(content)
    if expectations is not None:
        expectations.write_text(demo.expectations_csv(), encoding="utf-8")
    return {
        "sources": len(sources), "files": len(demo.files), "builds": len(demo.builds), "runs": demo.runs, "changes": demo.changes,
        "planted": len(demo.expectations),
    }  # fmt: skip
