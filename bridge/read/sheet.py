"""A capture's text: its lines, and the way from a byte range to a printed value.

Everything is found in bytes and decoded strictly, field by field, by the charset that the profile declares;
so every value knows its byte range in the capture, and nothing is ever guessed.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field

from bridge.errors import RejectError
from bridge.making import maker
from bridge.model import Place, Printed, PrintedPad
from bridge.wire.text import Unframed

_printed = maker(Printed)

BLANKS = b" \t"
_EDGES = frozenset((b" ", b"\t"))  # what a value may begin or end with that is not its own
_CONTROLS = re.compile("[\x00-\x1f\x7f-\x9f]")  # C0, DEL and C1 (ISO 6429): never inside a value
_ODD_CONTROLS = re.compile(
    "[\x00-\x08\x0b\x0e-\x1f\x7f-\x9f]"
)  # all but tab, line feed, form feed, carriage return, which part a record
_LINES = re.compile(rb"([^\r\n]*)(\r\n|\r|\n|\Z)")
_SLIP_LINES = re.compile(rb"([^\r\n\f]*)(\r\n|\r|\n|\f|\Z)")


@dataclass(frozen=True, slots=True)
class Line:
    """A line's text is ``[start, end)``; ``stop`` is after its line end, equal to ``end`` where it has none."""

    start: int
    end: int
    stop: int


@dataclass(frozen=True, slots=True)
class Envelope:
    """A stretch of the text that belongs to no strip: a header, a terminator, blank lines."""

    start: int
    end: int


@dataclass(frozen=True, slots=True)
class Broken:
    """A stretch that gave no reading, and why. The fault's offsets are the capture's, the stretch's are the text's."""

    start: int
    end: int
    record: bytes
    fault: RejectError


@dataclass(slots=True)
class Strip:
    """A stretch that is one strip. ``record`` is its own bytes, without the last line end."""

    start: int
    end: int
    record: bytes
    fields: dict[str, Printed] = field(default_factory=dict)
    comments: list[Printed] = field(default_factory=list)
    pads: list[PrintedPad] = field(default_factory=list)

    def put(self, name: str, value: Printed) -> None:
        """Keep a field's value; an empty one says nothing.

        Raises RejectError (``read.twice``) if the record says two different things.
        """
        if not value.text:
            return
        if name == "comment":
            self.comments.append(value)
            return
        earlier = self.fields.setdefault(name, value)
        if earlier.text != value.text:
            raise RejectError(
                "read.twice",
                f"The record names two different values for one thing ({name.replace('_', ' ')}).",
                remedy="Compare the slip with the analyzer's memory, and send the strip again.",
                start=value.place.start,
                end=value.place.end,
            )


Piece = Envelope | Broken | Strip


class Sheet:
    """The text of one capture under one charset. Offsets are the text's; places are the capture's."""

    def __init__(self, unframed: Unframed, charset: str) -> None:
        self.unframed = unframed
        self.bytes = unframed.data
        self.charset = charset

    def lines(self, *, pages: bool = False) -> Iterator[Line]:
        """Give the lines in order; together they are the whole text. ``pages``: a form feed ends a line too."""
        for found in (_SLIP_LINES if pages else _LINES).finditer(self.bytes):
            if found.start() != found.end():
                yield Line(found.start(), found.end(1), found.end())

    def is_blank(self, line: Line) -> bool:
        """Say whether a line holds blanks only."""
        return not self.bytes[line.start : line.end].strip(BLANKS)

    def text(self, start: int, end: int) -> str:
        """Decode a whole record. Raises RejectError (``read.undecodable``, ``read.control``) naming the first bad byte."""
        try:
            text = self.bytes[start:end].decode(self.charset)
        except UnicodeDecodeError as error:
            raise self._bad(
                "read.undecodable", start + error.start, start + error.end, f"is not text in the character set {self.charset}"
            ) from error
        odd = _ODD_CONTROLS.search(text)
        if odd is not None:
            at = start + len(text[: odd.start()].encode(self.charset))
            raise self._bad("read.control", at, at + 1, "has no place in a text")
        return text

    def printed(self, start: int, end: int, unescape: Callable[[bytes], bytes] | None = None) -> Printed:
        """Give the value at ``[start, end)``, outer blanks stripped. ``unescape`` undoes the layout's escapes first.

        Raises RejectError (``read.undecodable``, ``read.control``).
        """
        raw = self.bytes[start:end]
        if raw[:1] in _EDGES or raw[-1:] in _EDGES:
            start += len(raw) - len(raw.lstrip(BLANKS))
            raw = raw.strip(BLANKS)
            end = start + len(raw)
        try:
            text = (unescape(raw) if unescape else raw).decode(self.charset)
        except UnicodeDecodeError as error:
            raise self._bad("read.undecodable", start, end, f"is not text in the character set {self.charset}") from error
        if _CONTROLS.search(text):
            raise self._bad("read.control", start, end, "has no place in a value")
        return _printed(text=text, place=self.unframed.place(start, end))

    def place(self, start: int, end: int) -> Place:
        """Give the capture's byte range of a stretch of the text."""
        return self.unframed.place(start, end)

    def fault(self, rule: str, sentence: str, where: tuple[int, int], *, remedy: str) -> RejectError:
        """Make the error for a stretch of the text, with the capture's place."""
        place = self.place(*where)
        return RejectError(rule, sentence, remedy=remedy, start=place.start, end=place.end)

    def _bad(self, rule: str, start: int, end: int, said: str) -> RejectError:
        shown = self.bytes[start : min(end, start + 4)].hex(" ").upper()
        return self.fault(
            rule,
            f"A byte in this record {said} ({shown}).",
            (start, end),
            remedy="Check the line's bits, parity and speed and the profile's charset; then send the strip again.",
        )
