"""HL7 v2 result messages: ORU^R01, ORU^R30 and OUL^R22; one OBR with its OBX segments is one strip (HL7 v2.5.1 chapter 7).

In ORU a strip is ``[ORC] OBR ... OBX ...`` in the light of the PID above it. In OUL^R22 the specimen (SPM) stands
above its OBRs, and ORC behind its OBR. A capture holds one message; the separators are those that its MSH declares.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass, field

from bridge.errors import RejectError
from bridge.model import Printed, PrintedPad
from bridge.read.sheet import Broken, Envelope, Line, Piece, Sheet, Strip
from bridge.tables.documents import PAD_NAMES
from bridge.tables.types import Hl7Layout, Hl7Place
from bridge.wire import er7

OBR_25, OBX_2, OBX_11, NTE_3 = 25, 2, 11, 3  # 2.5.1 chapters 2.5.2, 7.4: result status, value type, observation status, comment
MSH_11 = 11  # 2.5.1 chapter 2.15.9.11: processing ID
_SPECIMEN_FIRST = "R22"  # 2.5.1 chapter 7.3: of the three messages only OUL^R22 has SPM above OBR
_NULL = b'""'  # 2.5.1 chapter 2.5.3: an explicit "nothing"
_SEGMENT = re.compile(rb"[A-Z][A-Z0-9]{2}")
MOST_ABOVE = 100  # ours: PID, visit, notes and the like are some ten; each strip is read in the light of all of them
_BATCH = (b"FHS", b"BHS")  # 2.5.1 chapter 2.10.3
_SEND_AGAIN = "Send the strip again from the analyzer's memory."
_CHECK_SETUP = "Check what the analyzer is set to send, and that this source has the right profile."


@dataclass(frozen=True, slots=True)
class _Segment:
    """One segment: its line, its name, and the byte range of each field; index n is field n, as for MSH too."""

    line: Line
    name: bytes
    fields: tuple[tuple[int, int], ...]

    def range(self, number: int) -> tuple[int, int]:
        """Give the byte range of a field; empty, at the segment's end, where it is missing."""
        return self.fields[number] if number < len(self.fields) else (self.line.end, self.line.end)


@dataclass(slots=True)
class _Group:
    """The segments of the strip that is being gathered, and the first thing that is wrong with them."""

    segments: list[_Segment] = field(default_factory=list)
    results: int = 0
    has_order: bool = False
    has_specimen: bool = False
    fault: RejectError | None = None

    def add(self, segment: _Segment) -> None:
        """Take one more segment."""
        self.segments.append(segment)
        self.has_order = self.has_order or segment.name == b"OBR"
        self.has_specimen = self.has_specimen or segment.name == b"SPM"


@dataclass(slots=True)
class _Message:
    """What holds from MSH on. ``patient`` and ``specimen`` stand above the orders until the next of their kind.

    ``doubt``: a segment since the last PID was spoilt, and it may have been the next PID. Then whose the strips are is not
    certain, and none of them is read.
    """

    header: _Segment
    is_specimen_first: bool
    patient: list[_Segment] = field(default_factory=list)
    specimen: list[_Segment] = field(default_factory=list)
    orders: int = 0
    doubt: bool = False
    group: _Group | None = None


def charset_of(payload: bytes, default: str) -> str:
    """Give Python's name of the character set that a message declares in MSH-18, else ``default``.

    One that is not readable byte by byte gives ASCII: the reader then says what is wrong with MSH-18.
    """
    try:
        return er7.readable_codec(_declared(payload), default=default)
    except LookupError:
        return "ascii"


def _declared(payload: bytes) -> str:
    header = er7.split(re.split(rb"[\r\n]", payload.lstrip(b"\r\n"), maxsplit=1)[0], "8859/1")
    return header[0][er7.MSH_18] if header and len(header[0]) > er7.MSH_18 else ""


class Hl7ResultReader:
    """Reads one capture's text; its pieces together are the whole text.

    ``whole``: the way in said itself where the message ends, so a last segment without its CR is not a torn one.
    """

    def __init__(self, sheet: Sheet, layout: Hl7Layout, *, whole: bool) -> None:
        self._sheet = sheet
        self._layout = layout
        self._whole = whole
        self._signs = er7.STANDARD

    def pieces(self) -> Iterator[Piece]:
        """Give the pieces in order. Raises nothing: a fault is a Broken piece."""
        lines = [line for line in self._sheet.lines() if not self._sheet.is_blank(line)]
        if not lines:
            yield Envelope(0, len(self._sheet.bytes))
            return
        try:
            message = self._opened(lines)
        except RejectError as fault:
            yield Broken(0, len(self._sheet.bytes), self._sheet.bytes, fault)
            return
        yield Envelope(0, lines[0].stop)
        for line in lines[1:]:
            yield from self._take(line, message)
        yield from self._close(message, torn=not self._whole and lines[-1].stop == lines[-1].end)

    # --- the message

    def _opened(self, lines: list[Line]) -> _Message:
        """Give the message that the first line opens. Raises RejectError where this capture is none that can be read."""
        header = lines[0]
        text = self._sheet.bytes[header.start : header.end]
        if text[:3] in _BATCH:
            raise self._fault("read.message", "This is a batch (FHS or BHS); Padpost takes each message by itself.", header)
        signs = er7.signs_of(text)
        if signs is None:
            raise self._fault("read.header", "No header segment (MSH) that declares its separators stands first.", header)
        self._signs = signs
        self._check_charset(header)
        for line in lines[1:]:
            if self._sheet.bytes[line.start : line.start + 3] == b"MSH":
                raise self._fault(
                    "read.message", "Several messages stand in one capture; Padpost takes each message by itself.", line
                )
        self._sheet.text(header.start, header.end)
        segment = self._segment(header)
        kind, event = (self._text(segment, 9, component) for component in (1, 2))
        if (kind, event) not in self._layout.messages:
            raise self._fault(
                "read.message", f"This is no result message that the profile reads: MSH-9 says {kind[:3]}^{event[:3]}.", header
            )
        return _Message(header=segment, is_specimen_first=event == _SPECIMEN_FIRST)

    def _check_charset(self, header: Line) -> None:
        try:
            er7.readable_codec(_declared(self._sheet.bytes), default="ascii")
        except LookupError as error:
            raise self._fault(
                "read.undecodable",
                "MSH-18 declares a character set that Padpost does not read.",
                header,
                remedy="Set the analyzer to ASCII, 8859/1, 8859/15 or UNICODE UTF-8.",
            ) from error

    def _fault(self, rule: str, sentence: str, line: Line, *, remedy: str = _CHECK_SETUP) -> RejectError:
        return self._sheet.fault(rule, sentence, (line.start, line.end), remedy=remedy)

    def _segment(self, line: Line) -> _Segment:
        fields, start = [], line.start
        for raw in self._sheet.bytes[line.start : line.end].split(self._signs.field.encode("ascii")):
            fields.append((start, start + len(raw)))
            start += len(raw) + 1
        name = self._sheet.bytes[line.start : line.start + 3]
        if name == b"MSH":  # MSH-1 is the separator itself
            fields.insert(1, (line.start + 3, line.start + 4))
        return _Segment(line, name, tuple(fields))

    def _text(self, segment: _Segment, number: int, component: int) -> str:
        """Give a component of a field's first repetition. Raises RejectError."""
        first = next(self._repetitions(segment.range(number)))
        return self._sheet.printed(*self._component(first, component), self._unescape).text

    # --- which segment belongs where

    def _take(self, line: Line, message: _Message) -> Iterator[Piece]:
        segment = self._segment(line)
        if not _SEGMENT.fullmatch(self._sheet.bytes, *segment.fields[0]):
            self._spoil(message, segment, "This line is no segment; it may be the rest of one that was spoilt.", doubt=True)
            return
        if segment.name == b"PID":
            yield from self._close(message)
            message.patient, message.specimen, message.orders, message.doubt = [segment], [], 0, False
            yield Envelope(line.start, line.stop)
        elif segment.name == b"SPM" and message.is_specimen_first:
            yield from self._close(message)
            message.specimen = [segment]
            yield Envelope(line.start, line.stop)
        elif self._begins_strip(segment, message):
            yield from self._close(message)
            message.group = _Group()
            message.group.add(segment)
            self._count_order(segment, message)
        elif message.group is not None:
            self._add(segment, message, message.group)
        elif segment.name == b"OBX" and not message.specimen:
            self._spoil(message, segment, "A result (OBX) stands before its order (OBR).")
        elif len(message.patient) + len(message.specimen) >= MOST_ABOVE:
            self._spoil(message, segment, "Far too many segments stand above an order (OBR).", doubt=True)
        else:  # it stands above every order of its patient or specimen
            (message.specimen or message.patient).append(segment)
            yield Envelope(line.start, line.stop)

    def _begins_strip(self, segment: _Segment, message: _Message) -> bool:
        """Say whether a segment is a strip's first: its OBR, or in ORU the ORC before it."""
        if segment.name == b"OBR":
            return message.group is None or message.group.has_order
        return segment.name == b"ORC" and not message.is_specimen_first

    def _add(self, segment: _Segment, message: _Message, group: _Group) -> None:
        group.add(segment)
        if segment.name == b"OBR":
            self._count_order(segment, message)
        elif segment.name == b"OBX" and not group.has_order:
            self._spoil(message, segment, "A result (OBX) stands before its order (OBR).")
        elif segment.name == b"OBX" and not group.has_specimen:
            group.results += 1
            if not self._counts(segment, group.results):
                self._spoil(message, segment, "The results (OBX) do not count on: one was lost or spoilt.")

    def _count_order(self, segment: _Segment, message: _Message) -> None:
        if segment.name != b"OBR":
            return
        message.orders += 1
        if not self._counts(segment, message.orders):
            self._spoil(message, segment, "The orders (OBR) do not count on: one was lost or spoilt.", doubt=True)
        elif message.doubt:
            self._spoil(message, segment, "A segment before this order was spoilt, so whose strip this is is not certain.")

    def _counts(self, segment: _Segment, expected: int) -> bool:
        start, end = segment.range(1)
        return not self._layout.numbered or self._sheet.bytes[start:end].strip() == b"%d" % expected

    def _spoil(self, message: _Message, segment: _Segment, sentence: str, *, doubt: bool = False) -> None:
        message.doubt = message.doubt or doubt
        if message.group is None:
            message.group = _Group()
        if not message.group.segments or message.group.segments[-1] is not segment:
            message.group.add(segment)
        if message.group.fault is None:
            message.group.fault = self._fault("read.record", sentence, segment.line, remedy=_SEND_AGAIN)

    # --- reading one strip

    def _close(self, message: _Message, *, torn: bool = False) -> Iterator[Piece]:
        """End the open group: read it, or say why not."""
        group, message.group = message.group, None
        if group is None:
            return
        last = group.segments[-1].line
        if torn:
            group.fault = self._fault(
                "read.torn",
                "The message stops in the middle of a segment: more may have been on its way.",
                last,
                remedy=_SEND_AGAIN,
            )
        elif not group.has_order and group.fault is None:
            group.fault = self._fault(
                "read.layout", "These segments have no order (OBR).", group.segments[0].line, remedy=_SEND_AGAIN
            )
        above = [*message.patient[:1], *message.specimen[:1]]
        record = b"\r".join(self._sheet.bytes[each.line.start : each.line.end] for each in (*above, *group.segments))
        start, stop = group.segments[0].line.start, last.stop
        if group.fault is not None:
            yield Broken(start, stop, record, group.fault)
            return
        strip = Strip(start, stop, record)
        try:
            self._fill(strip, message, group)
        except RejectError as fault:
            yield Broken(start, stop, record, fault)
            return
        yield strip

    def _fill(self, strip: Strip, message: _Message, group: _Group) -> None:
        """Put what the segments say into the strip. Raises RejectError with the place of what is wrong."""
        scope = (message.header, *message.patient, *message.specimen, *group.segments)
        for segment in scope:
            self._sheet.text(segment.line.start, segment.line.end)
        for segment in group.segments:
            self._check_status(segment, OBR_25 if segment.name == b"OBR" else OBX_11)
        for name, places in self._layout.fields.items():
            if name not in PAD_NAMES:
                self._put_first(strip, name, places, scope)
        if "processing_id" not in self._layout.fields:  # every message has its place, so an empty one says something too
            strip.fields["processing_id"] = self._printed(self._component(message.header.range(MSH_11), 1))
        is_specimen = False  # in ORU, OBX behind SPM tell of the specimen
        for segment in group.segments:
            is_specimen = is_specimen or segment.name == b"SPM"
            if segment.name == b"OBX" and not is_specimen and not self._is_field(segment):
                self._put_pad(strip, segment)
            elif segment.name == b"NTE" and self._layout.comments:
                for where in self._repetitions(segment.range(NTE_3)):
                    strip.put("comment", self._printed(where))

    def _check_status(self, segment: _Segment, number: int) -> None:
        """Refuse what is not final: preliminary, corrected, deleted or wrong results mean more than a value. Raises RejectError."""
        if segment.name not in (b"OBR", b"OBX"):
            return
        status = self._printed(segment.range(number))
        if status.text not in self._layout.statuses and (status.text or segment.name == b"OBX"):
            shown = segment.range(number) if status.text else (segment.line.start, segment.line.end)
            raise self._sheet.fault(
                "read.status",
                f"The message does not call this a final result: {segment.name.decode('ascii')}-{number} is {status.text[:2]!r}.",
                shown,
                remedy="Look on the analyzer what became of the strip, and send it again once its result is final.",
            )

    def _put_first(self, strip: Strip, name: str, places: Iterable[Hl7Place], scope: Iterable[_Segment]) -> None:
        """Put a field from the first of its places that says something. Raises RejectError if that says two things."""
        for place in places:
            found = [value for segment in scope for value in self._at(segment, place) if value.text]
            for value in found:
                strip.put(name, value)
            if found:
                return

    def _at(self, segment: _Segment, place: Hl7Place) -> Iterator[Printed]:
        """Give what one segment says at a place: nothing, or one value for each repetition that meets the condition."""
        if segment.name != place.segment.encode("ascii"):
            return
        for where in self._repetitions(segment.range(place.field)):
            if self._meets(segment, place, where):
                yield self._printed(self._component(where, place.component))

    def _meets(self, segment: _Segment, place: Hl7Place, where: tuple[int, int]) -> bool:
        if not place.when_text:
            return True
        asked = where if place.when_field == place.field else next(self._repetitions(segment.range(place.when_field)))
        return (self._printed(self._component(asked, place.when_component)).text != place.when_text) == place.when_not

    def _is_field(self, segment: _Segment) -> bool:
        """Say whether an OBX is something else than a pad: a field by its condition, or one that is not read."""
        label = self._layout.fields["label"][0]
        if any(value.text in self._layout.unread for value in self._at(segment, label)):
            return True
        conditional = (place for places in self._layout.fields.values() for place in places if place.when_text)
        return any(True for place in conditional for _ in self._at(segment, place))

    def _put_pad(self, strip: Strip, segment: _Segment) -> None:
        values: dict[str, Printed] = {}
        for name in PAD_NAMES:
            for place in self._layout.fields.get(name, ()):
                values[name] = self._pad_value(segment, place)
        if not values["label"].text:
            raise self._fault("read.record", "A result (OBX) does not say which pad it is.", segment.line, remedy=_SEND_AGAIN)
        unit, mark = values.get("unit"), values.get("mark")
        strip.pads.append(
            PrintedPad(
                label=values["label"],
                value=values["value"],
                unit=unit if unit and unit.text else None,
                mark=mark if mark and mark.text else None,
            )
        )

    def _pad_value(self, segment: _Segment, place: Hl7Place) -> Printed:
        repetitions = list(self._repetitions(segment.range(place.field)))
        if len(repetitions) > 1:
            raise self._sheet.fault(
                "read.twice",
                f"A result gives two values for one thing (OBX-{place.field} repeats).",
                segment.range(place.field),
                remedy="Compare with the analyzer's memory, and send the strip again.",
            )
        start, end = segment.range(OBX_2)
        if place.field == 5 and self._sheet.bytes[start:end] == b"SN":
            return self._printed(repetitions[0], self._structured)
        return self._printed(self._component(repetitions[0], place.component))

    # --- bytes

    def _printed(self, where: tuple[int, int], decode: Callable[[bytes], bytes] | None = None) -> Printed:
        start, end = where
        if self._sheet.bytes[start:end] == _NULL:
            return self._sheet.printed(end, end)
        return self._sheet.printed(start, end, decode or self._unescape)

    def _structured(self, raw: bytes) -> bytes:
        """Give a structured numeric (SN, 2.5.1 chapter 2.A.69) as it would be printed: ``>=^1000`` is >=1000, ``^1^:^128`` is 1:128."""
        parts = [self._unescape(part).strip() for part in raw.split(self._signs.component.encode("ascii"))]
        return b"".join([b"" if parts[0] == b"=" else parts[0], *parts[1:]])

    def _unescape(self, raw: bytes) -> bytes:
        text = er7.unescape(raw.decode(self._sheet.charset), self._signs)
        return text.replace("\n", " ").encode(self._sheet.charset)  # a line break that the sender meant (\.br\) is a blank to us

    def _repetitions(self, where: tuple[int, int]) -> Iterator[tuple[int, int]]:
        yield from self._parts(where, self._signs.repetition)

    def _component(self, where: tuple[int, int], component: int) -> tuple[int, int]:
        """Give the range of a component from 1; 0 is the whole. A missing one is empty."""
        if not component:
            return where
        parts = list(self._parts(where, self._signs.component))
        return parts[component - 1] if component <= len(parts) else (where[1], where[1])

    def _parts(self, where: tuple[int, int], sign: str) -> Iterator[tuple[int, int]]:
        start, end = where
        for raw in self._sheet.bytes[start:end].split(sign.encode("ascii")):
            yield start, start + len(raw)
            start += len(raw) + 1
