"""A study made from a store's tables, and kept in it: what `study` and the whole way share."""

from __future__ import annotations

from pathlib import Path
from typing import Any

#: Curves of more points than this are left out of the study: they would not fit into the memory of a small machine.
MOST_CURVE_POINTS = 10_000_000


def study_mark(con: Any) -> str:
    """What the kept study must have been made from: these rows, by this code."""
    from pipeline import store as store_module
    from pipeline.code_mark import code_mark

    return f"{store_module.fingerprint(con)}-{code_mark()}-{_models_mark()}"


def study_tables(con: Any) -> tuple[dict[str, Any], dict[str, int]]:
    """The clean tables that a study is made from, and the counts of the ledger."""
    from pipeline import store as store_module

    tables = {name: store_module.query_table(con, name) for name in ("run", "build", "source", "change")}
    ledger = store_module.read_ledger(con).values()
    if sum(row.sweep_points for row in ledger) <= MOST_CURVE_POINTS:
        tables["sweep_point"] = store_module.query_table(con, "sweep_point")
    return tables, {name: sum(getattr(r, name) for r in ledger) for name in ("rows_read", "accepted", "refused", "repeated")}


def make_study(
    tables: dict[str, Any],
    mark: str,
    counts: dict[str, int],
    subset: Any = None,
    own_columns: tuple[str, ...] = (),
    **shared: Any,
) -> Any:
    """The study of these tables, stamped with today; ``shared`` is sample, ask and begun of :func:`models.study.run_study`."""
    from datetime import UTC, datetime

    from models.study import run_study

    return run_study(
        tables, version=installed_version(), fingerprint=mark, made_on=datetime.now(UTC).date().isoformat(), ledger=counts,
        subset=subset, own_columns=own_columns, **shared,
    )  # fmt: skip


def keep_study(store: Path, results: Any) -> None:
    """Write a study to the store that it was made from."""
    from models.results import results_to_json
    from pipeline import store as store_module

    with store_module.writing(store) as con:
        store_module.write_result(con, "study", results.fingerprint, results_to_json(results))


def installed_version() -> str:
    """Version of the installed project; of a checkout that is not installed, say so."""
    from importlib.metadata import PackageNotFoundError, version

    try:
        return version("poundworth")
    except PackageNotFoundError:
        return "not installed"


def _models_mark() -> str:
    """Hash of the model code: answers made by other code are made again."""
    import hashlib

    import models

    folder = Path(models.__path__[0])
    return hashlib.sha256(b"\0".join(p.name.encode() + p.read_bytes() for p in sorted(folder.rglob("*.py")))).hexdigest()[:8]
