"""LIS01 frames: published checksums, and a byte stream cut into tokens."""

import csv
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bridge.wire.lis01_frames import LONGEST_TEXT, RESTRICTED, Scanner, Sequence, Token, TokenKind, build_frame, checksum, unframe
from tests.receive.independent_sender import RECORDS
from tests.receive.independent_sender import frame as independent_frame

FIXTURES = Path(__file__).parents[2] / "fixtures" / "wire"

# tests/wire/lis01_checksums.csv: 29 worked frames; origin in its `source` column: the test suite of the python-astm
# family (PyPI astm-2025 1.0.0), public source texts, and six of our own computed apart from this code.
with (Path(__file__).parent / "lis01_checksums.csv").open(encoding="utf-8", newline="") as rows:
    WORKED = list(csv.DictReader(rows))


def tokens(stream: bytes, *, size: int = 100_000) -> list[Token]:
    scanner = Scanner()
    return [t for at in range(0, len(stream), size) for t in scanner.feed(stream[at : at + size])]


def faults(stream: bytes) -> list[str]:
    return [t.frame.fault for t in tokens(stream) if t.frame is not None]


def test_the_worked_examples_are_all_there() -> None:
    """A table that lost its rows would pass in silence."""
    assert len(WORKED) == 29


@pytest.mark.parametrize("row", WORKED, ids=[f"{n}" for n in range(len(WORKED))])
def test_worked_checksums(row: dict[str, str]) -> None:
    """Every published checksum comes out, and the frame around it is whole; the sum is checked on the way."""
    encoding = "cp1251" if "cp1251" in row["note"] else "ascii"
    text = row["frame_text"].replace("<CR>", "\r")
    body = (text[:1].encode() + _cp1251(text[1:]) if encoding == "cp1251" else text.encode()) + (
        b"\x03" if row["end"] == "ETX" else b"\x17"
    )
    assert sum(body) == int(row["sum_decimal"])
    expected = (row["published_checksum"] or row["computed_checksum"]).encode()
    assert checksum(body) == expected
    frame = build_frame(int(text[:1]), body[1:-1], is_last=row["end"] == "ETX")
    assert frame == b"\x02" + body + expected + b"\r\n"
    assert faults(frame) == [""]


def _cp1251(text: str) -> bytes:
    """Give the bytes that the list shows as Latin-1 characters."""
    return text.encode("latin-1")


@pytest.mark.parametrize("number", range(8))
def test_frames_are_what_the_independent_sender_writes(number: int) -> None:
    """Two builders, written apart, agree byte for byte, 8-bit and NUL bytes too."""
    text = b"R|1|\x00\xff\x80|x\r"
    assert build_frame(number, text, is_last=True) == independent_frame(number, text)
    assert build_frame(number, text, is_last=False) == independent_frame(number, text, end=b"\x17")


GOOD = independent_frame(1, b"P|1\r")
DAMAGED = {
    "the checksum does not match": independent_frame(1, b"P|1\r", wrong_checksum=True),
    "the frame number is not 0 to 7": b"\x028P|1\r\x03" + checksum(b"8P|1\r\x03") + b"\r\n",
    "the frame does not end with checksum and CR LF": GOOD[:-2] + b"\n",
    "the frame is too long": independent_frame(1, b"x" * (LONGEST_TEXT + 1)),
}


@pytest.mark.parametrize(("fault", "frame"), DAMAGED.items())
def test_a_damaged_frame_says_why(fault: str, frame: bytes) -> None:
    """Each fault has its own words, and the frame after it is whole. HZ-F01."""
    assert faults(frame + GOOD) == [fault, ""]


def test_an_empty_frame_has_no_number() -> None:
    """STX at once followed by ETX is a damaged frame, not an error."""
    assert faults(b"\x02\x0303\r\n") == ["the frame number is not 0 to 7"]


def test_the_longest_frame_is_whole() -> None:
    """The limit itself is still inside."""
    assert faults(independent_frame(1, b"x" * LONGEST_TEXT)) == [""]


@pytest.mark.parametrize("byte", sorted(set(RESTRICTED) - {2, 3, 0x17}))
def test_a_restricted_character_spoils_the_frame_whatever_its_checksum(byte: int) -> None:
    """LIS01 forbids these in a text: the frame is refused even if the sum is right, and takes one answer only."""
    frame = independent_frame(1, b"P|" + bytes([byte]) + b"1\r")
    assert [t.kind for t in tokens(frame + GOOD)] == [TokenKind.FRAME, TokenKind.FRAME]
    assert faults(frame + GOOD) == ["a control character inside the frame", ""]


@pytest.mark.parametrize("byte", sorted(set(range(256)) - set(RESTRICTED)))
def test_every_other_byte_goes_through(byte: int) -> None:
    """NUL and 8-bit bytes are text like any other."""
    found = tokens(independent_frame(1, b"P|" + bytes([byte]) + b"\r"))
    assert [t.frame.text for t in found if t.frame] == [b"P|" + bytes([byte]) + b"\r"]
    assert [t.frame.fault for t in found if t.frame] == [""]


def test_stx_inside_a_frame_begins_it_anew() -> None:
    """The rule of LIS01: a sender that starts the frame again is heard from there."""
    found = tokens(GOOD[:4] + GOOD)
    assert [(t.kind, t.raw) for t in found] == [(TokenKind.PIECE, GOOD[:4]), (TokenKind.FRAME, GOOD)]


def test_enq_in_a_frame_waits_for_a_silence() -> None:
    """An ENQ after half a frame is a new start only if the line then falls silent; an early ACK could cost a frame."""
    scanner = Scanner()
    assert list(scanner.feed(GOOD[:4] + b"\x04\x05")) == []
    assert scanner.is_unsettled
    assert [(t.kind, t.raw) for t in scanner.settle()] == [
        (TokenKind.PIECE, GOOD[:4]),
        (TokenKind.EOT, b"\x04"),
        (TokenKind.ENQ, b"\x05"),
    ]
    assert not scanner.is_in_frame


def test_a_frame_that_lost_its_end_is_over_after_a_silence() -> None:
    """ETX turned into another byte: CR LF and silence say that the sender waits for an answer."""
    scanner = Scanner()
    assert list(scanner.feed(GOOD.replace(b"\x03", b"!"))) == []
    assert scanner.is_unsettled
    (token,) = scanner.settle()
    assert token.frame is not None
    assert token.frame.fault == "a control character inside the frame"
    assert not list(scanner.settle())


def test_many_doubtful_bytes_are_noise() -> None:
    """A line that hums ENQ inside a frame does not grow a queue."""
    scanner = Scanner()
    assert list(scanner.feed(GOOD[:4] + b"\x05" * 40)) == []
    assert next(t.kind for t in scanner.settle()) is TokenKind.PIECE
    assert faults(GOOD[:4] + b"\x05" * 40 + GOOD[4:]) == ["a control character inside the frame"]


STREAMS = st.lists(
    st.sampled_from(
        [GOOD, independent_frame(2, b"L|1\r"), independent_frame(1, b"a", end=b"\x17"), GOOD[:4], GOOD[4:], *DAMAGED.values()]
        + [bytes([b]) for b in (*RESTRICTED, 0, 13, 49, 255)]
    ),
    max_size=14,
).map(b"".join)


@given(STREAMS, st.integers(1, 30))
def test_any_cut_gives_the_same_tokens_and_all_bytes(stream: bytes, size: int) -> None:
    """Chunks change no frame, and the tokens with the rest are the stream: nothing is lost."""

    def seen(chunk: int) -> tuple[bytes, list[Token]]:
        scanner = Scanner()
        found = [t for at in range(0, len(stream), chunk) for t in scanner.feed(stream[at : at + chunk])]
        found += scanner.take()
        return b"".join(t.raw for t in found), [t for t in found if t.kind is not TokenKind.NOISE]

    if len(stream) > 5_000:
        size *= 997
    assert seen(size) == seen(max(len(stream), 1))
    assert seen(size)[0] == stream


@given(st.binary(max_size=300))
def test_unframe_takes_any_bytes(payload: bytes) -> None:
    """A capture of anything never raises, and every span points at its own bytes."""
    unframed = unframe(payload)
    assert b"".join(payload[at : at + length] for _, at, length in unframed.spans) == unframed.data


@pytest.mark.parametrize("name", ["clean", "repeated", "damaged"])
def test_a_message_is_the_same_however_it_came(name: str) -> None:
    """Repeats and damaged frames in a capture change nothing in its text."""
    assert unframe((FIXTURES / f"{name}.lis01").read_bytes()).data == b"".join(RECORDS)


def test_a_torn_message_gives_its_whole_frames() -> None:
    """Half a frame is never text."""
    assert unframe((FIXTURES / "torn.lis01").read_bytes()).data == RECORDS[0] + RECORDS[1]


def test_a_record_over_three_frames_is_joined() -> None:
    """ETB says that the record goes on."""
    unframed = unframe((FIXTURES / "split.lis01").read_bytes())
    assert unframed.data == b"H|\\^&|||BROOK-1|||||||P|LIS2-A2\rL|1|N\r"
    assert [length for _, _, length in unframed.spans] == [12, 8, 12, 6]


def test_numbers_wrap_from_7_to_0() -> None:
    """The frame after 7 is 0; another number is out of turn, and the same number needs the same text to be a repeat."""
    payload = b"\x05" + b"".join(independent_frame(n, b"%d\r" % n) for n in range(1, 18))
    assert unframe(payload).data == b"".join(b"%d\r" % n for n in range(1, 18))
    sequence = Sequence(None)
    first, again, other = (t.frame for t in tokens(independent_frame(5, b"a") * 2 + independent_frame(5, b"b")))
    assert first is not None
    assert again is not None
    assert other is not None
    assert sequence.fault(first) == ""
    sequence.accept(first)
    assert sequence.is_repeat(again)
    assert sequence.fault(other) == "the number of the frame before, with another text"
