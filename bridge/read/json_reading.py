"""Posted JSON readings (RFC 8259): the form is ``tables.documents.ReadingsDocument``; every value is text and knows its bytes.

The bytes are taken apart here rather than by a JSON library, since those tell no places. Only texts, lists and objects occur.
"""

from __future__ import annotations

import json
import re
from collections.abc import Iterator
from dataclasses import dataclass

from bridge.errors import RejectError
from bridge.model import Printed, PrintedPad
from bridge.read.sheet import Broken, Envelope, Piece, Sheet, Strip
from bridge.tables.types import JsonLayout, Profile
from bridge.wire.text import plain

DEEPEST = 8  # ours: a reading needs five levels; deeper is no reading
_BLANK = re.compile(rb"[ \t\n\r]*")  # RFC 8259 section 2
# RFC 8259 section 7; possessive, since each way back would be remembered: 500 MB for a text of 4 MB
_TEXT = re.compile(rb'"((?:[^"\\\x00-\x1f]++|\\["\\/bfnrt]|\\u[0-9A-Fa-f]{4})*+)"')
_OTHER = re.compile(rb"-?[0-9][0-9.eE+-]*|true|false|null")  # numbers and literals, which no reading holds
_AS_TEXT = "Write every value as text in quotes, as it was printed."
_FORM = "Compare with the published form, mappings/schemas/reading.json."


@dataclass(frozen=True, slots=True)
class Text:
    """A JSON string; the range lies inside the quotes."""

    start: int
    end: int


@dataclass(frozen=True, slots=True)
class Items:
    """A JSON array."""

    start: int
    end: int
    items: tuple[Node, ...]


@dataclass(frozen=True, slots=True)
class Members:
    """A JSON object; its keys in order, none twice."""

    start: int
    end: int
    members: dict[str, Node]


@dataclass(frozen=True, slots=True)
class Other:
    """A number, true, false or null."""

    start: int
    end: int


Node = Text | Items | Members | Other


class JsonReader:
    """Reads one capture's text; its pieces together are the whole text."""

    def __init__(self, sheet: Sheet, layout: JsonLayout) -> None:
        self._sheet = sheet
        self._layout = layout
        self._bytes = sheet.bytes

    def pieces(self) -> Iterator[Piece]:
        """Give the pieces in order. Raises nothing: a fault is a Broken piece."""
        end = len(self._bytes)
        try:
            readings = self._readings()
        except RejectError as fault:
            yield Broken(0, end, self._bytes, fault)
            return
        at = 0
        for index, node in enumerate(readings):
            yield Envelope(at, node.start)
            yield self._strip(node, f"/readings/{index}")
            at = node.end
        yield Envelope(at, end)

    # --- what stands in the document

    def _readings(self) -> tuple[Node, ...]:
        node, at = self._value(self._blank(0), 0)
        if self._blank(at) != len(self._bytes):
            raise self._broken("Something stands behind the end of the document.", at)
        whole = self._object(node, "", {"readings"})
        readings = whole.get("readings")
        if not isinstance(readings, Items) or not readings.items:
            raise self._shape("/readings is no list of readings.", node)
        return readings.items

    def _strip(self, node: Node, pointer: str) -> Strip | Broken:
        record = self._bytes[node.start : node.end]
        strip = Strip(node.start, node.end, record)
        try:
            self._fill(strip, node, pointer)
        except RejectError as fault:
            return Broken(node.start, node.end, record, fault)
        return strip

    def _fill(self, strip: Strip, node: Node, pointer: str) -> None:
        fields = self._layout.fields
        known = {"pads", *(fields - {"comment", "unit", "mark"}), *(("comments",) if "comment" in fields else ())}
        members = self._object(node, pointer, known)
        for name, value in members.items():
            if name not in {"pads", "comments"}:
                strip.put(name, self._text(value, f"{pointer}/{name}"))
        for index, comment in enumerate(self._list(members.get("comments"), f"{pointer}/comments")):
            strip.put("comment", self._text(comment, f"{pointer}/comments/{index}"))
        for index, pad in enumerate(self._list(members.get("pads"), f"{pointer}/pads")):
            strip.pads.append(self._pad(pad, f"{pointer}/pads/{index}"))

    def _pad(self, node: Node, pointer: str) -> PrintedPad:
        members = self._object(node, pointer, {"label", "value", *({"unit", "mark"} & self._layout.fields)})
        values = {name: self._text(value, f"{pointer}/{name}") for name, value in members.items()}
        for name in ("label", "value"):
            if name not in values or (name == "label" and not values[name].text):
                raise self._shape(f"{pointer}/{name} is missing.", node)
        unit, mark = values.get("unit"), values.get("mark")
        return PrintedPad(
            label=values["label"],
            value=values["value"],
            unit=unit if unit and unit.text else None,
            mark=mark if mark and mark.text else None,
        )

    def _object(self, node: Node, pointer: str, known: set[str]) -> dict[str, Node]:
        if not isinstance(node, Members):
            raise self._shape(f"{pointer or 'The document'} is no object.", node)
        unknown = sorted(node.members.keys() - known)
        if unknown:
            raise self._shape(f"{pointer}/ holds a key that this source's profile does not read.", node.members[unknown[0]])
        return node.members

    def _list(self, node: Node | None, pointer: str) -> tuple[Node, ...]:
        if node is None:
            return ()
        if not isinstance(node, Items):
            raise self._shape(f"{pointer} is no list.", node)
        return node.items

    def _text(self, node: Node, pointer: str) -> Printed:
        if not isinstance(node, Text):
            raise self._shape(f"{pointer} is no text.", node, remedy=_AS_TEXT)
        return self._sheet.printed(node.start, node.end, _unescaped)

    def _shape(self, sentence: str, node: Node, *, remedy: str = _FORM) -> RejectError:
        return self._sheet.fault("read.layout", sentence, (node.start, node.end), remedy=remedy)

    # --- taking the bytes apart

    def _blank(self, at: int) -> int:
        found = _BLANK.match(self._bytes, at)
        assert found is not None
        return found.end()

    def _value(self, at: int, depth: int) -> tuple[Node, int]:
        """Give the value at ``at``, and where it ends. Raises RejectError (``read.json``)."""
        if depth > DEEPEST:
            raise self._broken(f"The document is nested deeper than {DEEPEST} levels.", at)
        match self._bytes[at : at + 1]:
            case b'"':
                text = self._string(at)
                return text, text.end + 1
            case b"[":
                return self._array(at, depth)
            case b"{":
                return self._members(at, depth)
        other = _OTHER.match(self._bytes, at)
        if other is None:
            raise self._broken("No JSON value stands here.", at)
        return Other(at, other.end()), other.end()

    def _string(self, at: int) -> Text:
        found = _TEXT.match(self._bytes, at)
        if found is None:
            raise self._broken("No JSON text in quotes stands here, or it does not end.", at)
        return Text(*found.span(1))

    def _array(self, start: int, depth: int) -> tuple[Items, int]:
        items: list[Node] = []
        at = self._blank(start + 1)
        while self._bytes[at : at + 1] != b"]":
            node, at = self._value(at, depth + 1)
            items.append(node)
            at = self._next(at, b"]")
        return Items(start, at + 1, tuple(items)), at + 1

    def _members(self, start: int, depth: int) -> tuple[Members, int]:
        members: dict[str, Node] = {}
        at = self._blank(start + 1)
        while self._bytes[at : at + 1] != b"}":
            text = self._string(at)
            key = self._key(text)
            if key in members:
                raise self._broken("A key stands twice in one object.", at)
            at = self._blank(text.end + 1)
            if self._bytes[at : at + 1] != b":":
                raise self._broken("A colon is missing here.", at)
            members[key], at = self._value(self._blank(at + 1), depth + 1)
            at = self._next(at, b"}")
        return Members(start, at + 1, members), at + 1

    def _key(self, text: Text) -> str:
        """Give an object's key whole: a key is compared as it stands, where a value loses its outer blanks. Raises RejectError."""
        self._sheet.printed(text.start, text.end, _unescaped)
        return _unescaped(self._bytes[text.start : text.end]).decode(self._sheet.charset)

    def _next(self, at: int, closing: bytes) -> int:
        """Give where the next item begins, behind its comma, or where the closing sign is."""
        at = self._blank(at)
        if self._bytes[at : at + 1] == closing:
            return at
        if self._bytes[at : at + 1] != b",":
            raise self._broken("A comma or a closing bracket is missing here.", at)
        at = self._blank(at + 1)
        if self._bytes[at : at + 1] == closing:
            raise self._broken("Nothing stands behind the last comma.", at)
        return at

    def _broken(self, sentence: str, at: int) -> RejectError:
        at = min(at, len(self._bytes))
        line = self._bytes.count(b"\n", 0, at) + 1
        column = at - (self._bytes.rfind(b"\n", 0, at) + 1) + 1
        return self._sheet.fault(
            "read.json",
            f"This is not JSON (line {line}, byte {column}): {sentence}",
            (at, min(at + 1, len(self._bytes))),
            remedy="Write it with a JSON library, in UTF-8.",
        )


def _unescaped(raw: bytes) -> bytes:
    """Undo JSON's escapes. Half a surrogate pair gives bytes that are no UTF-8, which the sheet refuses."""
    if b"\\" not in raw:
        return raw
    return str(json.loads(b'"' + raw + b'"')).encode("utf-8", "surrogatepass")


def posted_fault(payload: bytes, profile: Profile) -> RejectError | None:
    """Give the first thing that is wrong with the form of a posted document; None if all its readings can be read."""
    assert profile.json is not None
    pieces = JsonReader(Sheet(plain(payload), profile.charset), profile.json).pieces()
    return next((piece.fault for piece in pieces if isinstance(piece, Broken)), None)
