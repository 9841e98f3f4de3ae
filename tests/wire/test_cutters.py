"""Plain streams cut into captures, in any cut."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bridge.wire.cutters import By, Cutter, Piece


def cut(by: By, stream: bytes, *, size: int = 10_000, longest: int = 1_000, flush: bool = True) -> list[tuple[bytes, bool]]:
    cutter = Cutter(by, longest=longest)
    pieces = [p for at in range(0, len(stream), size) for p in cutter.feed(stream[at : at + size])]
    pieces += cutter.flush() if flush else []
    return [(p.data, p.torn) for p in pieces]


CASES: list[tuple[By, bytes, list[tuple[bytes, bool]]]] = [
    ("form_feed", b"slip one\r\n\x0cslip two\x0c\x0c\r\n", [(b"slip one\r\n\x0c", False), (b"slip two\x0c", False)]),
    ("form_feed", b"whole\x0chalf", [(b"whole\x0c", False), (b"half", True)]),
    ("form_feed", b"\x00\xffa\x00\x0c", [(b"\x00\xffa\x00\x0c", False)]),
    ("line", b"a\r\nb\nc\rd\r\r\n\n", [(b"a\r\n", False), (b"b\n", False), (b"c\r", False), (b"d\r", False)]),
    ("line", b"a\rb", [(b"a\r", False), (b"b", True)]),
    ("line", b"a\r", [(b"a\r", False)]),
    ("gap", b"a\x0cb\r\n\x02\x03", [(b"a\x0cb\r\n\x02\x03", False)]),
    ("gap", b"\r\n", []),
    ("stx_etx", b"\x02one\x03\r\n\x02two\x03", [(b"\x02one\x03", False), (b"\x02two\x03", False)]),
    ("stx_etx", b"\x02one\x03F1\x02two\x037", [(b"\x02one\x03", False), (b"\x02two\x03", False)]),
    ("stx_etx", b"lost its start\x03\x02two\x03", [(b"lost its start\x03", True), (b"\x02two\x03", False)]),
    ("stx_etx", b"\x02half\x02whole\x03", [(b"\x02half", True), (b"\x02whole\x03", False)]),
    ("stx_etx", b"\x02half", [(b"\x02half", True)]),
    ("stx_etx", b"no marks at all", [(b"no marks at all", True)]),
]


@pytest.mark.parametrize("size", [1, 2, 3, 7, 10_000])
@pytest.mark.parametrize(("by", "stream", "expected"), CASES)
def test_the_pieces_of_a_stream(by: By, stream: bytes, expected: list[tuple[bytes, bool]], size: int) -> None:
    """Each way to cut gives these captures, whatever the chunks; blanks between slips are no captures."""
    assert cut(by, stream, size=size) == expected


@pytest.mark.parametrize("size", [1, 4, 10_000])
def test_a_piece_that_is_too_long_is_kept_in_torn_parts(size: int) -> None:
    """A stream that never ends its slip bounds memory; nothing of it is lost, and the next slip is whole."""
    stream = b"x" * 25 + b"\x0cnext\x0c"
    assert cut("form_feed", stream, size=size, longest=10) == [
        (b"x" * 10, True),
        (b"x" * 10, True),
        (b"x" * 5 + b"\x0c", True),
        (b"next\x0c", False),
    ]


def test_a_piece_of_just_the_longest_length_is_whole() -> None:
    """The limit itself is still inside."""
    assert cut("line", b"x" * 9 + b"\n", longest=10) == [(b"x" * 9 + b"\n", False)]


def test_the_caller_sees_whether_a_silence_would_end_something() -> None:
    """Only then is the gap timer armed."""
    cutter = Cutter("gap", longest=100)
    holding = [cutter.is_holding]
    assert cutter.feed(b"a") == []
    holding.append(cutter.is_holding)
    assert cutter.flush() == [Piece(data=b"a", torn=False)]
    holding.append(cutter.is_holding)
    assert holding == [False, True, False]


@given(
    st.sampled_from(["form_feed", "stx_etx", "line", "gap"]),
    st.lists(st.sampled_from([b"a", b"\x00", b"\xff", b"\r", b"\n", b"\x0c", b"\x02", b"\x03", b"bcd"]), max_size=40).map(
        b"".join
    ),
    st.integers(1, 9),
    st.integers(1, 12),
)
def test_any_chunks_give_the_same_pieces_and_lose_nothing(by: By, stream: bytes, size: int, longest: int) -> None:
    """Chunks change nothing, no piece is over the limit, and only blanks and check characters are left out. HZ-F04."""
    whole = cut(by, stream, longest=longest)
    assert cut(by, stream, size=size, longest=longest) == whole
    assert all(len(data) <= longest for data, _ in whole)
    if by != "stx_etx":
        letters = bytes(c for c in stream if c not in b"\x00\r\n\x0c")
        assert bytes(c for data, _ in whole for c in data if c not in b"\x00\r\n\x0c") == letters
