"""Printed slips: lines of text, cut into strips by a first line and a last line."""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass, field

from bridge.errors import RejectError
from bridge.model import Printed, PrintedPad
from bridge.read.sheet import BLANKS, Broken, Envelope, Line, Piece, Sheet, Strip
from bridge.tables.documents import PAD_NAMES
from bridge.tables.types import SlipLayout

LONGEST_LINE = 200  # ours, bytes: a slip printer has at most 80 columns; a pattern never meets more
_PRINT_AGAIN = "Print the strip again from the analyzer's memory."


@dataclass(slots=True)
class _Slip:
    """The slip that is being gathered, and the first thing that is wrong with it."""

    strip: Strip
    last: Line
    found: set[str] = field(default_factory=set)
    fault: RejectError | None = None


class SlipReader:
    """Reads one capture's text; its pieces together are the whole text."""

    def __init__(self, sheet: Sheet, layout: SlipLayout, *, torn: bool) -> None:
        self._sheet = sheet
        self._torn = torn
        self._begin = re.compile(layout.begin)
        self._end = re.compile(layout.end) if layout.end else None
        self._ignore = re.compile(layout.ignore) if layout.ignore else None
        self._lines = [(line.name, re.compile(line.pattern)) for line in layout.lines]
        self._required = [line.name for line in layout.lines if line.required]
        self._slip: _Slip | None = None
        self._garbage: tuple[int, int] | None = None

    def pieces(self) -> Iterator[Piece]:
        """Give the pieces in order. Raises nothing: a fault is a Broken piece."""
        for line in self._sheet.lines(pages=True):
            text, fault = self._text(line)
            if text is not None and self._begin.fullmatch(text):
                yield from self._close(torn=self._end is not None)
                yield from self._close_garbage()
                self._slip = _Slip(Strip(line.start, line.stop, b""), line)
                self._match(self._slip, line, text, is_edge=True)
            elif self._slip is None:
                yield from self._outside(line, text)
            else:
                yield from self._inside(self._slip, line, text, fault)
        if self._slip is not None:
            cut = self._torn or self._slip.last.stop == self._slip.last.end
            yield from self._close(torn=self._end is not None or cut)
        yield from self._close_garbage()

    def _text(self, line: Line) -> tuple[str | None, RejectError | None]:
        """Give a line's text without trailing blanks, or None and what is wrong with it."""
        if line.end - line.start > LONGEST_LINE:
            return None, self._sheet.fault(
                "read.layout", f"A line is longer than {LONGEST_LINE} characters.", (line.start, line.end), remedy=_PRINT_AGAIN
            )
        try:
            return self._sheet.text(line.start, line.end).rstrip(BLANKS.decode("ascii")), None
        except RejectError as fault:
            return None, fault

    def _ignored(self, text: str | None) -> bool:
        return text is not None and (not text.strip() or (self._ignore is not None and self._ignore.fullmatch(text) is not None))

    def _outside(self, line: Line, text: str | None) -> Iterator[Piece]:
        if self._garbage is None and self._ignored(text):
            yield Envelope(line.start, line.stop)
        else:
            self._garbage = (self._garbage[0] if self._garbage else line.start, line.stop)

    def _close_garbage(self) -> Iterator[Piece]:
        if self._garbage is None:
            return
        start, end = self._garbage
        self._garbage = None
        fault = self._sheet.fault(
            "read.layout", "These lines stand outside any slip of this analyzer.", (start, end), remedy=_PRINT_AGAIN
        )
        yield Broken(start, end, self._sheet.bytes[start:end], fault)

    def _inside(self, slip: _Slip, line: Line, text: str | None, fault: RejectError | None) -> Iterator[Piece]:
        slip.strip.end = line.stop
        if not self._sheet.is_blank(line):
            slip.last = line
        is_last = text is not None and self._end is not None and self._end.fullmatch(text) is not None
        if text is None:
            slip.fault = slip.fault or fault
        else:
            self._match(slip, line, text, is_edge=is_last)
        ends_page = self._sheet.bytes[line.stop - 1 : line.stop] == b"\f"
        if is_last or (self._end is None and ends_page):
            yield from self._close(torn=False)

    def _match(self, slip: _Slip, line: Line, text: str, *, is_edge: bool) -> None:
        """Read a line by the first pattern that fits. ``is_edge``: the slip's first and last line need none."""
        for name, pattern in self._lines:
            found = pattern.fullmatch(text)
            if found is not None:
                slip.found.add(name)
                try:
                    self._take(slip.strip, line, found)
                except RejectError as fault:
                    slip.fault = slip.fault or fault
                return
        if not is_edge and not self._ignored(text) and slip.fault is None:
            slip.fault = self._sheet.fault(
                "read.layout",
                "A line of the slip is none that this analyzer's profile knows.",
                (line.start, line.end),
                remedy=_PRINT_AGAIN,
            )

    def _take(self, strip: Strip, line: Line, found: re.Match[str]) -> None:
        pad: dict[str, Printed] = {}
        for name in found.re.groupindex:
            if found[name] is None:
                continue
            value = self._printed(line, found, name)
            if name in PAD_NAMES:
                pad[name] = value
            else:
                strip.put(name, value)
        if "label" in pad:
            unit, mark = pad.get("unit"), pad.get("mark")
            strip.pads.append(
                PrintedPad(
                    label=pad["label"],
                    value=pad["value"],
                    unit=unit if unit and unit.text else None,
                    mark=mark if mark and mark.text else None,
                )
            )

    def _printed(self, line: Line, found: re.Match[str], name: str) -> Printed:
        """Give a group's value; its place is counted in bytes, since a character may be several."""
        start = line.start + len(found.string[: found.start(name)].encode(self._sheet.charset))
        return self._sheet.printed(start, start + len(found[name].encode(self._sheet.charset)))

    def _close(self, *, torn: bool) -> Iterator[Piece]:
        if self._slip is None:
            return
        slip, self._slip = self._slip, None
        strip = slip.strip
        strip.record = self._sheet.bytes[strip.start : slip.last.end]
        if torn:
            slip.fault = self._sheet.fault(
                "read.torn",
                "The slip stops before its last line: more of it may have been on its way.",
                (slip.last.start, slip.last.end),
                remedy=_PRINT_AGAIN,
            )
        missing = [name for name in self._required if name not in slip.found]
        if slip.fault is None and missing:
            slip.fault = self._sheet.fault(
                "read.layout",
                f"The slip has no line of the kind {missing[0]!r}.",
                (strip.start, slip.last.end),
                remedy=_PRINT_AGAIN,
            )
        yield Broken(strip.start, strip.end, strip.record, slip.fault) if slip.fault is not None else strip
