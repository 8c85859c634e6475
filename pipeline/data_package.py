"""The description of a data export: a Frictionless Data Package, and what all descriptions are made from.

Values in, text out; nothing here touches disk. The package follows the Data Package specification, version 1
(https://specs.frictionlessdata.io), which readers of version 2 know too.
"""

from __future__ import annotations

import json
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from pipeline.export_tables import KEPT, ExportColumn, ExportTable, exported_columns
from pipeline.table_hash import TableMark, hash_tables

_TYPES = {
    "number": "number", "integer": "integer", "text": "string", "code": "string", "date": "date", "flag": "boolean",
    "codes": "string", "object": "object", "list": "array",
}  # fmt: skip
#: Terms that let anybody pass rows on, folded (letters and digits only). Whole texts: "MIT" is a licence, "mit Erlaubnis" is none.
_OPEN_LICENCE = re.compile(
    r"cc0(10)?(universal)?|(cc|creativecommons)(by|attribution)(sa|sharealike)?[0-9]*(international)?|odc(by|odbl|pddl)[0-9]*|"
    r"(odbl|pddl)[0-9]*|publicdomain(mark)?[0-9]*|mit(licen[cs]e)?|apache(licen[cs]e)?20|ogluk[0-9]*"
)
PACKAGE_NAME = "poundworth-data"
#: Properties of ours, with a name before the colon that no version of the specification will take.
STORE_PROPERTY, TABLE_PROPERTY = "poundworth:store", "poundworth:table"


@dataclass(frozen=True, slots=True)
class WrittenFile:
    """One file of an export.

    Attributes
    ----------
    path, size, sha256 : path in the folder, bytes, hash of the bytes.
    table, rows : exported table and its rows; None where it is none.
    holds, mark : table of the store whose rows the file holds, with its content hash; None where it holds none.
    """

    path: str
    size: int
    sha256: str
    table: str | None = None
    rows: int | None = None
    holds: str | None = None
    mark: TableMark | None = None


@dataclass(frozen=True, slots=True)
class PackageInputs:
    """What every description is made from.

    Attributes
    ----------
    sources : rows of the source table as exported.
    runs_by_source : source -> number of runs.
    files : data files of the export.
    tables : tables of the export.
    fingerprint, version : of the data and of the project.
    with_personal : whether fields that name a person are there.
    tables_version : version of the store's tables.
    """

    sources: Sequence[Mapping[str, Any]]
    runs_by_source: Mapping[str, int]
    files: Sequence[WrittenFile]
    tables: Sequence[ExportTable]
    fingerprint: str
    version: str
    with_personal: bool
    tables_version: int

    @property
    def content_hash(self) -> str:
        """One hash for the content of all tables of the store, as exported."""
        return hash_tables({f.holds: f.mark.sha256 for f in self.files if f.holds is not None and f.mark is not None})

    @property
    def invented(self) -> int:
        """Number of sources marked as invented demo data."""
        return sum(bool(s.get("invented")) for s in self.sources)

    @property
    def release(self) -> str:
        """Version of the project and fingerprint of the data, in the form of semantic versioning."""
        return f"{self.version}+{self.fingerprint}"


def is_open_licence(licence: str) -> bool:
    """Whether the terms are known to let anybody pass rows on; unknown terms are not."""
    folded = re.sub(r"[^a-z0-9]", "", licence.casefold())
    return _OPEN_LICENCE.fullmatch(folded) is not None


def say_invented(inputs: PackageInputs) -> str | None:
    """What must stand at the top where sources are invented; None where none is."""
    if not inputs.invented:
        return None
    if inputs.invented == len(inputs.sources):
        return "Invented demo data: no such publication, engine or place exists."
    return f"{inputs.invented} of {len(inputs.sources)} sources are invented demo data; the column `invented` of the table source marks them."


# -- datapackage.json ---------------------------------------------------------------------------------------------------


def _described(column: ExportColumn) -> str:
    parts = [column.meaning]
    if column.unit:
        parts.append(f"Unit: {column.unit}.")
    if column.usual:
        parts.append(f"Usual: {column.usual[0]:g} to {column.usual[1]:g}; a value outside was kept and flagged.")
    if column.kind == "codes":
        parts.append(f"Codes: {', '.join(column.codes)}.")
    return " ".join(parts)


def _field(column: ExportColumn) -> dict[str, Any]:
    constraints: dict[str, Any] = {}
    if column.required:
        constraints["required"] = True
    if column.possible and column.kind in ("number", "integer"):
        constraints |= {"minimum": column.possible[0], "maximum": column.possible[1]}
    if column.codes and column.kind == "code":
        constraints["enum"] = list(column.codes)
    field: dict[str, Any] = {"name": column.name, "type": _TYPES[column.kind], "description": _described(column)}
    if column.unit:
        field["unit"] = column.unit
    return field | ({"constraints": constraints} if constraints else {})


def _schema(table: ExportTable, with_personal: bool) -> dict[str, Any]:
    schema: dict[str, Any] = {
        "fields": [_field(c) for c in exported_columns(table, with_personal)],
        "missingValues": [""],
    }
    if table.key:
        schema["primaryKey"] = list(table.key)
    if table.references:
        schema["foreignKeys"] = [
            {"fields": [column], "reference": {"resource": other, "fields": [target]}}
            for column, other, target in table.references
        ]
    return schema


def _parquet(file: WrittenFile, name: str, title: str, meaning: str) -> dict[str, Any]:
    # `type` is no part of version 1; readers of version 2 take a Parquet file for a table of theirs without it.
    resource: dict[str, Any] = {
        "name": name, "title": title, "description": meaning, "path": file.path, "hash": f"sha256:{file.sha256}",
        "profile": "data-resource", "type": "file", "format": "parquet", "mediatype": "application/vnd.apache.parquet",
        "bytes": file.size,
    }  # fmt: skip
    if file.holds is not None and file.mark is not None:
        resource[TABLE_PROPERTY] = {
            "name": file.holds, "rows": file.mark.rows, "columns": list(file.mark.columns), "content_hash": file.mark.sha256,
        }  # fmt: skip
    return resource


def _kept(files: Sequence[WrittenFile]) -> list[dict[str, Any]]:
    """Files that only a store has use for."""
    by_name = {f.holds: f for f in files if f.table is None and f.holds is not None}
    return [_parquet(by_name[t.name], f"{t.name}-store", t.title, t.meaning) for t in KEPT if t.name in by_name]


def _resource(file: WrittenFile, table: ExportTable, with_personal: bool) -> dict[str, Any]:
    if not file.path.endswith(".csv"):
        return _parquet(file, f"{table.name}-parquet", f"{table.title} (the same rows as Parquet)", table.meaning)
    return {
        "name": table.name, "title": table.title, "description": table.meaning, "path": file.path, "hash": f"sha256:{file.sha256}",
        "profile": "tabular-data-resource", "type": "table", "format": "csv", "mediatype": "text/csv", "encoding": "utf-8",
        "bytes": file.size, "dialect": {"delimiter": ",", "lineTerminator": "\n", "quoteChar": '"', "doubleQuote": True, "header": True},
        "schema": _schema(table, with_personal),
    }  # fmt: skip


def _licences(sources: Sequence[Mapping[str, Any]]) -> list[dict[str, str]]:
    texts = sorted({str(s["licence"]) for s in sources})
    named = {re.sub(r"[^-A-Za-z0-9._]+", "-", text).strip("-") or "stated-by-the-source": text for text in texts}
    return [{"name": name, "title": text} for name, text in sorted(named.items())]


def write_datapackage(inputs: PackageInputs) -> str:
    """The text of `datapackage.json`."""
    by_name = {t.name: t for t in inputs.tables}
    told = say_invented(inputs)
    content: dict[str, Any] = {
        "profile": "data-package",
        "name": PACKAGE_NAME,
        "title": title_of(inputs),
        "description": " ".join(
            filter(None, (told, "Published engine dynamometer results as one clean set of tables, in SI units."))
        ),
        "version": inputs.release,
        "keywords": ["dynamometer", "boost", "engine", "power"],
    }
    if inputs.sources:
        content["licenses"] = _licences(inputs.sources)
        content["sources"] = [
            {"title": f"{s['publisher']}: {s['title']}", **({"path": s["url"]} if s.get("url") else {})} for s in inputs.sources
        ]
    content[STORE_PROPERTY] = {
        "tables_version": inputs.tables_version, "with_personal": inputs.with_personal, "content_hash": inputs.content_hash,
    }  # fmt: skip
    content["resources"] = [_resource(f, by_name[f.table], inputs.with_personal) for f in inputs.files if f.table is not None]
    content["resources"] += _kept(inputs.files)
    return json.dumps(content, ensure_ascii=False, indent=2, allow_nan=False) + "\n"


def title_of(inputs: PackageInputs) -> str:
    """Title of the collection."""
    return "Poundworth: engine dynamometer results" + (" (invented demo data)" if inputs.invented else "")
