"""First inputs of each target, so that a fuzzer starts where a real file is, and the words it may put together."""

from __future__ import annotations

import csv
import io
import random
import tomllib
from functools import cache
from pathlib import Path

import polars as pl

from tests.fuzz.targets import PART, WORKBOOK_PARTS, workbook_of, zipped

ROOT = Path(__file__).parents[2]
#: Larger files teach a fuzzer nothing that small ones do not, and slow it down.
MOST_BYTES = 3_000
SHEET = (
    b'<worksheet xmlns="http://schemas.openxmlformats.org/spreadsheetml/2006/main"><dimension ref="A1:C3"/><sheetData>'
    b'<row r="1"><c r="A1" t="inlineStr"><is><t>build</t></is></c><c r="B1" t="s"><v>0</v></c><c r="C1" t="str"><v>boost</v></c></row>'
    b'<row r="2"><c r="A2" t="inlineStr"><is><t>A</t></is></c><c r="B2" s="1"><v>0.55</v></c><c r="C2" t="e"><v>#DIV/0!</v></c></row>'
    b'<row><c><f>1+1</f><v>2</v></c><c t="b"><v>1</v></c><c t="d"><v>2024-05-01</v></c></row>'
    b'</sheetData><mergeCells><mergeCell ref="A1:B1"/></mergeCells></worksheet>'
)
STYLES = b'<styleSheet><numFmts><numFmt numFmtId="165" formatCode="0.0%"/></numFmts><cellXfs><xf/><xf numFmtId="165"/></cellXfs></styleSheet>'
STRINGS = b"<sst><si><t>power hp</t></si><si><r><t>a</t></r><r><t>b</t></r></si></sst>"
ODS = (
    b'<office:document-content xmlns:office="urn:oasis:names:tc:opendocument:xmlns:office:1.0" '
    b'xmlns:table="urn:oasis:names:tc:opendocument:xmlns:table:1.0" xmlns:text="urn:oasis:names:tc:opendocument:xmlns:text:1.0">'
    b'<office:body><office:spreadsheet><table:table table:name="a"><table:table-row table:number-rows-repeated="2">'
    b'<table:table-cell office:value-type="float" office:value="1.5" table:number-columns-repeated="2"><text:p>1.5</text:p>'
    b'</table:table-cell><table:table-cell office:value-type="percentage" office:value="0.5"><text:p>50%</text:p></table:table-cell>'
    b"</table:table-row></table:table></office:spreadsheet></office:body></office:document-content>"
)
RUNS = b"build,displacement_cc,power_hp,boost_psi,ambient_kpa,date,induction\nA,1998,150,,101,2024-05-01,\nA,1998,205,6,101,1.5.2024,turbo\n"
CURVES = b"build,rpm,power hp run 1,power hp run 2\nA,2000,50,55\nA,3000,80,90\nA,4000,120,140\nA,5000,150,190\n"
PAIRS = b"build;NA hp;supercharged hp;boost bar;note\nA;150,5;205,5;0,5;=1+1\nB;240;330;0,4;\n"
JSON = b'[{"build": "A", "power_hp": 150, "boost_psi": null}, {"build": "A", "power_hp": 205.0, "boost_psi": 6, "x": {"y": [1]}}]'
TOLD = b'kind = "runs"\nconstants = { induction = "turbocharger" }\nheaders = { "note" = "boost (psi)" }\n'
REPAIR = (
    b'[[repair]]\nfile = "f.csv"\nwhere = { build = "A" }\naction = "scale"\ncolumn = "power_hp"\nfactor = 1.34\n'
    b'reason = "r"\nexpect = { column = "power_hp", above = 100.0 }\n'
)
RULE = b'[[rule]]\nid = "mine"\nstatement = "s"\nestimate = "rule_ratio"\nlow = 0.9\nhigh = 1.1\noutside = true\n'
CONDITIONS = (
    b"induction = turbocharger and na_power_kw > 150hp\nnot (cylinders in (4, 6) or build contains 'x')\n"
    b'boost_kpa >= 0.5 bar and published_on < "2024-05-01"\ncatalyst is not missing or cylinders = 1e3\n'
)


def _small(*patterns: str) -> list[bytes]:
    folders = (ROOT / "tests" / "small_raw" / "sources", ROOT / "data_raw")
    paths = sorted(path for folder in folders for pattern in patterns for path in folder.glob(f"*/{pattern}"))
    return [path.read_bytes() for path in paths if path.stat().st_size <= MOST_BYTES]


def _aliases(table: str, column: int) -> list[str]:
    with (ROOT / "pipeline" / table).open(encoding="utf-8", newline="") as lines:
        return [row[column] for row in csv.reader(lines)][1:]


def _packs(words: list[str], size: int = 12, most: int = 25) -> list[bytes]:
    """A sample of words, some lines an input."""
    drawn = random.Random(0).sample(words, min(len(words), size * most))
    return ["\n".join(drawn[i : i + size]).encode() for i in range(0, len(drawn), size)]


def _parquet() -> bytes:
    packed = io.BytesIO()
    pl.DataFrame({"build": ["A", None], "power_hp": [150.0, 205.5], "at": [[1], None]}).write_parquet(packed)
    return packed.getvalue()


def _tomls(name: str) -> list[bytes]:
    return [text for text in _small(name) if b"\x00" not in text]


@cache
def seeds_of(target: str) -> list[bytes]:
    """First inputs of a target; never empty."""
    tables = [RUNS, CURVES, PAIRS, *_small("*.csv", "*.tsv", "*.txt")]
    packed = PART.join((SHEET, STYLES, STRINGS) + (b"",) * (len(WORKBOOK_PARTS) - 3))
    found: dict[str, list[bytes]] = {
        "decode": [b"xx\n" + table for table in tables[:20]],
        "delimited": [b"\0" + table for table in tables],
        "workbook": [zipped(workbook_of(packed)), *_small("*.xlsx")],
        "workbook_parts": [packed],
        "open_document": [PART + ODS],
        "older_workbook": [bytes.fromhex("d0cf11e0a1b11ae1") + bytes(600)],
        "records": [JSON, *_small("*.json", "*.jsonl")],
        "parquet": [_parquet(), *_small("*.parquet")],
        "headers": [b"\n\n\n" + pack for pack in _packs(_aliases("header_aliases.csv", 1))],
        "units": [*_packs(_aliases("unit_spellings.csv", 0)), *_packs(_aliases("unit_spellings.csv", 1)), b"12.5 psi\n1,5 bar\n-3 degF"],
        "numbers": [
            "1,234.5\n1.234,5\n~150\n12 1/2\n8.5:1\n150-160 hp\n1e3\n\u00bd\n5 \u00b1 1\nn/a\n\uff11\uff12".encode(), *tables[:5],
        ],
        "dates": ["2024-05-01\n2024\n1.5.2024\n12 June 2024\nJune 12, 2024\n2024\u5e746\u670812\u65e5\n\u4ee4\u548c6\u5e74".encode()],
        "codes": _packs(_aliases("code_aliases.csv", 1), size=6),
        "source_toml": _tomls("source.toml"),
        "repairs_toml": [REPAIR, *_tomls("repairs.toml")],
        "repeat_answers": [b'same_as."Alder" = "other|p|Birch \\\\| 2"\nnot_same."p|Alder" = ["x", "source|q|Alder"]'],
        "rules_toml": [RULE],
        "where": [CONDITIONS],
        "contribution": tables,
        "claims": [
            b"name,na hp,boost psi,made hp,displacement cc\nA,150,6,205,1998\nB,150hp,0.5 bar,300,\n", b"name;na;part;gain\nA;150 hp;camshaft + headers;10%\n",
            b"claim,na kW,hp per psi,altitude m\nx,100,14,1500\n", b"rule\none psi one atmosphere\n", *tables[:3],
        ],
        "whole_file": [table + PART + TOLD + PART + REPAIR for table in tables[:3]] + tables,
        "whole_records": [JSON, JSON + PART + TOLD, *_small("*.json", "*.jsonl")],
    }  # fmt: skip
    return found[target]


@cache
def words_of(target: str) -> list[bytes]:
    """Words that a fuzzer may put into the inputs of a target."""
    drawn = random.Random(1)
    headers, units, codes = (
        _aliases("header_aliases.csv", 1),
        _aliases("unit_spellings.csv", 0),
        _aliases("code_aliases.csv", 1),
    )
    if target in ("workbook_parts", "open_document", "workbook"):
        texts = [
            "<v>",
            "</v>",
            'r="A1"',
            'r="XFD1048576"',
            "<!DOCTYPE a [<!ENTITY b 'c'>]>",
            "table:number-rows-repeated=",
            "99999999",
        ]
    elif target.endswith("toml") or target == "repeat_answers":
        texts = [
            "[[file]]",
            "name = ",
            "kind = ",
            '"',
            "'''",
            "[",
            "{",
            "}",
            "= 1e400",
            "= nan",
            "= 2024-05-01",
            "constants.",
            "\\u0000",
        ]
        texts += [key for text in seeds_of(target)[:3] for key in tomllib.loads(text.decode())]
    elif target == "where":
        texts = [
            " and ",
            " or ",
            " not ",
            " in (",
            " is missing",
            " contains ",
            "1e300",
            "'",
            "cylinders",
            "built_on",
            "boost_kpa",
            "<>",
        ]
    else:
        texts = [
            *drawn.sample(headers, 60),
            *drawn.sample(units, 30),
            *drawn.sample(codes, 30),
            "1e400",
            "-0",
            "NaN",
            "\u00bd",
            "\ufeff",
        ]
    return [text.encode() for text in texts]
