"""Delimited text: one line is one strip, one cell one value."""

from __future__ import annotations

from collections.abc import Iterator

from bridge.errors import RejectError
from bridge.making import maker
from bridge.model import Printed, PrintedPad
from bridge.read.sheet import Broken, Envelope, Line, Piece, Sheet, Strip
from bridge.tables.memo import Memo
from bridge.tables.types import DelimitedLayout

_pad = maker(PrintedPad)
_printed = maker(Printed)

_BYTE_ORDER_MARK = b"\xef\xbb\xbf"  # UTF-8's signature, which some programs write before the first line (RFC 3629 section 6)
_SAME_EXPORT = "Export the strip again with the analyzer's columns as the profile names them."

NEAR_BYTES = 1_000  # ours: only pads that stand so near a capture's beginning are likely to stand there again

Cell = tuple[int, int, bool]  # start, end, and whether doubled quotes stand inside
_Pad = tuple[str, tuple[int | None, ...]]  # its label, and the columns of its value, its unit and its mark

_PADS = Memo(
    most=5_000
)  # ours: some 2 MB. An analyzer prints the same few hundred pads at the same few hundred places, strip after strip


class DelimitedReader:
    """Reads one capture's text; its pieces together are the whole text."""

    def __init__(self, sheet: Sheet, layout: DelimitedLayout) -> None:
        self._sheet = sheet
        self._layout = layout
        self._delimiter = layout.delimiter.encode("ascii")
        self._quote = layout.quote.encode("ascii")

    def pieces(self) -> Iterator[Piece]:
        """Give the pieces in order. Raises nothing: a fault is a Broken piece."""
        seen_header = not self._layout.header
        for line in self._lines():
            if isinstance(line, Envelope):
                yield line
            elif self._is_header(line):
                seen_header = True
                yield Envelope(line.start, line.stop)
            elif not seen_header:
                yield self._no_header(line)
                return
            else:
                yield self._strip(line)

    def _lines(self) -> Iterator[Line | Envelope]:
        """Give the lines to read, and the blank ones and the byte order mark as envelopes."""
        skip = len(_BYTE_ORDER_MARK) if self._sheet.charset == "utf-8" and self._sheet.bytes.startswith(_BYTE_ORDER_MARK) else 0
        if skip:
            yield Envelope(0, skip)
        for line in self._sheet.lines():
            here = Line(max(line.start, skip), line.end, line.stop)
            if not self._sheet.bytes[here.start : here.end].strip(b" "):
                if here.start != here.stop:
                    yield Envelope(here.start, here.stop)
            else:
                yield here

    def _is_header(self, line: Line) -> bool:
        if not self._layout.header:
            return False
        try:
            return tuple(self._text(cell) for cell in self._cells(line)) == self._layout.header
        except RejectError:
            return False

    def _text(self, cell: Cell) -> str:
        return self._printed(cell).text

    def _printed(self, cell: Cell) -> Printed:
        return self._sheet.printed(cell[0], cell[1], self._single_quotes if cell[2] else None)

    def _no_header(self, line: Line) -> Broken:
        """Give the whole rest as one fault: without its header no column is certain."""
        end = len(self._sheet.bytes)
        fault = self._sheet.fault(
            "read.header",
            "The first line is not the header that this analyzer writes, so no column is certain.",
            (line.start, line.end),
            remedy=_SAME_EXPORT,
        )
        return Broken(line.start, end, self._sheet.bytes[line.start : end], fault)

    def _strip(self, line: Line) -> Strip | Broken:
        record = self._sheet.bytes[line.start : line.end]
        strip = Strip(line.start, line.stop, record)
        try:
            self._fill(strip, line)
        except RejectError as fault:
            return Broken(line.start, line.stop, record, fault)
        return strip

    def _fill(self, strip: Strip, line: Line) -> None:
        if line.stop == line.end:
            raise self._sheet.fault(
                "read.torn",
                "The last line has no line end: the file may have been cut in the middle of a value.",
                (line.start, line.end),
                remedy="Let the analyzer's computer write the file again.",
            )
        self._sheet.text(line.start, line.end)
        cells = self._cells(line)
        if len(cells) != self._layout.width:
            raise self._sheet.fault(
                "read.layout",
                f"The line has {len(cells)} cells where this analyzer writes {self._layout.width}.",
                (line.start, line.end),
                remedy=_SAME_EXPORT,
            )
        for name, column in self._layout.columns.items():
            if ":" not in name:
                strip.put(name, self._printed(cells[column]))
        shift = self._sheet.unframed.shift
        is_known = shift is not None and line.stop <= NEAR_BYTES
        for pad in self._layout.pads:
            found = self._known_pad(pad, cells, shift) if is_known else self._pad(pad, cells)
            if found is not None:
                strip.pads.append(found)

    def _known_pad(self, pad: _Pad, cells: list[Cell], shift: int | None) -> PrintedPad | None:
        """Give a pad as ``_pad`` does; one that was printed in the same place before is the very same."""
        data = self._sheet.bytes
        said = tuple([None if column is None else (cells[column], data[slice(*cells[column][:2])]) for column in pad[1]])
        return _PADS.once((id(pad), self._sheet.charset, shift, said), pad, lambda: self._pad(pad, cells))

    def _pad(self, pad: _Pad, cells: list[Cell]) -> PrintedPad | None:
        """Give a pad from its value, unit and mark cells; None where its value's cell is empty: this strip has no such pad."""
        label, columns = pad
        value, unit, mark = (None if column is None else self._printed(cells[column]) for column in columns)
        if value is None or not value.text:
            return None
        return _pad(
            label=_printed(text=label, place=value.place),
            value=value,
            unit=unit if unit and unit.text else None,
            mark=mark if mark and mark.text else None,
        )

    def _single_quotes(self, raw: bytes) -> bytes:
        return raw.replace(self._quote * 2, self._quote)

    def _cells(self, line: Line) -> list[Cell]:
        """Give the line's cells. Raises RejectError where a quote is left open or followed by text."""
        cells: list[Cell] = []
        at, record = line.start, self._sheet.bytes[line.start : line.end]
        if not self._quote or self._quote not in record:
            for part in record.split(self._delimiter):
                cells.append((at, at + len(part), False))
                at += len(part) + 1
            return cells
        while True:
            cell, at = self._quoted(at, line) if self._sheet.bytes.startswith(self._quote, at, line.end) else self._bare(at, line)
            cells.append(cell)
            if at >= line.end:
                return cells
            at += 1

    def _bare(self, at: int, line: Line) -> tuple[Cell, int]:
        end = self._sheet.bytes.find(self._delimiter, at, line.end)
        end = line.end if end < 0 else end
        return (at, end, False), end

    def _quoted(self, at: int, line: Line) -> tuple[Cell, int]:
        start, doubled = at + 1, False
        closing = self._sheet.bytes.find(self._quote, start, line.end)
        while closing >= 0 and self._sheet.bytes.startswith(self._quote, closing + 1, line.end):
            doubled = True
            closing = self._sheet.bytes.find(self._quote, closing + 2, line.end)
        if closing < 0 or not (closing + 1 == line.end or self._sheet.bytes.startswith(self._delimiter, closing + 1)):
            raise self._sheet.fault(
                "read.layout", "A quoted cell does not end where its quote ends.", (at, line.end), remedy=_SAME_EXPORT
            )
        return (start, closing, doubled), closing + 1
