"""A small raw folder of every kind of record in two versions, and what a store holds of it, file by file.

A store is judged by its rows alone: what differs between two whole builds of the same bytes (the moment of reading,
the time of the file, the hash of the reading code) is left out.
"""

from __future__ import annotations

import hashlib
import random
from pathlib import Path

from pipeline import store

HEAD = 'title = "Faults {0}"\npublisher = "Sheet {0}"\nlicence = "CC0-1.0"\n'
#: Columns of the ledger that differ between two builds of the same bytes.
NOT_DATA = ("recipe", "seen_on", "mtime_ns")
#: Tables whose rows belong to one file.
OF_A_FILE = ("run", "change", "refused", "flag", "repair")
Held = dict[tuple[str, str], str]


def _runs(rng: random.Random, rows: int, source: int) -> str:
    lines = ["build,displacement_cc,power_hp,boost_psi,session"]
    for engine in range(rows // 3):
        base = rng.uniform(90, 400)
        for boost in (0, rng.randint(4, 8), rng.randint(9, 14)):
            power = base * (1 + boost * rng.uniform(0.05, 0.07))
            lines.append(f"S{source} engine {engine},{1500 + engine},{power:.1f},{boost},s{engine}")
    lines.append(f"S{source} odd one,1600,see text,7,x")
    return "\n".join(lines) + "\n"


def _curves(rng: random.Random, source: int) -> str:
    lines = ["build,run,rpm,power_hp,boost_psi,ambient_kpa"]
    for number in range(4):
        base = rng.uniform(120, 300)
        for step in range(12):
            power = base * (0.5 + 0.06 * step - 0.003 * step * step) * (1 + 0.06 * number)
            lines.append(f"S{source} curve,{number},{2500 + 250 * step},{power:.1f},{5 * number if number else ''},100.2")
    return "\n".join(lines) + "\n"


def _changes(rng: random.Random, source: int) -> str:
    lines = [
        "before_build,after_build,parts,displacement_cc,before_boost_psi,after_boost_psi,before_power_hp,after_power_hp,held"
    ]
    for number in range(8):
        base = rng.uniform(150, 420)
        after = base * rng.uniform(1.0, 1.06)
        lines.append(
            f"S{source} c{number} before,S{source} c{number} after,headers,{2000 + number},7,7,{base:.1f},{after:.1f},boost"
        )
    return "\n".join(lines) + "\n"


def write_world(raw: Path, version: int, sources: int = 4, rows: int = 45) -> None:
    """Write (or write over) the raw folder in one of its versions; other versions have other figures and other row counts."""
    for number in range(sources):
        rng = random.Random(1000 * version + number)
        folder = raw / f"source{number:02d}"
        folder.mkdir(parents=True, exist_ok=True)
        files = {"runs.csv": ("runs", _runs(rng, rows + 3 * version, number))}
        if number % 3 == 0:
            files["curves.csv"] = ("sweep", _curves(rng, number))
        if number % 3 == 1:
            files["changes.csv"] = ("changes", _changes(rng, number))
        told = HEAD.format(number)
        for name, (kind, text) in files.items():
            (folder / name).write_text(text, encoding="utf-8")
            told += f'[[file]]\nname = "{name}"\nkind = "{kind}"\n'
        (folder / "source.toml").write_text(told, encoding="utf-8")


def _hash(lines: list[str]) -> str:
    return hashlib.sha256("\n".join(sorted(lines)).encode()).hexdigest()[:16]


def held_files(path: Path) -> Held:
    """(source, file) -> hash of every row that the store holds of it, its line of the ledger included.

    Raises
    ------
    AssertionError : rows of a file that the ledger does not know, or counts of the ledger that its rows do not bear out.
    """
    lines: dict[tuple[str, str], list[str]] = {}
    counts: dict[tuple[str, str, str], int] = {}
    with store.reading(path) as con:
        ledger = store.read_ledger(con)
        queries = {name: f'SELECT source, file, CAST(t AS VARCHAR) FROM "{name}" t' for name in (*OF_A_FILE, "build")}
        queries["sweep_point"] = "SELECT r.source, r.file, CAST(p AS VARCHAR) FROM sweep_point p LEFT JOIN run r USING (run_key)"
        for name, query in queries.items():
            for source, file, text in con.execute(query).fetchall():
                assert (source, file) in ledger, f"a row of {name} belongs to no file of the ledger: {source}/{file}"
                lines.setdefault((source, file), []).append(f"{name} {text}")
                counts[source, file, name] = counts.get((source, file, name), 0) + 1
    held = {}
    for (source, file), row in ledger.items():
        found = {n: counts.get((source, file, n), 0) for n in ("run", "refused", "sweep_point", "change")}
        told = {"run": row.runs, "refused": row.refused, "sweep_point": row.sweep_points, "change": row.changes}
        assert found == told, f"{source}/{file}: the ledger says {told}, the tables hold {found}"
        assert row.rows_read == row.accepted + row.refused + row.repeated
        seen = {k: v for k, v in row.as_dict().items() if k not in (*NOT_DATA, "repeated")}
        held[source, file] = _hash([*lines.get((source, file), []), f"ledger {seen}"])
    return held


def table_hash(path: Path) -> str:
    """Hash of all clean tables of a store."""
    parts = []
    with store.reading(path) as con:
        for name in store.TABLES:
            frame = store.query_table(con, name)
            parts.append(f"{name} {frame.drop(NOT_DATA).rows() if name == 'file_seen' else frame.rows()}")
    return hashlib.sha256("\n".join(parts).encode()).hexdigest()[:16]
