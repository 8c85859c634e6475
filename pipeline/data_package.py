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

from pipeline.export_tables import ExportColumn, ExportTable, exported_columns

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


@dataclass(frozen=True, slots=True)
class WrittenFile:
    """One file of an export: its path in the folder, size, hash, and rows where it is a table."""

    path: str
    size: int
    sha256: str
    table: str | None = None
    rows: int | None = None


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
    """

    sources: Sequence[Mapping[str, Any]]
    runs_by_source: Mapping[str, int]
    files: Sequence[WrittenFile]
    tables: Sequence[ExportTable]
    fingerprint: str
    version: str
    with_personal: bool

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


def _resource(file: WrittenFile, table: ExportTable, with_personal: bool) -> dict[str, Any]:
    is_csv = file.path.endswith(".csv")
    head: dict[str, Any] = {
        "name": table.name if is_csv else f"{table.name}-parquet",
        "title": table.title if is_csv else f"{table.title} (the same rows as Parquet)",
        "description": table.meaning,
        "path": file.path,
        "hash": f"sha256:{file.sha256}",
    }
    # `type` is no part of version 1; readers of version 2 take a Parquet file for a table of theirs without it.
    if not is_csv:
        form = {"profile": "data-resource", "type": "file", "format": "parquet", "mediatype": "application/vnd.apache.parquet"}
        return head | form | {"bytes": file.size}
    return head | {
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
    content["resources"] = [_resource(f, by_name[f.table], inputs.with_personal) for f in inputs.files if f.table is not None]
    return json.dumps(content, ensure_ascii=False, indent=2, allow_nan=False) + "\n"


def title_of(inputs: PackageInputs) -> str:
    """Title of the collection."""
    return "Poundworth: engine dynamometer results" + (" (invented demo data)" if inputs.invented else "")
