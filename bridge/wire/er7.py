"""HL7 v2 text: escape, unescape, and the split of an answer into segments and fields (HL7 v2.5.1 chapter 2)."""

from __future__ import annotations

import codecs
import re

_ESCAPES = {"\\": "\\E\\", "|": "\\F\\", "^": "\\S\\", "&": "\\T\\", "~": "\\R\\"}  # 2.7.1
_LITERALS = {
    "E": "\\",
    "F": "|",
    "S": "^",
    "T": "&",
    "R": "~",
    "H": "",
    "N": "",
    ".br": "\n",
}  # 2.7.1, 2.7.6; highlighting is dropped
_TO_ESCAPE = re.compile(r"[\\|^&~\x00-\x1f\x7f]")
_ESCAPED = re.compile(r"\\([^\\\r\n]*)\\")
_ASCII_HEX = re.compile(r"X((?:[0-7][0-9A-Fa-f])+)")

MSH_18 = 18  # 2.14.9.18: the message's character set
_CODECS = {  # HL7 table 0211
    "": "ascii",
    "ASCII": "ascii",
    "8859/1": "iso8859-1",
    "8859/15": "iso8859-15",
    "UNICODE UTF-8": "utf-8",
}


def codec(charset: str) -> str:
    """Give Python's name for ``charset``, as MSH-18 has it or as Python has it. Raises LookupError if nobody knows it."""
    return _CODECS.get(charset) or codecs.lookup(charset).name


def declared_codec(message: bytes) -> str:
    """Give Python's name for the character set that a message declares in MSH-18; ``ascii`` where it declares none, or one nobody knows."""
    header = split(message.split(b"\r", 1)[0], "8859/1")
    try:
        return codec(header[0][MSH_18])
    except (IndexError, LookupError):
        return "ascii"


def escape(text: str) -> str:
    """Give ``text`` so that no character of it is structure; control characters become hexadecimal escapes."""
    return _TO_ESCAPE.sub(lambda found: _ESCAPES.get(found[0]) or f"\\X{ord(found[0]):02X}\\", text)


def unescape(text: str) -> str:
    r"""Give ``text`` without escapes. It may hold CR and delimiters now: never split it again.

    What cannot be said for certain stays as it is: unknown escapes, and ``\Xhh\`` beyond ASCII, whose charset is unknown.
    """
    return _ESCAPED.sub(_literal, text)


def _literal(found: re.Match[str]) -> str:
    inside = found[1]
    if inside in _LITERALS:
        return _LITERALS[inside]
    digits = _ASCII_HEX.fullmatch(inside)
    return bytes.fromhex(digits[1]).decode("ascii") if digits else found[0]


def split(message: bytes, charset: str) -> list[list[str]]:
    """Give an answer's segments and their fields, still escaped; index n of a segment is its field n.

    In MSH, index 1 is the field separator itself. Segments may end with CR, LF or both. An undecodable byte becomes
    U+FFFD: an answer's free text must not hide its code. Raises LookupError for an unknown ``charset``.
    """
    lines = [line for line in re.split(r"[\r\n]+", message.decode(codec(charset), errors="replace")) if line]
    separator = lines[0][3] if lines and lines[0].startswith("MSH") and len(lines[0]) > 3 else "|"
    return [_fields(line, separator) for line in lines]


def _fields(line: str, separator: str) -> list[str]:
    fields = line.split(separator)
    return [fields[0], separator, *fields[1:]] if fields[0] == "MSH" else fields
