"""Claims as they are given, on the command line or as rows of a file, turned into what can be judged."""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

#: What a claim may state -> spellings of it as the header of a column (folded: lower case, words apart).
CLAIM_WORDS: dict[str, tuple[str, ...]] = {
    "name": ("name", "claim", "claimed by", "who", "build", "engine", "label", "title"),
    "na": ("na", "na power", "na output", "naturally aspirated", "naturally aspirated power", "unboosted", "unboosted power", "without boost",
           "baseline", "before", "motor", "power without boost", "output without boost"),
    "boost": ("boost", "boost pressure", "gauge boost", "at boost"),
    "made": ("made", "makes", "power made", "boosted", "boosted power", "with boost", "after", "claimed", "claimed power", "power"),
    "gain": ("gain", "gained", "gave", "won", "power gained"),
    "part": ("part", "parts", "changed", "changed part", "changed parts"),
    "rule": ("rule", "rule id", "rule of thumb"),
    "hp_per_psi": ("hp per psi", "hp psi"),
    "kw_per_kpa": ("kw per kpa", "kw kpa"),
    "na_is": ("na is", "power is", "observed or corrected"),
    "altitude": ("altitude", "elevation"),
    "catalogue": ("catalogue", "catalog", "catalogue figure", "makers rating"),
}  # fmt: skip
#: Field of the dictionary -> what a claim calls it, where the usual headers are known already.
_FIELDS = {
    "boost_kpa": "boost", "displacement_cc": "displacement", "compression_ratio": "compression_ratio", "induction": "induction",
    "charge_cooling": "cooling", "fuel": "fuel", "octane_aki": "octane_aki", "octane_ron": "octane_ron", "baseline_hardware": "baseline_hardware",
    "ambient_kpa": "ambient", "altitude_m": "altitude", "measured_at": "measured_at", "compressor_rating_kw": "compressor_rating",
}  # fmt: skip
#: Of what a bare figure of the file is, where its header states a unit.
_WITH_UNIT = {
    "na": "power", "made": "power", "gain": "power", "boost": "pressure", "ambient": "pressure", "altitude": "length",
    "displacement": "volume", "compressor_rating": "power",
}  # fmt: skip
_NUMBERS = ("compression_ratio", "octane_aki", "octane_ron", "hp_per_psi", "kw_per_kpa")
_TRUE = ("yes", "true", "1", "x", "y")

#: Claims in one file: a page of claims is read by people.
MOST_CLAIMS = 5_000


@dataclass(frozen=True, slots=True)
class GivenClaim:
    """One row as given: its line, its cells by header, and what they say by the names of the command line."""

    line: int | None
    cells: dict[str, str]
    asked: dict[str, Any] = field(default_factory=dict)


def claim_of(asked: dict[str, Any], model: Any) -> Any:
    """The claim that options, or the cells of a row, state.

    Parameters
    ----------
    asked : option -> text as given or None (see :func:`pipeline.cli.estimate.engine_request`), and ``made``, ``gain``, ``part``,
        ``hp_per_psi``, ``kw_per_kpa``, ``rule``, ``name``.
    model : of the estimate, or None where the study has none.

    Returns
    -------
    models.claim_records.Claim

    Raises
    ------
    RequestProblem, UnitProblem : a figure is missing, absurd or of another unit; the claim says two things at once.
    """
    from models.claim_records import Claim

    kind = _kind_of(asked)
    name = str(asked.get("name") or "")
    if kind == "rule":
        return Claim("rule", rule=_rule_id(str(asked["rule"])), name=name)
    engine, factor, has_boost = _engine(asked, model, kind)
    shared: dict[str, Any] = {"engine": engine, "given_to_corrected": factor, "has_boost": has_boost, "name": name}
    if kind == "part":
        gain = _gain_kw(str(asked["gain"]), engine.na_power_kw / factor, asked["units"]) * factor
        return Claim("part", parts=_parts(str(asked["part"])), gain_kw=gain, at_boost=asked.get("boost") is not None, **shared)
    if kind == "yield":
        per_kpa = _per_kpa(asked) * factor
        made = engine.na_power_kw + per_kpa * engine.boost_kpa
        return Claim("yield", yield_kw_per_kpa=per_kpa / factor, made_kw=made, **shared)
    return Claim("boost", made_kw=_power(str(asked["made"]), "power made", asked["units"]) * factor, **shared)


def _kind_of(asked: dict[str, Any]) -> str:
    """What is claimed; exactly one thing may be."""
    from pipeline.errors import RequestProblem

    stated = {
        "made": asked.get("made") is not None, "gain": asked.get("gain") is not None or asked.get("part") is not None,
        "yield": asked.get("hp_per_psi") is not None or asked.get("kw_per_kpa") is not None, "rule": asked.get("rule") is not None,
    }  # fmt: skip
    kinds = [kind for kind, is_stated in stated.items() if is_stated]
    ways = (
        "a power (na, boost, made), a part's gain (na, part, gain), a yield (na, hp_per_psi) or a rule (rule); "
        "`poundworth claim --help` shows examples"
    )
    if len(kinds) != 1:
        given = "nothing that can be judged" if not kinds else " and ".join(kinds)
        raise RequestProblem(f"The claim states {given}; it states one thing: {ways}.")
    needs = {"made": ("na", "boost", "made"), "gain": ("na", "part", "gain"), "yield": ("na",), "rule": ()}[kinds[0]]
    missing = [name for name in needs if asked.get(name) is None]
    if missing:
        raise RequestProblem(
            f"The claim states no {' and no '.join(missing)}; it needs {', '.join(needs)}. Give it, with its unit."
        )
    return {"made": "boost", "gain": "part", "yield": "yield", "rule": "rule"}[kinds[0]]


def _engine(asked: dict[str, Any], model: Any, kind: str) -> tuple[Any, float, bool]:
    from models.claims import reference_boost_kpa
    from models.estimate_records import EngineRequest
    from models.expected_power import check_request
    from pipeline.cli.estimate import engine_request

    has_boost = asked.get("boost") is not None
    if model is None:
        na = _power(str(asked["na"]), "output without boost", asked["units"])
        engine, factor = EngineRequest(na, 1.0), 1.0
    else:
        engine, factor = engine_request({**dict.fromkeys(_ENGINE), **asked, "as_json": True}, model)
    if not has_boost:
        from dataclasses import replace

        engine = replace(engine, boost_kpa=reference_boost_kpa(engine.ambient_kpa))
    check_request(engine)
    return engine, factor, has_boost or kind == "part"


_ENGINE = (
    "na", "boost", "made", "displacement", "compression_ratio", "induction", "cooling", "fuel", "octane_aki", "octane_ron", "baseline_hardware",
    "ambient", "altitude", "na_is", "measured_at", "catalogue", "compressor_rating",
)  # fmt: skip


def _power(text: str, what: str, units: str) -> float:
    from models.expected_power import POSSIBLE
    from pipeline.cli.amounts import read_amount
    from pipeline.errors import RequestProblem

    kw = read_amount(text, "power", units)
    low, high, unit = POSSIBLE["na_power_kw"]
    if not low <= kw <= high:
        raise RequestProblem(
            f"The {what} {text!r} comes to {kw:,.4g} {unit}; what an engine makes is {low:g} to {high:,.0f} {unit}. Check the figure and its unit."
        )
    return kw


def _gain_kw(text: str, na_kw: float, units: str) -> float:
    """A gain as power or in per cent of the output without boost; at most that output to either side."""
    from pipeline.cli.amounts import read_amount
    from pipeline.errors import RequestProblem, UnitProblem

    stripped = text.strip()
    if stripped.endswith("%"):
        try:
            kw = na_kw * float(stripped[:-1].replace(",", ".").replace("\u2212", "-")) / 100.0
        except ValueError:
            raise UnitProblem(f"The gain {text!r} is no percentage; write it as 40hp, 30kW or 10%.") from None
    else:
        kw = read_amount(text, "power", units)
    if not -na_kw < kw <= na_kw:
        raise RequestProblem(
            f"The gain {text!r} comes to {kw:,.4g} kW on an engine of {na_kw:,.4g} kW; a part's gain is at most the engine's own output. "
            "Check the figures and their units."
        )
    return kw


def _per_kpa(asked: dict[str, Any]) -> float:
    """A claimed yield in kW per kPa."""
    from pipeline.errors import RequestProblem
    from pipeline.units import convert, unit_named

    if asked.get("hp_per_psi") is not None and asked.get("kw_per_kpa") is not None:
        raise RequestProblem("The claim states hp_per_psi and kw_per_kpa; give one of them.")
    if asked.get("kw_per_kpa") is not None:
        value = float(asked["kw_per_kpa"])
    else:
        value = (
            float(asked["hp_per_psi"])
            * convert(1.0, unit_named("hp"), unit_named("kW"))
            / convert(1.0, unit_named("psi"), unit_named("kPa"))
        )
    if not 0.0 < value <= 100.0:
        raise RequestProblem(
            f"The yield comes to {value:g} kW per kPa; it lies above 0 and is at most 100. Give it as in --hp-per-psi 14."
        )
    return value


def _parts(text: str) -> tuple[str, ...]:
    from pipeline.codes import read_parts
    from pipeline.errors import RequestProblem

    read = read_parts(text)
    if not read.parts or read.unknown:
        raise RequestProblem(
            f"The part {text!r} is not known; `poundworth dictionary` lists the parts, in any usual words. Name one, or several joined by +."
        )
    return tuple(sorted(read.parts))


def _rule_id(text: str) -> str:
    return re.sub(r"[^a-z0-9]+", "_", text.strip().lower()).strip("_")


# --- files --------------------------------------------------------------------------------------------------------------


def read_claims(file: Path, units: str) -> Iterator[GivenClaim]:
    """Each row of a file of claims (any form that contributed files have), with what its cells say.

    Raises
    ------
    FileProblem, RequestProblem : the file cannot be read, holds no table of claims, or too many.
    """
    from pipeline.errors import RequestProblem
    from pipeline.grid import find_tables
    from pipeline.read_raw import ReadOptions, read_grids

    tables = [
        table
        for grid in read_grids(file, ReadOptions())
        for table in find_tables(grid, lambda text: _column_of(text) is not None)
    ]
    columns = [[_column_of(_header(table, i)) for i in range(len(table.headers))] for table in tables]
    rows = sum(table.cells.height for table in tables)
    if not any(
        any(one is not None and one[0] in ("made", "gain", "rule", "hp_per_psi", "kw_per_kpa") for one in row) for row in columns
    ):
        raise RequestProblem(
            f"{file.name} holds no claim; a table of claims has a header row with na, boost and made, with na, part and gain, with na and "
            "hp_per_psi, or with rule. Write such headers, with units as in made_hp."
        )
    if rows > MOST_CLAIMS:
        raise RequestProblem(f"{file.name} holds {rows:,} claims; at most {MOST_CLAIMS:,} are judged at a time. Split the file.")
    for table, found in zip(tables, columns, strict=True):
        for cells in table.cells.iter_rows():
            yield _given(cells[0], table.headers, cells[1:], found, units)


def _header(table: Any, i: int) -> str:
    unit = table.units[i] if i < len(table.units) else None
    return f"{table.headers[i]} {unit}" if unit else str(table.headers[i])


def _column_of(header: str) -> tuple[str, str] | None:
    """What a column states, and the unit in its header ("" for none); None: no part of a claim."""
    from pipeline.units import find_unit

    words = re.sub(r"[\W_]+", " ", header.lower()).split()
    spellings = {spelling: name for name, all_of in CLAIM_WORDS.items() for spelling in all_of}
    whole = " ".join(words)
    if whole in spellings:
        return spellings[whole], ""
    for cut in range(len(words) - 1, max(len(words) - 3, 0), -1):
        name, unit = spellings.get(" ".join(words[:cut])), " ".join(words[cut:])
        if name in _WITH_UNIT and find_unit(unit, _WITH_UNIT[name]) is not None:
            return name, unit
    return _known_column(header)


def _known_column(header: str) -> tuple[str, str] | None:
    """The same for a header that contributed files have too."""
    from pipeline.headers import recognise_headers

    column = recognise_headers([header])[0]
    name = _FIELDS.get(column.field or "")
    return None if name is None else (name, column.unit or "")


def _given(
    line: Any, headers: tuple[str, ...], cells: tuple[Any, ...], found: list[tuple[str, str] | None], units: str
) -> GivenClaim:
    shown = {header: str(cell) for header, cell in zip(headers, cells, strict=False) if cell is not None}
    asked: dict[str, Any] = {"units": units}
    for column, cell in zip(found, cells, strict=False):
        if column is None or cell is None or not str(cell).strip() or asked.get(column[0]) is not None:
            continue
        name, unit = column
        text = str(cell).strip()
        # a bare figure takes the unit of its header; one with its own keeps it
        has_own = any(c.isalpha() or c == "%" for c in text)
        asked[name] = f"{text} {unit}" if unit and name in _WITH_UNIT and not has_own else text
    return GivenClaim(None if line is None else int(line), shown, asked)


def settle_numbers(asked: dict[str, Any]) -> dict[str, Any]:
    """The same with plain numbers and flags read.

    Raises
    ------
    RequestProblem : a cell is no number.
    """
    from pipeline.errors import RequestProblem

    settled = dict(asked)
    for name in _NUMBERS:
        text = settled.get(name)
        if isinstance(text, str):
            try:
                settled[name] = float(text.replace(",", "."))
            except ValueError:
                raise RequestProblem(f"The {name.replace('_', ' ')} {text[:60]!r} is no number; write it as 9.5.") from None
    if isinstance(settled.get("catalogue"), str):
        settled["catalogue"] = settled["catalogue"].strip().lower() in _TRUE
    if settled.get("na_is") is not None and settled["na_is"] not in ("observed", "corrected"):
        raise RequestProblem(f"na_is is {str(settled['na_is'])[:60]!r}; it may be observed or corrected. Write one of them.")
    return settled
