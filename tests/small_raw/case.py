"""What one awkward contribution is, and the figures that it must come out as."""

from __future__ import annotations

from dataclasses import dataclass, field

HP, PS, PSI, BAR, INHG, KGF_CM2, LBF_FT, KGF_M = 0.7456999, 0.7354988, 6.894757, 100.0, 3.386389, 98.0665, 1.355818, 9.80665


@dataclass(frozen=True)
class Case:
    """One source of one file, and what is expected of it.

    Attributes
    ----------
    name : folder name.
    what : what is awkward about it.
    file : name of the file.
    content : its bytes or its text (written as UTF-8).
    rows_read, accepted, refused, repeated, runs, points, changes : counts of the build.
    refused_lines : "line:code+code" of each refused row, separated by spaces.
    flags : codes of all flags but "not_pinned", separated by spaces.
    values : "line field value" of stored figures, separated by "; " ("line/k" for the k-th run of a line).
    kind : record kind, or None where it is left out of source.toml.
    more : further lines of its [[file]] entry.
    others : further files of the folder.
    problem : words of the sentence with which the whole file is skipped, separated by "; ".
    """

    name: str
    what: str
    file: str
    content: str | bytes
    rows_read: int = 0
    accepted: int = 0
    refused: int = 0
    repeated: int = 0
    runs: int = 0
    points: int = 0
    changes: int = 0
    refused_lines: str = ""
    flags: str = ""
    values: str = ""
    kind: str | None = "runs"
    more: str = ""
    others: dict[str, str] = field(default_factory=dict)
    problem: str = ""

    def toml(self) -> str:
        """The source.toml."""
        kind = f'kind = "{self.kind}"\n' if self.kind else ""
        return (
            f'title = "{self.what}"\npublisher = "Awkward Sheets"\nlicence = "CC0-1.0"\ninvented = true\n\n'
            f'[[file]]\nname = "{self.file}"\n{kind}{self.more}'
        )


def told(**figures: float | str) -> str:
    """Expected figures, "L3_power_kw=111.9" as "3 power_kw 111.9"; "L3x2_power_kw" is the second run of line 3."""
    parts = []
    for name, value in figures.items():
        line, column = name[1:].split("_", 1)
        parts.append(f"{line.replace('x', '/')} {column} {value if isinstance(value, str) else f'{value:.6g}'}")
    return "; ".join(parts)
