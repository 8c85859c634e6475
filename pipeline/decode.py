"""Bytes of a contributed text file -> UTF-8 bytes with plain line feeds, or one sentence about why not."""

from __future__ import annotations

import codecs

import numpy as np

from pipeline.errors import FileProblem

#: Longest physical line. A row of 2,000 columns with 500 characters each; a longer one is no table but would be
#: carried through every step as one cell.
MAX_LINE_BYTES = 1 << 20

#: Encodings that a source may state. Python knows more names, but some of them are not text (zip, rot13) or cost
#: quadratic time on hostile input (punycode).
ENCODINGS = (
    "utf-8", "utf-16", "utf-16-le", "utf-16-be", "cp1252", "iso8859-1", "iso8859-15", "cp1250", "iso8859-2", "cp1251", "koi8-r",
    "cp1253", "cp1254", "cp437", "cp850", "mac-roman", "shift_jis", "cp932", "euc_jp", "gbk", "gb18030", "big5", "euc_kr",
)  # fmt: skip

_HEAD_BYTES = 1 << 16
_CHUNK_BYTES = 1 << 26
_CONTROLS = bytes(code for code in range(32) if code not in (9, 10, 12, 13)) + b"\x7f"

#: Share of control characters above which a file is taken for binary: text has none, a damaged line has a few.
_MOST_CONTROLS = 0.01


def decode_text(data: bytes, name: str, encoding: str | None) -> tuple[bytes, str]:
    r"""Return the text as UTF-8 with ``\n`` as the only line end, and the name of the encoding that was found.

    Without a stated encoding: a byte order mark decides; then zero bytes in every second place mean UTF-16; then
    UTF-8 if the whole file is valid; then cp1252.

    Raises
    ------
    FileProblem
        For an unknown encoding, bytes that the encoding does not allow, a binary file or a line that is too long.
    """
    known = _stated(encoding, name) if encoding else _found(data)
    text = _to_utf8(data, known, name, stated=encoding is not None)
    _refuse_binary(text, name)
    text = text.replace(b"\r\n", b"\n").replace(b"\r", b"\n")
    _refuse_long_lines(text, name)
    return text, known


def count_lines(text: bytes) -> int:
    """Count physical lines; a last line without a line end counts."""
    return text.count(b"\n") + (0 if text.endswith(b"\n") or not text else 1)


def _stated(encoding: str, name: str) -> str:
    try:
        canonical = codecs.lookup(encoding).name
    except (LookupError, ValueError):
        canonical = ""
    canonical = "utf-8" if canonical == "utf-8-sig" else canonical
    if canonical not in ENCODINGS:
        raise FileProblem(
            f"The encoding {encoding[:40]!r} stated for {name} is unknown, {', '.join(ENCODINGS)} are allowed; "
            "correct `encoding` in source.toml, or remove it to have it found."
        )
    return canonical


def _found(data: bytes) -> str:
    if data.startswith(codecs.BOM_UTF8):
        return "utf-8"
    if data.startswith((codecs.BOM_UTF16_LE, codecs.BOM_UTF16_BE)):
        return "utf-16"
    return _utf16_without_mark(data[:_HEAD_BYTES]) or ("utf-8" if _is_utf8(data) else "cp1252")


def _utf16_without_mark(head: bytes) -> str | None:
    even, odd = head[0::2], head[1::2]
    if len(odd) < 2:
        return None
    zeros_even, zeros_odd = even.count(0) / len(even), odd.count(0) / len(odd)
    if zeros_odd > 0.7 and zeros_even < 0.05:
        return "utf-16-le"
    if zeros_even > 0.7 and zeros_odd < 0.05:
        return "utf-16-be"
    return None


def _is_utf8(data: bytes) -> bool:
    try:
        data.decode("utf-8")
    except UnicodeDecodeError:
        return False
    return True


def _to_utf8(data: bytes, encoding: str, name: str, *, stated: bool) -> bytes:
    marked = data.startswith(codecs.BOM_UTF8)
    if encoding == "utf-8" and not stated and not marked:
        return data  # found by reading all of it
    try:
        text = data.decode(encoding)
    except UnicodeDecodeError as error:
        if encoding == "cp1252" and b"\0" in data:
            raise FileProblem(_binary_sentence(name)) from None
        line = data.count(b"\n", 0, error.start) + 1
        given = f"stated as {encoding}" if stated else "marked as UTF-8" if marked else "neither UTF-8 nor cp1252"
        raise FileProblem(
            f"{name} is {given}, but line {line} holds bytes that this does not allow (0x{data[error.start]:02x}); "
            'state its encoding in source.toml (such as encoding = "shift_jis") or save it as UTF-8.'
        ) from None
    return text.removeprefix("\ufeff").encode("utf-8")


def _refuse_binary(text: bytes, name: str) -> None:
    head = text[:_HEAD_BYTES]
    controls = len(head) - len(head.translate(None, _CONTROLS))
    if b"\0" in text or controls > _MOST_CONTROLS * max(len(head), 1):
        raise FileProblem(_binary_sentence(name))


def _binary_sentence(name: str) -> str:
    return (
        f"{name} holds binary data, text is allowed here (CSV, TSV, semicolon or pipe separated); "
        "send the table as text or as a workbook under its own extension."
    )


def _refuse_long_lines(text: bytes, name: str) -> None:
    """Look for the longest line in chunks, so that the search needs little memory beside the file."""
    last_end, line = -1, 1
    for start in range(0, len(text), _CHUNK_BYTES):
        ends = np.flatnonzero(np.frombuffer(text[start : start + _CHUNK_BYTES], np.uint8) == ord("\n")) + start
        gaps = np.diff(ends, prepend=last_end) - 1
        long = np.flatnonzero(gaps > MAX_LINE_BYTES)
        if long.size:
            raise FileProblem(_long_sentence(name, line + int(long[0]), int(gaps[long[0]])))
        last_end, line = (int(ends[-1]), line + ends.size) if ends.size else (last_end, line)
    if len(text) - last_end - 1 > MAX_LINE_BYTES:
        raise FileProblem(_long_sentence(name, line, len(text) - last_end - 1))


def _long_sentence(name: str, line: int, length: int) -> str:
    return (
        f"Line {line} of {name} is {length:,} bytes long, at most {MAX_LINE_BYTES:,} are read; "
        "send the table with one row a line."
    )
