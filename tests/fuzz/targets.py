"""What is fuzzed: every door through which a stranger's bytes come in, as a function of bytes.

A target may refuse its input with a named error of the project. Any other exception is a fault, and so is a row that is
neither accepted nor refused.
"""

from __future__ import annotations

import atexit
import io
import shutil
import tempfile
import zipfile
from collections.abc import Callable
from contextlib import suppress
from datetime import date
from functools import cache
from pathlib import Path

import polars as pl

from models.rule_file import parse_rules
from models.subset import where_fields
from models.where import parse_where
from pipeline.build_file import prove_balance, read_file, read_repairs_text, to_task
from pipeline.clean_file import check_results
from pipeline.cli.claim_reading import claim_of, read_claims, settle_numbers
from pipeline.codes import code_fields, read_codes, read_dates, read_flags, read_parts_column
from pipeline.decode import ENCODINGS, decode_text
from pipeline.errors import FileProblem, PoundworthError
from pipeline.fields import Field
from pipeline.grid import find_tables
from pipeline.headers import guess_kind, knows_header, recognise_headers, unused_overrides
from pipeline.numerals import infer_decimal_mark, parse_numerals
from pipeline.read_raw import ReadOptions, read_grids
from pipeline.recognition import recognise_file
from pipeline.repairs import apply_repairs, read_repairs
from pipeline.repeat_answers import answers_frame, answers_of, match_answers
from pipeline.sources import RECORD_KINDS, SOURCE_FILE, FileEntry, Source, read_source, read_withdrawn
from pipeline.units import find_unit, implied_by_unit, parse_quantity

Target = Callable[[bytes], object]

#: Parts of one input are kept apart by this byte: no text of the project's may hold it.
PART = b"\0"
DAY = date(2026, 1, 1)
ABOUT = 'title = "t"\npublisher = "p"\nlicence = "CC0-1.0"\n'
FIGURES = ("rule_ratio", "spread", "growth")


@cache
def _folder() -> Path:
    made = Path(tempfile.mkdtemp(prefix="fuzz-"))
    atexit.register(shutil.rmtree, made, ignore_errors=True)
    return made


def _lines(data: bytes) -> list[str]:
    return data.decode("utf-8", "replace").split("\n")[:100]


def _parts(data: bytes, count: int) -> list[bytes]:
    found = data.split(PART, count - 1)
    return found + [b""] * (count - len(found))


def _grids(extension: str, data: bytes, options: ReadOptions | None = None) -> None:
    path = _folder() / f"f{extension}"
    path.write_bytes(data)
    for grid in read_grids(path, options or ReadOptions()):
        find_tables(grid, knows_header, options.header_line if options else None)


def _form(extension: str) -> Target:
    return lambda data: _grids(extension, data)


def read_delimited(data: bytes) -> None:
    """The first byte says what the source states about the file: nothing, a delimiter, an encoding, a header line."""
    stated = data[0] if data else 0
    options = (
        ReadOptions(), ReadOptions(delimiter=";"), ReadOptions(delimiter=chr(stated)), ReadOptions(encoding="utf-16"),
        ReadOptions(encoding="shift_jis"), ReadOptions(header_line=1 + stated // 8),
    )  # fmt: skip
    _grids(".csv", data[1:], options[stated % 8] if stated % 8 < len(options) else options[0])


def decode(data: bytes) -> None:
    """Text in a stated encoding, in one that is none, and in one that is found."""
    stated, _, text = data.partition(b"\n")
    for encoding in (None, ENCODINGS[len(stated) % len(ENCODINGS)], stated.decode("latin-1")):
        try:
            found, _ = decode_text(text, "f.csv", encoding)
        except PoundworthError:
            continue
        assert b"\r" not in found and found.decode("utf-8") is not None


def zipped(parts: dict[str, bytes]) -> bytes:
    """A sound package of the parts."""
    packed = io.BytesIO()
    with zipfile.ZipFile(packed, "w") as package:
        for name, content in parts.items():
            package.writestr(zipfile.ZipInfo(name), content)
    return packed.getvalue()


RELATIONS = (
    b'<Relationships xmlns="http://schemas.openxmlformats.org/package/2006/relationships"><Relationship Id="r1" '
    b'Type="http://schemas.openxmlformats.org/officeDocument/2006/relationships/worksheet" Target="worksheets/sheet1.xml"/>'
    b'<Relationship Id="r2" Type="http://schemas.openxmlformats.org/officeDocument/2006/relationships/styles" '
    b'Target="styles.xml"/></Relationships>'
)
BOOK = (
    b'<workbook xmlns="http://schemas.openxmlformats.org/spreadsheetml/2006/main" '
    b'xmlns:r="http://schemas.openxmlformats.org/officeDocument/2006/relationships">'
    b'<sheets><sheet name="a" sheetId="1" r:id="r1"/></sheets></workbook>'
)
WORKBOOK_PARTS = (
    "xl/worksheets/sheet1.xml", "xl/styles.xml", "xl/sharedStrings.xml", "xl/workbook.xml", "xl/_rels/workbook.xml.rels",
)  # fmt: skip


ROOT_RELATIONS = (
    b'<Relationships xmlns="http://schemas.openxmlformats.org/package/2006/relationships"><Relationship Id="r1" Type='
    b'"http://schemas.openxmlformats.org/officeDocument/2006/relationships/officeDocument" Target="xl/workbook.xml"/></Relationships>'
)


def workbook_of(data: bytes) -> dict[str, bytes]:
    """Parts of a workbook by their names; what is not given is what a workbook needs at least."""
    texts = _parts(data, len(WORKBOOK_PARTS))
    parts = dict(zip(WORKBOOK_PARTS, texts, strict=True))
    parts["_rels/.rels"] = ROOT_RELATIONS
    parts["xl/workbook.xml"] = parts["xl/workbook.xml"] or BOOK
    parts["xl/_rels/workbook.xml.rels"] = parts["xl/_rels/workbook.xml.rels"] or RELATIONS
    return {name: text for name, text in parts.items() if text}


def read_workbook_parts(data: bytes) -> None:
    """The XML inside a sound package: a fuzzer that has to guess checksums would never come so far."""
    _grids(".xlsx", zipped(workbook_of(data)))


ODS_TYPE = b"application/vnd.oasis.opendocument.spreadsheet"
MANIFEST = (
    b'<manifest:manifest xmlns:manifest="urn:oasis:names:tc:opendocument:xmlns:manifest:1.0"><manifest:file-entry '
    b'manifest:full-path="content.xml" manifest:media-type="text/xml"></manifest:file-entry></manifest:manifest>'
)


def read_open_document(data: bytes) -> None:
    """The content of an ODS in a sound package."""
    manifest, content = _parts(data, 2)
    _grids(".ods", zipped({"mimetype": ODS_TYPE, "META-INF/manifest.xml": manifest or MANIFEST, "content.xml": content}))


def recognise(data: bytes) -> None:
    """Headers, perhaps with a row of units, a kind and stated names."""
    kind_at, units, stated, *headers = [*_lines(data), "", "", ""]
    kind = (None, *RECORD_KINDS, "else")[len(kind_at) % (len(RECORD_KINDS) + 2)]
    overrides = dict(zip(headers, stated.split("\t"), strict=False)) if stated else None
    for header in headers:
        knows_header(header)
    columns = recognise_headers(headers, units.split("\t") if units else None, overrides, kind)
    assert [c.header for c in columns] == headers
    guess_kind(columns)
    unused_overrides(headers, overrides or {})


def _each(call: Callable[[str], object]) -> Target:
    def on_lines(data: bytes) -> None:
        for line in _lines(data):
            try:
                call(line)
            except PoundworthError:
                continue

    return on_lines


def _unit(line: str) -> None:
    find_unit(line)
    implied_by_unit(line)
    for quantity, default in (("pressure", "kPa"), ("power", "kW"), ("temperature", "C")):
        find_unit(line, quantity)
        try:
            parse_quantity(line, quantity, default)
        except PoundworthError:
            continue


def numbers(data: bytes) -> None:
    """Cells as figures, under no decimal mark, a stated one or the one that they prove."""
    cells = pl.Series(_lines(data), dtype=pl.String)
    mark = (None, ",", ".", infer_decimal_mark([cells]))[len(data) % 4]
    assert parse_numerals(cells, mark).height == len(cells)


def cells_as_codes(data: bytes) -> None:
    """Cells as codes of each field, flags and parts."""
    cells = pl.Series(_lines(data)[:10], dtype=pl.String)
    for field in code_fields():
        assert set(read_codes(field, cells)["value"]) <= {*field.codes, None}
    read_flags(cells)
    read_parts_column(cells)


def _dates(data: bytes) -> None:
    read_dates(pl.Series(_lines(data), dtype=pl.String))


def _toml_folder(name: str, data: bytes) -> Path:
    folder = _folder() / "source"
    folder.mkdir(exist_ok=True)
    (folder / name).write_bytes(data)
    return folder


def source_toml(data: bytes) -> None:
    """A whole source.toml, and the same text as the list of withdrawn sources."""
    folder = _toml_folder(SOURCE_FILE, data)
    (folder / "withdrawn.toml").write_bytes(data)
    with suppress(PoundworthError):
        read_withdrawn(folder)
    read_source(folder).row()


def repeat_answers(data: bytes) -> None:
    """Answers about tests published twice, matched to three builds."""
    entry = read_source(_toml_folder(SOURCE_FILE, ABOUT.encode() + data + b'\n[[file]]\nname = "f.csv"\n')).entry
    keys = ["source|p|Alder", "source|q|Alder", "other|p|Birch \\| 2"]
    builds = pl.DataFrame({"build_key": keys, "source": ["source", "source", "other"], "build": ["Alder", "Alder", "Birch | 2"]})
    answers_frame(match_answers(answers_of("source", entry.same_as, entry.not_same), builds))


def repairs_toml(data: bytes) -> None:
    """Declared corrections, applied to a small table."""
    repairs = read_repairs(_toml_folder("repairs.toml", data))
    texts = ["build,power_hp,boost_psi,note", "Alder,150,,a", "Alder,205,6,b", "Birch,x,9,"]
    path = _folder() / "r.csv"
    path.write_text("\n".join(texts))
    (table,) = find_tables(read_grids(path, ReadOptions())[0], knows_header)
    columns = recognise_headers(table.headers, table.units, None, "runs")
    for mark in (None, ","):
        apply_repairs(table, columns, repairs, "source", mark)


def rules_toml(data: bytes) -> None:
    """A reader's own rules."""
    parse_rules(data.decode("utf-8", "replace"), "rules.toml", FIGURES)


@cache
def _asked() -> tuple[dict[str, Field], pl.DataFrame]:
    kinds = {"number": pl.Float64, "integer": pl.Int64, "date": pl.Date, "flag": pl.Boolean}
    fields = where_fields()
    row = {"induction": "turbocharger", "cylinders": 4, "power_kw": 150.0, "build": "Alder"}
    schema = {name: kinds.get(field.kind, pl.String) for name, field in fields.items()}
    return fields, pl.DataFrame([{}, row], schema=schema)


def _where(line: str) -> None:
    fields, frame = _asked()
    assert frame.filter(parse_where(line, fields)).height <= frame.height


def _entry(file: bytes, told: bytes, name: str) -> tuple[Source, FileEntry]:
    """A source folder of one file; `told` is what its [[file]] says beside the name."""
    folder = _toml_folder(SOURCE_FILE, f'{ABOUT}[[file]]\nname = "{name}"\n'.encode() + told)
    (folder / name).write_bytes(file)
    source = read_source(folder)
    return source, source.entry.file[0]


def _clean(name: str) -> Target:
    """The whole way of one contributed file: what comes out is balanced and passes the gate, or is one sentence."""

    def clean(data: bytes) -> None:
        file, told, repairs = _parts(data, 3)
        source, entry = _entry(file, told, name)
        (source.folder / "repairs.toml").write_bytes(repairs)
        task = to_task(source, entry, read_repairs(source.folder), read_repairs_text(source.folder), None, DAY)
        outcome = read_file(task)
        if outcome.result is None:
            raise FileProblem(outcome.ledger.problem if outcome.ledger else "")
        prove_balance(outcome.result)
        check_results([outcome.result])

    return clean


def recognise_contribution(data: bytes) -> None:
    """What `add` and `columns` look at before anything is described."""
    path = _folder() / "c.csv"
    path.write_bytes(data)
    recognise_file(path, FileEntry(name="c.csv"))


def claims(data: bytes) -> None:
    """A file of claims; each row is a claim or one sentence."""
    path = _folder() / "claims.csv"
    path.write_bytes(data)
    for row in read_claims(path, "us"):
        with suppress(PoundworthError):
            claim_of(settle_numbers(row.asked), None)


TARGETS: dict[str, Target] = {
    "decode": decode, "delimited": read_delimited, "workbook": _form(".xlsx"), "workbook_parts": read_workbook_parts,
    "open_document": read_open_document, "older_workbook": _form(".xls"), "records": _form(".json"), "parquet": _form(".parquet"),
    "headers": recognise, "units": _each(_unit), "numbers": numbers, "dates": _dates, "codes": cells_as_codes,
    "source_toml": source_toml, "repairs_toml": repairs_toml, "repeat_answers": repeat_answers, "rules_toml": rules_toml,
    "where": _each(_where), "contribution": recognise_contribution, "claims": claims, "whole_file": _clean("f.csv"), "whole_records": _clean("f.json"),
}  # fmt: skip


def run_target(name: str, data: bytes) -> bool:
    """Give bytes to a target; whether it accepted them (False: refused with a named error)."""
    try:
        TARGETS[name](data)
    except PoundworthError as error:
        assert str(error).strip(), "a refusal says why"
        return False
    return True
