"""HL7 v2 text: escape, unescape, and the split of an answer into segments and fields (HL7 v2.5.1 chapter 2)."""

from __future__ import annotations

import codecs
import re
from dataclasses import dataclass

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


@dataclass(frozen=True, slots=True)
class Signs:
    """The separators that a message declares in MSH-1 and MSH-2, one ASCII sign each (2.14.9.1, 2.14.9.2)."""

    field: str = "|"
    component: str = "^"
    repetition: str = "~"
    escape: str = "\\"
    subcomponent: str = "&"


STANDARD = Signs()
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


def signs_of(header: bytes) -> Signs | None:
    """Give the separators that an MSH segment declares; None if it is none, or they are not different signs.

    What follows the fifth sign (the truncation character of v2.7) is not looked at; one that is left out is the standard's.
    """
    declared = re.match(rb"MSH([!-/:-@\[-`{-~])([!-/:-@\[-`{-~]{1,5})", header)
    if declared is None:
        return None
    field = declared[1].decode("ascii")
    given = declared[2].decode("ascii").partition(field)[0][:4]
    standard = (STANDARD.component, STANDARD.repetition, STANDARD.escape, STANDARD.subcomponent)
    signs = Signs(field, *given, *standard[len(given) :])
    distinct = {signs.field, signs.component, signs.repetition, signs.escape, signs.subcomponent}
    return signs if given and len(distinct) == 5 else None


def readable_codec(name: str, *, default: str) -> str:
    """Give Python's name for a character set of HL7 table 0211 in which structure can be found byte by byte; ``default`` for "".

    Raises LookupError for any other: in some (GB 18030, Shift JIS) the second byte of a character looks like a separator.
    """
    if not name:
        return default
    if name not in _CODECS:
        raise LookupError(name)
    return _CODECS[name]


def escape(text: str) -> str:
    """Give ``text`` so that no character of it is structure; control characters become hexadecimal escapes."""
    return _TO_ESCAPE.sub(lambda found: _ESCAPES.get(found[0]) or f"\\X{ord(found[0]):02X}\\", text)


def unescape(text: str, signs: Signs = STANDARD) -> str:
    r"""Give ``text`` without escapes; ``signs`` are its message's. It may hold CR and delimiters now: never split it again.

    What cannot be said for certain stays as it is: unknown escapes, and ``\Xhh\`` beyond ASCII, whose charset is unknown.
    """
    if signs is STANDARD:
        return _ESCAPED.sub(_literal, text)
    mark = re.escape(signs.escape)
    said = {"E": signs.escape, "F": signs.field, "S": signs.component, "T": signs.subcomponent, "R": signs.repetition}
    return re.sub(f"{mark}([^{mark}\r\n]*){mark}", lambda found: said.get(found[1]) or _literal(found), text)


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
