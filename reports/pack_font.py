"""The one font of a pack's figures, and the part of it that a picture needs, as a font of its own to be set inside the picture.

A TrueType file is a directory of tables; the part keeps the outlines of the characters that are asked for, renumbers them,
and writes the tables anew that count or place them (OpenType specification 1.9.1: tables ``cmap``, ``glyf``, ``loca``, ``hmtx``,
``hhea``, ``maxp``, ``head``, ``post``; https://learn.microsoft.com/typography/opentype/spec/).
"""

from __future__ import annotations

import struct
from collections.abc import Iterable
from pathlib import Path

FONTS = Path(__file__).parent / "fonts"
#: Weight -> file of the bundled font; all are under the SIL Open Font License in ``OFL.txt`` beside them.
FONT_FILES: dict[int, str] = {400: "LiberationSans-Regular.ttf", 700: "LiberationSans-Bold.ttf"}
FONT_LICENCE = "OFL.txt"

#: Tables that are taken over as they are: names, metrics of lines, and the programs that the outlines' hints call.
_KEPT = ("OS/2", "cvt ", "fpgm", "name", "prep")
# Flags of the parts of a compound outline.
_WORDS, _SCALE, _MORE, _TWO_SCALES, _MATRIX = 0x1, 0x8, 0x20, 0x40, 0x80


def part_of_font(font: bytes, characters: Iterable[str]) -> bytes:
    """A TrueType font that holds only these characters (and the sign for a missing one); unknown characters are left out.

    Parameters
    ----------
    font : a TrueType file with outlines and a Unicode character map of format 4.
    characters : single characters.
    """
    tables = _tables(font)
    known = _character_map(tables["cmap"])
    wanted = {ord(c): known[ord(c)] for c in characters if ord(c) in known and ord(c) < 0xFFFF}
    outlines = _outlines(tables)
    order = _with_parts(sorted({0, *wanted.values()}), outlines)
    new_of = {old: new for new, old in enumerate(order)}
    glyphs = [_renumbered(outlines[old], new_of) for old in order]
    made = {name: tables[name] for name in _KEPT if name in tables}
    made |= _placed(glyphs) | _measured(tables, order)
    made["cmap"] = _map_table({code: new_of[glyph] for code, glyph in wanted.items()})
    made["post"] = struct.pack(">I", 0x00030000) + tables["post"][4:32]
    made["head"] = tables["head"][:8] + bytes(4) + tables["head"][12:50] + struct.pack(">h", 1) + tables["head"][52:]
    return _file(made)


def _tables(font: bytes) -> dict[str, bytes]:
    count = struct.unpack(">H", font[4:6])[0]
    found = {}
    for k in range(count):
        tag, _, start, length = struct.unpack(">4sIII", font[12 + 16 * k : 28 + 16 * k])
        found[tag.decode("latin-1")] = font[start : start + length]
    return found


def _character_map(cmap: bytes) -> dict[int, int]:
    """Code point -> number of the outline, from the map of format 4."""
    for k in range(struct.unpack(">H", cmap[2:4])[0]):
        _, _, start = struct.unpack(">HHI", cmap[4 + 8 * k : 12 + 8 * k])
        if struct.unpack(">H", cmap[start : start + 2])[0] == 4:
            return _format_4(cmap[start:])
    return {}


def _format_4(table: bytes) -> dict[int, int]:
    twice = struct.unpack(">H", table[6:8])[0]
    count = twice // 2

    def column(at: int, kind: str) -> tuple[int, ...]:
        return struct.unpack(f">{count}{kind}", table[at : at + twice])

    ends, starts = column(14, "H"), column(16 + twice, "H")
    shifts, offsets = column(16 + 2 * twice, "h"), column(16 + 3 * twice, "H")
    found = {}
    for k in range(count):
        for code in range(starts[k], min(ends[k], 0xFFFE) + 1):
            glyph = code
            if offsets[k]:
                at = 16 + 3 * twice + 2 * k + offsets[k] + 2 * (code - starts[k])
                glyph = struct.unpack(">H", table[at : at + 2])[0]
                if glyph == 0:
                    continue
            found[code] = (glyph + shifts[k]) & 0xFFFF
    return found


def _outlines(tables: dict[str, bytes]) -> list[bytes]:
    count = struct.unpack(">H", tables["maxp"][4:6])[0]
    if struct.unpack(">h", tables["head"][50:52])[0]:
        places = struct.unpack(f">{count + 1}I", tables["loca"][: 4 * (count + 1)])
    else:
        places = tuple(2 * at for at in struct.unpack(f">{count + 1}H", tables["loca"][: 2 * (count + 1)]))
    return [tables["glyf"][places[k] : places[k + 1]] for k in range(count)]


def _parts(outline: bytes) -> list[int]:
    """Where the numbers of the parts of a compound outline stand; empty for a plain one."""
    if len(outline) < 10 or struct.unpack(">h", outline[:2])[0] >= 0:
        return []
    at, found, more = 10, [], True
    while more:
        flags = struct.unpack(">H", outline[at : at + 2])[0]
        found.append(at + 2)
        at += 8 if flags & _WORDS else 6
        at += 2 if flags & _SCALE else 4 if flags & _TWO_SCALES else 8 if flags & _MATRIX else 0
        more = bool(flags & _MORE)
    return found


def _with_parts(wanted: list[int], outlines: list[bytes]) -> list[int]:
    order = list(wanted)
    for glyph in order:  # grows while it is read
        parts = [struct.unpack(">H", outlines[glyph][at : at + 2])[0] for at in _parts(outlines[glyph])]
        order += [part for part in dict.fromkeys(parts) if part not in order]
    return order


def _renumbered(outline: bytes, new_of: dict[int, int]) -> bytes:
    made = bytearray(outline)
    for at in _parts(outline):
        made[at : at + 2] = struct.pack(">H", new_of[struct.unpack(">H", outline[at : at + 2])[0]])
    return bytes(made) + bytes(-len(made) % 4)


def _placed(glyphs: list[bytes]) -> dict[str, bytes]:
    places = [0]
    for glyph in glyphs:
        places.append(places[-1] + len(glyph))
    return {"glyf": b"".join(glyphs), "loca": struct.pack(f">{len(places)}I", *places)}


def _measured(tables: dict[str, bytes], order: list[int]) -> dict[str, bytes]:
    """Widths and side bearings of the kept outlines, and the counts that go with them."""
    full = struct.unpack(">H", tables["hhea"][34:36])[0]
    rows = []
    for glyph in order:
        width = tables["hmtx"][4 * min(glyph, full - 1) : 4 * min(glyph, full - 1) + 2]
        bearing = 4 * glyph + 2 if glyph < full else 4 * full + 2 * (glyph - full)
        rows.append(width + tables["hmtx"][bearing : bearing + 2])
    count = struct.pack(">H", len(order))
    return {
        "hmtx": b"".join(rows), "hhea": tables["hhea"][:34] + count, "maxp": tables["maxp"][:4] + count + tables["maxp"][6:],
    }  # fmt: skip


def _map_table(glyph_of: dict[int, int]) -> bytes:
    """A character map of format 4 with one stretch for each character and the closing one."""
    codes = sorted(glyph_of)
    ends = [*codes, 0xFFFF]
    shifts = [(glyph_of[code] - code) & 0xFFFF for code in codes] + [1]
    count = len(ends)
    power = 1 << (count.bit_length() - 1)
    search = (2 * count, 2 * power, power.bit_length() - 1, 2 * (count - power))
    body = struct.pack(">4H", *search) + struct.pack(f">{count}H", *ends) + bytes(2)
    body += struct.pack(f">{count}H", *ends) + struct.pack(f">{count}H", *shifts) + bytes(2 * count)
    return struct.pack(">HHHHI", 0, 1, 3, 1, 12) + struct.pack(">HHH", 4, 6 + len(body), 0) + body


def _sum(table: bytes) -> int:
    padded = table + bytes(-len(table) % 4)
    return sum(struct.unpack(f">{len(padded) // 4}I", padded)) & 0xFFFFFFFF


def _file(tables: dict[str, bytes]) -> bytes:
    names = sorted(tables)
    power = 1 << (len(names).bit_length() - 1)
    head = struct.pack(">IHHHH", 0x00010000, len(names), 16 * power, power.bit_length() - 1, 16 * (len(names) - power))
    at, directory, body = 12 + 16 * len(names), b"", b""
    for name in names:
        table = tables[name]
        directory += struct.pack(">4sIII", name.encode("latin-1"), _sum(table), at + len(body), len(table))
        body += table + bytes(-len(table) % 4)
    made = bytearray(head + directory + body)
    # The sum of the whole file is made to come out at a fixed figure by one word of the table `head`.
    place = next(struct.unpack(">I", directory[16 * k + 8 : 16 * k + 12])[0] for k, name in enumerate(names) if name == "head")
    made[place + 8 : place + 12] = struct.pack(">I", (0xB1B0AFBA - _sum(bytes(made))) & 0xFFFFFFFF)
    return bytes(made)
