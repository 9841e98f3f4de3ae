"""LIS02-A2 (E1394) records: H, then P and O and R, then L.

Record types, field positions and escapes: LIS02-A2 as the open library python-astm has them (its records.py), and from
memory. The separators are those that the header declares. A strip is one O record with its R records, in the
light of the P record above it.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass

from bridge.errors import RejectError
from bridge.model import PrintedPad
from bridge.read.sheet import Broken, Envelope, Line, Piece, Sheet, Strip
from bridge.tables.documents import PAD_NAMES
from bridge.tables.types import Lis2Layout

_IN_STRIP = (b"P", b"O", b"R", b"C", b"M", b"S")  # [LIS02] patient, order, result, comment, maker's, scientific
_TERMINATOR = re.compile(rb"(?:[0-9]{0,2}(?:.[A-Z]?)?)?")  # [LIS02] L: sequence number and one letter, after the first separator
_PROCESSING = 12  # [LIS02] H.12, processing ID: P production, T training, D debugging, Q quality control
_SEND_AGAIN = "Send the strip again from the analyzer's memory."


@dataclass(frozen=True, slots=True)
class Separators:
    """The four separators of one message, one byte each."""

    field: bytes
    repeat: bytes
    component: bytes
    escape: bytes

    def unescape(self, raw: bytes) -> bytes:
        """Undo ``&F& &S& &R& &E& &Xhh&`` [LIS02]; anything else stays as it is."""
        if self.escape not in raw:
            return raw
        meant = {b"F": self.field, b"S": self.component, b"R": self.repeat, b"E": self.escape}
        mark = re.escape(self.escape)
        return re.sub(
            mark + rb"(?:([FSRE])|X((?:[0-9A-Fa-f]{2}){1,20}))" + mark,
            lambda found: meant[found[1]] if found[1] else bytes.fromhex(found[2].decode("ascii")),
            raw,
        )


def separators(header: bytes) -> Separators | None:
    """Give the separators that a header record declares; None if they are not four different signs."""
    signs = header[1:5]
    if len(set(signs)) != 4 or not all(0x20 < sign < 0x7F and not chr(sign).isalnum() for sign in signs):
        return None
    if len(header) > 5 and header[5] != signs[0]:
        return None
    return Separators(field=signs[0:1], repeat=signs[1:2], component=signs[2:3], escape=signs[3:4])


@dataclass(slots=True)
class _Group:
    """The records of the strip that is being gathered, and the first thing that is wrong with them."""

    start: int
    stop: int
    lines: list[Line]
    has_order: bool = False
    results: int = 0
    fault: RejectError | None = None


@dataclass(slots=True)
class _Message:
    """What holds from a header on; ``patient`` stands above every order until the next P record.

    ``doubt``: a record since that P record was spoilt or lost, and it may have been the next P record. Then
    whose the orders are is not certain, and none of them is read.
    """

    header: Line
    separators: Separators
    patient: Line | None = None
    orders: int = 0
    doubt: bool = False
    group: _Group | None = None


class Lis2Reader:
    """Reads one capture's text; its pieces together are the whole text."""

    def __init__(self, sheet: Sheet, layout: Lis2Layout) -> None:
        self._sheet = sheet
        self._fields = _Fields(sheet, layout)
        self._numbered = layout.numbered
        self._message: _Message | None = None
        self._garbage: tuple[int, int] | None = None

    def pieces(self) -> Iterator[Piece]:
        """Give the pieces in order. Raises nothing: a fault is a Broken piece."""
        for line in self._sheet.lines():
            kind = self._kind(line)
            signs = separators(self._sheet.bytes[line.start : line.end]) if kind == b"H" else None
            if signs is not None:
                yield from self._begin(line, signs)
            elif self._message is None:
                yield from self._outside(line)
            elif kind == b"L":
                yield from self._close(torn=False)
                yield Envelope(line.start, line.stop)
                self._message = None
            else:
                yield from self._inside(line, kind, self._message)
        yield from self._close(torn=True)
        yield from self._close_garbage()

    def _kind(self, line: Line) -> bytes:
        """Give the record's type letter; b"" where the line has not the form of a record."""
        first = self._sheet.bytes[line.start : min(line.end, line.start + 2)]
        if first[:1] == b"H" or self._message is None:
            return first[:1]
        if first[1:] not in {b"", self._message.separators.field}:
            return b""
        if first[:1] == b"L" and not _TERMINATOR.fullmatch(self._sheet.bytes, line.start + 2, line.end):
            return b""
        return first[:1]

    def _begin(self, line: Line, signs: Separators) -> Iterator[Piece]:
        yield from self._close(torn=True)
        yield from self._close_garbage()
        self._message = _Message(header=line, separators=signs)
        yield Envelope(line.start, line.stop)

    def _outside(self, line: Line) -> Iterator[Piece]:
        if self._garbage is None and self._sheet.is_blank(line):
            yield Envelope(line.start, line.stop)
        else:
            self._garbage = (self._garbage[0] if self._garbage else line.start, line.stop)

    def _close_garbage(self) -> Iterator[Piece]:
        if self._garbage is None:
            return
        start, end = self._garbage
        self._garbage = None
        fault = self._sheet.fault(
            "read.header",
            "No header record (H) that declares its separators stands before these bytes.",
            (start, end),
            remedy=_SEND_AGAIN,
        )
        yield Broken(start, end, self._sheet.bytes[start:end], fault)

    def _inside(self, line: Line, kind: bytes, message: _Message) -> Iterator[Piece]:
        group = message.group
        if self._sheet.is_blank(line) or (kind == b"C" and group is None):
            if group is None:
                yield Envelope(line.start, line.stop)
            else:
                group.stop = line.stop
            return
        begins = kind == b"P" or (kind == b"O" and group is not None and group.has_order)
        if begins:
            yield from self._close(torn=False)
        if message.group is None:
            message.group = _Group(line.start, line.stop, [])
        if kind == b"P":
            message.patient, message.orders, message.doubt = line, 0, False
        self._add(line, kind, message, message.group)

    def _add(self, line: Line, kind: bytes, message: _Message, group: _Group) -> None:
        group.lines.append(line)
        group.stop = line.stop
        if kind not in _IN_STRIP:
            self._doubt(message, group, line, "This record is of a type that a result message does not have.")
        elif kind == b"O":
            self._add_order(line, message, group)
        elif kind == b"R":
            group.results += 1
            if not group.has_order:
                self._doubt(message, group, line, "A result (R) stands before its order record (O).")
            elif not self._counts(line, group.results, message):
                self._doubt(message, group, line, "The results (R) do not count on: a record was lost or spoilt.")

    def _add_order(self, line: Line, message: _Message, group: _Group) -> None:
        group.has_order = True
        message.orders += 1
        if not self._counts(line, message.orders, message):
            self._doubt(message, group, line, "The orders (O) do not count on: a record was lost or spoilt.")
        elif message.doubt:
            self._doubt(
                message, group, line, "A record before this order (O) was lost or spoilt, so whose strip this is is not certain."
            )

    def _counts(self, line: Line, expected: int, message: _Message) -> bool:
        """Say whether a record's sequence number, its second field [LIS02], is the expected one."""
        if not self._numbered:
            return True
        start = line.start + 2
        end = self._sheet.bytes.find(message.separators.field, start, line.end)
        return self._sheet.bytes[start : line.end if end < 0 else end].strip() == b"%d" % expected

    def _doubt(self, message: _Message, group: _Group, line: Line, sentence: str) -> None:
        message.doubt = True
        self._spoil(group, line, "read.record", sentence)

    def _spoil(self, group: _Group, line: Line, rule: str, sentence: str) -> None:
        if group.fault is None:
            group.fault = self._sheet.fault(rule, sentence, (line.start, line.end), remedy=_SEND_AGAIN)

    def _close(self, *, torn: bool) -> Iterator[Piece]:
        """End the open group: read it, or say why not."""
        message = self._message
        if message is None or message.group is None:
            return
        group, message.group = message.group, None
        if torn:
            group.fault = None  # that the strip is not whole is said first
            self._spoil(
                group,
                group.lines[-1],
                "read.torn",
                "The message stops before its terminator record (L): more of this strip may have been on its way.",
            )
        elif not group.has_order:
            self._spoil(group, group.lines[0], "read.layout", "These records have no order record (O).")
        yield self._read(group, message)

    def _read(self, group: _Group, message: _Message) -> Strip | Broken:
        own = group.lines
        if message.patient is not None and message.patient not in own:
            own = [message.patient, *own]
        record = b"\r".join(self._sheet.bytes[line.start : line.end] for line in own)
        if group.fault is not None:
            return Broken(group.start, group.stop, record, group.fault)
        strip = Strip(group.start, group.stop, record)
        try:
            for line in (message.header, *own):
                self._fields.take(strip, line, message.separators)
        except RejectError as fault:
            return Broken(group.start, group.stop, record, fault)
        return strip


class _Fields:
    """Takes a record's fields by the layout's addresses."""

    def __init__(self, sheet: Sheet, layout: Lis2Layout) -> None:
        self._sheet = sheet
        self._by_kind = _by_kind(layout.fields)
        self._reads_processing = "processing_id" not in layout.fields  # else the profile says where it stands
        if layout.comments:
            self._by_kind[b"C"] = (*self._by_kind.get(b"C", ()), ("comment", 4, 0))  # [LIS02] C.4 is the text

    def take(self, strip: Strip, line: Line, signs: Separators) -> None:
        """Put what one record says into the strip. Raises RejectError with the place of what is wrong."""
        self._sheet.text(line.start, line.end)
        kind = self._sheet.bytes[line.start : line.start + 1]
        cells = self._cells(line, signs)
        if kind == b"H" and self._reads_processing:
            self._take_processing(strip, cells, signs)
        pad: dict[str, tuple[int, int]] = {}
        for name, number, component in self._by_kind.get(kind, ()):
            if number > len(cells):
                continue
            start, end = self._component(cells[number - 1], component, signs)
            if name in PAD_NAMES:
                pad[name] = (start, end)
            else:
                strip.put(name, self._sheet.printed(start, end, signs.unescape))
        if kind == b"R":
            strip.pads.append(self._pad(line, pad, signs))

    def _take_processing(self, strip: Strip, cells: Sequence[tuple[int, int]], signs: Separators) -> None:
        """Put what the header says of its records: live, a test, a control. Many analyzers leave it out, which says nothing."""
        said = self._sheet.printed(*cells[_PROCESSING - 1], signs.unescape) if len(cells) >= _PROCESSING else None
        if said is not None and said.text:
            strip.put("processing_id", said)

    def _cells(self, line: Line, signs: Separators) -> list[tuple[int, int]]:
        """Give the byte ranges of a record's fields; number n stands at n - 1."""
        cells, start = [], line.start
        for raw in self._sheet.bytes[line.start : line.end].split(signs.field):
            cells.append((start, start + len(raw)))
            start += len(raw) + 1
        return cells

    def _component(self, cell: tuple[int, int], component: int, signs: Separators) -> tuple[int, int]:
        """Give the range of a component from 1; 0 is the whole field. A missing one is empty."""
        start, end = cell
        if not component:
            return cell
        parts = self._sheet.bytes[start:end].split(signs.component)
        if component > len(parts):
            return end, end
        start += sum(len(part) + 1 for part in parts[: component - 1])
        return start, start + len(parts[component - 1])

    def _pad(self, line: Line, found: Mapping[str, tuple[int, int]], signs: Separators) -> PrintedPad:
        values = {name: self._sheet.printed(start, end, signs.unescape) for name, (start, end) in found.items()}
        if "value" not in values or "label" not in values or not values["label"].text:
            raise self._sheet.fault(
                "read.record", "A result record (R) does not say which pad it is.", (line.start, line.end), remedy=_SEND_AGAIN
            )
        unit, mark = values.get("unit"), values.get("mark")
        return PrintedPad(
            label=values["label"],
            value=values["value"],
            unit=unit if unit and unit.text else None,
            mark=mark if mark and mark.text else None,
        )


def _by_kind(addresses: Mapping[str, str]) -> dict[bytes, tuple[tuple[str, int, int], ...]]:
    """Give (name, field, component) by record letter; component 0 is the whole field."""
    found: dict[bytes, tuple[tuple[str, int, int], ...]] = {}
    for name, address in addresses.items():
        letter, number, *component = address.split(".")
        kind = letter.encode("ascii")
        found[kind] = (*found.get(kind, ()), (name, int(number), int(component[0]) if component else 0))
    return found
