"""Bytes as received, made visible: a window of lines with control characters as words, and the same as hex.

No character set is assumed: a byte that is not printable ASCII stands as its word or its two hex digits.
"""

from __future__ import annotations

from dataclasses import dataclass

from bridge.model import Place
from bridge.pages.words import CONTROL_WORDS, DELETE

WINDOW = 4_096  # ours: about a hundred lines, which a person can scan; more is one step away
LINE = 256  # ours: a longer line is cut for the eye; the place at its left goes on counting
HEX_ROW = 8  # ours: fits 390 px
LF, FF, CR = 0x0A, 0x0C, 0x0D  # ECMA-6
SPACE, HIGHEST_PRINTABLE = 0x20, 0x7E  # ECMA-6, the graphic characters


@dataclass(frozen=True, kw_only=True, slots=True)
class Piece:
    """A stretch of one line. ``kind``: ``plain`` text, a ``control`` word, or a ``byte`` as hex. ``marked``: the offending place."""

    text: str
    kind: str
    marked: bool


@dataclass(frozen=True, kw_only=True, slots=True)
class Line:
    """One line of bytes, starting at ``offset`` from the capture's beginning."""

    offset: int
    pieces: tuple[Piece, ...]


@dataclass(frozen=True, kw_only=True, slots=True)
class HexRow:
    """Eight bytes: two hex digits each with whether it is marked, and the same as characters."""

    offset: int
    cells: tuple[tuple[str, bool], ...]
    text: str


@dataclass(frozen=True, kw_only=True, slots=True)
class CaptureView:
    """A window ``[start, end)`` of ``size`` bytes. ``earlier`` and ``later`` start the neighbouring windows.

    ``stands`` is where the strip stands that the page is about, where nothing of it is at fault: it is told in words, and no byte is marked.
    """

    size: int
    start: int
    end: int
    lines: tuple[Line, ...]
    rows: tuple[HexRow, ...]
    earlier: int | None
    later: int | None
    stands: Place | None = None


def view(payload: bytes, place: Place | None, *, start: int | None = None, is_fault: bool = True) -> CaptureView:
    """Give the window at ``start``; without one, the window in which ``place`` begins. Its bytes are marked where they are at fault."""
    if start is None:
        start = place.start // WINDOW * WINDOW if place is not None else 0
    start = max(0, min(start, len(payload) - 1)) // WINDOW * WINDOW if payload else 0
    end = min(start + WINDOW, len(payload))
    marked = range(place.start, place.end) if place is not None and is_fault else range(0)
    return CaptureView(
        size=len(payload),
        start=start,
        end=end,
        lines=tuple(Line(offset=at, pieces=_pieces(payload[at:to], at, marked)) for at, to in _cuts(payload, start, end)),
        rows=tuple(_row(payload, at, min(at + HEX_ROW, end), marked) for at in range(start, end, HEX_ROW)),
        earlier=start - WINDOW if start else None,
        later=end if end < len(payload) else None,
        stands=place if not is_fault else None,
    )


def _cuts(payload: bytes, start: int, end: int) -> list[tuple[int, int]]:
    """Cut a window into lines: after LF, FF, and a CR that no LF follows; and where a line grows too long."""
    cuts = []
    begun = start
    for at in range(start, end):
        byte = payload[at]
        ends = byte in (LF, FF) or (byte == CR and payload[at + 1 : at + 2] != b"\n")
        if ends or at + 1 - begun == LINE or at + 1 == end:
            cuts.append((begun, at + 1))
            begun = at + 1
    return cuts


def _pieces(stretch: bytes, offset: int, marked: range) -> tuple[Piece, ...]:
    pieces: list[Piece] = []
    for place, byte in enumerate(stretch, offset):
        text, kind = _visible(byte)
        is_marked = place in marked
        last = pieces[-1] if pieces else None
        if last is not None and kind == "plain" and last.kind == "plain" and last.marked == is_marked:
            pieces[-1] = Piece(text=last.text + text, kind=kind, marked=is_marked)
        else:
            pieces.append(Piece(text=text, kind=kind, marked=is_marked))
    return tuple(pieces)


def _visible(byte: int) -> tuple[str, str]:
    if SPACE <= byte <= HIGHEST_PRINTABLE:
        return chr(byte), "plain"
    if byte < len(CONTROL_WORDS):
        return CONTROL_WORDS[byte], "control"
    return ("DEL", "control") if byte == DELETE else (f"{byte:02X}", "byte")


def _row(payload: bytes, start: int, end: int, marked: range) -> HexRow:
    stretch = payload[start:end]
    return HexRow(
        offset=start,
        cells=tuple((f"{byte:02X}", place in marked) for place, byte in enumerate(stretch, start)),
        text="".join(chr(byte) if SPACE <= byte <= HIGHEST_PRINTABLE else "." for byte in stretch),
    )
