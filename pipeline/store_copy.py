"""A store copied without what was deleted from it."""

from __future__ import annotations

from pathlib import Path

import duckdb

from pipeline.store import CONFIG, reading


def copy_store(path: Path, fresh: Path) -> None:
    """Copy a store into a new file that holds the present rows alone.

    A deleted row stays readable in the file's bytes until its place is used again; a copy leaves it behind.

    Raises
    ------
    StoreProblem : the store is missing, in use, damaged or of another version.
    """
    with reading(path):
        pass
    con = duckdb.connect(config=CONFIG)
    try:
        for name, file, mode in (("held", path, " (READ_ONLY)"), ("fresh", fresh, "")):
            con.execute(f"ATTACH '{str(file).replace(chr(39), chr(39) * 2)}' AS {name}{mode}")
        con.execute("COPY FROM DATABASE held TO fresh")
    finally:
        con.close()
