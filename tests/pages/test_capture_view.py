"""Bytes made visible: every byte stands there once, the offending ones marked, in windows."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bridge.model import Place
from bridge.pages.capture_view import HEX_ROW, LINE, WINDOW, CaptureView, view


def lines(seen: CaptureView) -> list[tuple[int, str]]:
    """Give each line's offset and its text, with brackets round what is no plain text and stars round what is marked."""
    shown = []
    for line in seen.lines:
        text = ""
        for piece in line.pieces:
            inner = piece.text if piece.kind == "plain" else f"[{piece.text}]"
            text += f"*{inner}*" if piece.marked else inner
        shown.append((line.offset, text))
    return shown


def test_controls_stand_as_words_and_lines_end_where_they_do() -> None:
    """LF, FF and a CR alone end a line; CR LF is one end; a byte that is not ASCII stands as hex."""
    payload = b"\x05\x021H|\\^&\rP|1\r\nA\x0cB\xe9\x7f\n"
    assert lines(view(payload, None)) == [
        (0, "[ENQ][STX]1H|\\^&[CR]"),
        (9, "P|1[CR][LF]"),
        (14, "A[FF]"),
        (16, "B[E9][DEL][LF]"),
    ]


def test_the_offending_place_is_marked_byte_by_byte() -> None:
    """In the text and in the hexadecimal rows alike."""
    seen = view(b"P|1||4070\rO|", Place(start=5, end=10))
    assert lines(seen) == [(0, "P|1||*4070**[CR]*"), (10, "O|")]
    assert [(row.offset, row.text) for row in seen.rows] == [(0, "P|1||407"), (8, "0.O|")]
    assert seen.rows[0].cells == (
        ("50", False), ("7C", False), ("31", False), ("7C", False), ("7C", False), ("34", True), ("30", True), ("37", True),
    )  # fmt: skip
    assert seen.rows[1].cells == (("30", True), ("0D", True), ("4F", False), ("7C", False))


def test_a_strip_without_a_fault_has_no_byte_marked() -> None:
    """A control, or a result that a receiver turned away, is no fault of its bytes: where the strip stands is told in words."""
    place = Place(start=5, end=10)
    seen = view(b"P|1||4070\rO|", place, is_fault=False)
    assert lines(seen) == [(0, "P|1||4070[CR]"), (10, "O|")]
    assert not any(marked for row in seen.rows for _, marked in row.cells)
    assert (seen.stands, view(b"P|1||4070\rO|", place).stands) == (place, None)
    far = view(b"x" * (2 * WINDOW), Place(start=WINDOW + 1, end=WINDOW + 2), is_fault=False)
    assert far.start == WINDOW


def test_nothing_received_is_shown_as_nothing() -> None:
    """An empty file has no line and no window beside it."""
    seen = view(b"", None)
    assert (seen.size, seen.start, seen.end, seen.lines, seen.rows, seen.earlier, seen.later) == (0, 0, 0, (), (), None, None)


@pytest.mark.parametrize(
    ("place", "start", "window", "earlier", "later"),
    [
        (None, None, (0, WINDOW), None, WINDOW),
        (Place(start=WINDOW + 5, end=WINDOW + 9), None, (WINDOW, 2 * WINDOW), 0, 2 * WINDOW),
        (Place(start=WINDOW + 5, end=WINDOW + 9), 0, (0, WINDOW), None, WINDOW),
        (None, 2 * WINDOW, (2 * WINDOW, 2 * WINDOW + 10), WINDOW, None),
        (None, WINDOW + 1, (WINDOW, 2 * WINDOW), 0, 2 * WINDOW),
        (None, 10**9, (2 * WINDOW, 2 * WINDOW + 10), WINDOW, None),
        (None, -5, (0, WINDOW), None, WINDOW),
    ],
)
def test_a_long_capture_is_shown_in_windows(
    place: Place | None, start: int | None, window: tuple[int, int], earlier: int | None, later: int | None
) -> None:
    """The first window shown is the one with the fault; any start that an address may hold gives a window."""
    seen = view(b"x" * (2 * WINDOW + 10), place, start=start)
    assert ((seen.start, seen.end), seen.earlier, seen.later) == (window, earlier, later)


def test_a_long_line_is_cut_for_the_eye() -> None:
    """The offsets go on counting."""
    assert [line.offset for line in view(b"x" * (2 * LINE + 1), None).lines] == [0, LINE, 2 * LINE]


@given(st.binary(max_size=3 * LINE), st.integers(0, 900), st.integers(0, 40))
def test_every_byte_stands_there_once(payload: bytes, begin: int, length: int) -> None:
    """Lines and rows cover the window without gap or repeat, and mark exactly the place."""
    seen = view(payload, Place(start=begin, end=begin + length), start=0)
    cells = [cell for row in seen.rows for cell in row.cells]
    assert bytes.fromhex("".join(text for text, _ in cells)) == payload
    assert [n for n, (_, marked) in enumerate(cells) if marked] == [n for n in range(begin, begin + length) if n < len(payload)]
    assert all(len(row.cells) == HEX_ROW for row in seen.rows[:-1])
    counted = [0] * (len(payload) + 1)
    for line in seen.lines:
        counted[line.offset] += sum(len(piece.text) if piece.kind == "plain" else 1 for piece in line.pieces)
    assert sum(counted) == len(payload)
    assert all(piece.text.isprintable() for line in seen.lines for piece in line.pieces)
