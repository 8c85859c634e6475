"""What the page about the data says in words; every figure comes from the summary."""

from __future__ import annotations

from pipeline.data_records import ClassLine, DataSummary, Evidence, SuspectLine
from reports.labels import COOLING, INDUCTION, clean_text, word_for
from reports.numbers import (
    THIN,
    InBothUnits,
    UnitSystem,
    count_of,
    in_both,
    show_nominal,
    show_reported,
    write_count,
    write_number,
)

#: A class with fewer builds or publishers is not compared with others.
LEAST_BUILDS, LEAST_PUBLISHERS = 5, 2
#: Standards of correction as they are printed.
STANDARDS: dict[str, str] = {
    "uncorrected": "uncorrected", "sae_j1349": "SAE J1349", "sae_j607": "SAE J607", "din_70020": "DIN 70020", "iso_1585": "ISO 1585",
    "ece_r85": "ECE R85", "eec_80_1269": "EEC 80/1269", "jis_d1001": "JIS D 1001", "sae_j1995": "SAE J1995",
}  # fmt: skip
ALIKE: dict[str, str] = {
    "name": "the builds have like names", "engine": "both name the same test engine", "speeds": "power peaks at the same speeds",
    "displacement": "displacement agrees",
}  # fmt: skip


def say_data_headline(data: DataSummary) -> str:
    """How much of what was sent is in."""
    c = data.counts
    if not c["rows_read"]:
        return "No row has been read yet."
    return (
        f"{write_count(c['accepted'])} of {count_of(c['rows_read'], 'row')} {'is' if c['accepted'] == 1 else 'are'} in: "
        f"{count_of(c['builds'], 'build')} from {count_of(c['sources'], 'source')}."
    )


def say_balance(data: DataSummary) -> str:
    """Where the other rows are; the three counts add up to the rows read."""
    c = data.counts
    refused = (
        "No row was refused"
        if not c["refused"]
        else f"{count_of(c['refused'], 'row')} {'was' if c['refused'] == 1 else 'were'} refused, each with a reason that says what to mend"
    )
    repeated = (
        "no row repeats a test"
        if not c["repeated"]
        else f"{count_of(c['repeated'], 'row')} {'repeats' if c['repeated'] == 1 else 'repeat'} a test that is counted under its first publication"
    )
    return f"{refused}; {repeated}. Nothing vanishes on the way."


def say_thick(evidence: Evidence) -> InBothUnits:
    """Where half of the boosted runs stand, and where the records end."""
    if not evidence.power_kw:
        return in_both(lambda s: "No boosted run has a run without boost to be compared with.")
    p, b = evidence.power_kw, evidence.boost_kpa

    def say(s: UnitSystem) -> str:
        return (
            f"Half of the {write_count(evidence.runs)} boosted runs stand between {show_nominal(p[1], 'power', s, unit=False)} and "
            f"{show_nominal(p[3], 'power', s)} without boost, and half between {show_nominal(b[1], 'boost', s, unit=False)} and "
            f"{show_nominal(b[3], 'boost', s)}. Nothing is known beyond {show_nominal(p[4], 'power', s)} or {show_nominal(b[4], 'boost', s)}."
        )

    return in_both(say)


def class_words(line: ClassLine) -> str:
    """``Turbocharger, air-to-air cooled``."""
    return f"{word_for(line.induction, INDUCTION)}, {word_for(line.charge_cooling, COOLING)}"


def say_class(line: ClassLine) -> str:
    """How much stands behind a class, and whether it is enough to be compared."""
    amount = f"{count_of(line.builds, 'build')}, {count_of(line.runs, 'run')}, {count_of(line.publishers, 'publisher')}"
    return amount + ("; too thin to compare" if is_thin(line) else "")


def is_thin(line: ClassLine) -> bool:
    """Whether a class has too few builds or publishers to be compared with others."""
    return line.builds < LEAST_BUILDS or line.publishers < LEAST_PUBLISHERS


def describe_evidence(evidence: Evidence, s: UnitSystem) -> str:
    """Words that stand in for the map."""
    grid = evidence.grids[s.code]
    most = max(grid.all_cells, key=lambda c: c.builds, default=None)
    if most is None:
        return "An empty map: no boosted run can be compared with one without boost."
    power = f"{show_nominal(most.power_low_kw, 'power', s, unit=False)} to {show_nominal(most.power_high_kw, 'power', s)}"
    boost = f"{show_nominal(most.boost_low_kpa, 'boost', s, unit=False)} to {show_nominal(most.boost_high_kpa, 'boost', s)}"
    single = sum(c.builds == 1 for c in grid.all_cells)
    return (
        f"Map of output without boost against boost. Most builds, {write_count(most.builds)}, stand at {power} and {boost}; "
        f"{count_of(len(grid.all_cells), 'cell')} hold evidence, {write_count(single)} of them a single build."
    )


def say_share(filled: int, of: int) -> str:
    """A share of records as a percentage; never 0 % or 100 % unless it is."""
    if not of:
        return "\u2013"
    share = 100 * filled / of
    if 0 < filled < of and not 1 <= share <= 99:
        return ("under 1" if share < 1 else "over 99") + THIN + "%"
    return write_number(share, 0) + THIN + "%"


def say_suspect(line: SuspectLine) -> InBothUnits:
    """Why two builds look like one test."""
    return in_both(lambda s: _why(line, s) + _also(line))


def _why(line: SuspectLine, s: UnitSystem) -> str:
    agree = f"{write_count(line.figures)} of the {count_of(line.compared, 'figure')} that both print agree"
    odd = next((p for p in line.rows if not p.alike and p.power_kw is not None and p.near_power_kw is not None), None)
    differ = "" if odd is None else _odd_words(odd.boost_kpa, odd.power_kw, odd.near_boost_kpa, odd.near_power_kw, s)
    ratio = "" if line.ratio is None else write_number(line.ratio, 3)
    standards = (
        f", as between {STANDARDS.get(line.corrections[0], line.corrections[0])} and {STANDARDS.get(line.corrections[1], line.corrections[1])}, which they state"
        if line.corrections
        else ", as between two correction standards"
    )
    texts = {
        "rounded": f"All figures agree within their printed digits ({write_count(line.figures)} of them): one seems a conversion of the other.",
        "misprint": f"{agree}; the other one differs as a misprint would{differ}.",
        "figure_differs": f"{agree}; the other one does not{differ}.",
        "baseline_missing": f"All boosted figures agree ({write_count(line.figures)} of them); one publication leaves out the run without boost.",
        "other_standard": f"All powers stand in one ratio, {ratio}, at the same boost{standards}.",
        "hp_or_ps": f"All powers stand in one ratio, {ratio}, at the same boost: that of hp to metric hp.",
        "engine_differs": f"All {write_count(line.figures)} figures are equal, but what the two say of the engine is not.",
        "few_figures": f"All {write_count(line.figures)} figures are equal, but so few can be by chance, and nothing else ties the two.",
        "same_publisher": f"All {write_count(line.figures)} figures are equal, under one publisher in two sources.",
    }
    return texts.get(line.reason, agree + ".")


def _odd_words(
    boost: float | None, power: float | None, near_boost: float | None, near_power: float | None, s: UnitSystem
) -> str:
    same_power = power is not None and near_power is not None and abs(power - near_power) < 0.02
    quantity, here, there = ("boost", boost, near_boost) if same_power else ("power", power, near_power)
    return f" ({show_reported(here, quantity, s)} against {show_reported(there, quantity, s)})"


def _also(line: SuspectLine) -> str:
    parts = [f" Besides, {ALIKE[line.alike]}." if line.alike in ALIKE else ""]
    if line.is_counted_once:
        parts.append(" The equal rows are counted once already; this is about the row that differs.")
    return "".join(parts)


def say_code(code: str) -> str:
    """A code as a heading: ``Torque below power peak``."""
    words = clean_text(code).replace("_", " ")
    return words[:1].upper() + words[1:]
