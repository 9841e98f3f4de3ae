"""Cut a plain stream into captures: by form feed, STX/ETX, line end, or a silent gap.

The caller owns the clock: after a silence it calls ``flush``. Any cut of the stream into chunks gives the same pieces.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Literal

By = Literal["form_feed", "stx_etx", "line", "gap"]

_BLANK = b"\x00\t\n\x0b\x0c\r "  # ours: what a printer port sends between slips; alone it is no slip
_CHECK_BYTES = 2  # common practice, no source: one or two check characters may follow ETX

_STX, _ETX = 2, 3  # ASCII
_MARKS = re.compile(rb"[\x02\x03]")

# What ends a piece. A CR at the very end of what has come waits: an LF may follow.
_ENDS: dict[By, re.Pattern[bytes]] = {
    "form_feed": re.compile(rb"\x0c"),
    "line": re.compile(rb"\r\n|\n|\r(?=[^\n])"),
    "gap": re.compile(rb"(?!)"),
}


@dataclass(frozen=True, kw_only=True, slots=True)
class Piece:
    """One capture's bytes, its end mark included. ``torn``: it has no beginning, no end, or was cut for its length."""

    data: bytes
    torn: bool


class Cutter:
    """Cuts a stream. ``longest`` bounds a piece, bytes; a longer one is given in torn pieces. Blank pieces are left out."""

    def __init__(self, by: By, *, longest: int) -> None:
        self._by = by
        self._longest = longest
        self._buffer = bytearray()
        self._is_cut = False  # the beginning of the piece under way was given already

    @property
    def is_holding(self) -> bool:
        """Say whether a piece is under way, which a silence would end."""
        return bool(self._buffer) or self._is_cut

    def feed(self, data: bytes) -> list[Piece]:
        """Take bytes; give the pieces that they complete, oldest first."""
        self._buffer += data
        return list(self._pieces())

    def flush(self) -> list[Piece]:
        """Say that the line has been silent: what is left is a piece; torn, unless silence is what ends one."""
        is_whole = self._by == "gap" or (self._by == "line" and self._buffer.endswith(b"\r"))
        return list(self._give(len(self._buffer), torn=not is_whole))

    def _pieces(self) -> Iterator[Piece]:
        while True:
            found = self._end()
            if found is not None and found[0] <= self._longest:
                yield from self._give(found[0], torn=found[1])
            elif len(self._buffer) > self._longest:
                yield from self._give(self._longest, torn=True)
                self._is_cut = True
            else:
                return

    def _end(self) -> tuple[int, bool] | None:
        """Give where the piece under way ends, and whether it is torn there; None: not yet."""
        if self._by != "stx_etx":
            found = _ENDS[self._by].search(self._buffer)
            return (found.end(), False) if found else None
        return self._end_of_marked()

    def _end_of_marked(self) -> tuple[int, bool] | None:
        """Give the end of a piece between STX and ETX; a second STX before the ETX ends a torn one."""
        begins = self._buffer[:1] == b"\x02" and not self._is_cut
        found = _MARKS.search(self._buffer, 1 if begins else 0)
        while found and self._buffer[found.start()] == _ETX and not begins and not self._is_cut:
            found = _MARKS.search(self._buffer, found.end())  # outside of STX and ETX only an STX means something
        if not found:
            return None
        return (found.start(), True) if self._buffer[found.start()] == _STX else (found.end(), False)

    def _give(self, end: int, *, torn: bool) -> Iterator[Piece]:
        piece = bytes(self._buffer[:end])
        del self._buffer[:end]
        was_cut, self._is_cut = self._is_cut, False
        text = piece.strip(_BLANK)
        is_check = self._by == "stx_etx" and not was_cut and text[:1] != b"\x02" and len(text) <= _CHECK_BYTES
        if text and not is_check:
            yield Piece(data=piece, torn=torn or was_cut)
