"""MLLP framing, in any cut."""

import asyncio
import itertools

import pytest
from hl7.mllp import open_hl7_connection  # the python-hl7 package: an independent writer of the same framing
from hypothesis import given
from hypothesis import strategies as st

from bridge.wire.mllp import Deframer, frame

PAYLOADS = st.binary(max_size=30).filter(lambda b: b"\x0b" not in b and b"\x1c" not in b)


def test_a_frame_is_what_an_independent_library_writes() -> None:
    """python-hl7 0.4.5 puts the same bytes on a real socket."""

    async def bytes_of_python_hl7() -> bytes:
        seen: asyncio.Future[bytes] = asyncio.get_running_loop().create_future()

        async def read_all(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
            seen.set_result(await reader.read())
            writer.close()

        async with await asyncio.start_server(read_all, "127.0.0.1", 0) as server:
            _, writer = await open_hl7_connection(*server.sockets[0].getsockname())
            writer.writeblock(b"MSH|^~\\&|X\r")
            writer.close()
            await writer.wait_closed()
            return await asyncio.wait_for(seen, 10)

    assert asyncio.run(bytes_of_python_hl7()) == frame(b"MSH|^~\\&|X\r") == b"\x0bMSH|^~\\&|X\r\x1c\r"


@pytest.mark.parametrize("size", range(1, 40))
def test_any_chunk_size_gives_the_same_payloads(size: int) -> None:
    """A read may return one byte or several frames; bytes before VT are skipped and counted."""
    stream = b"xx" + frame(b"first\r") + b"\r\n" + frame(b"") + frame(b"second\xff\x00")
    deframer = Deframer()
    payloads = [p for at in range(0, len(stream), size) for p in deframer.feed(stream[at : at + size])]
    assert payloads == [b"first\r", b"", b"second\xff\x00"]
    assert deframer.skipped == 4


def test_an_end_block_without_cr_ends_nothing() -> None:
    """FS alone is content: only FS CR ends a frame, also when the two come apart."""
    deframer = Deframer()
    assert deframer.feed(b"\x0ba\x1c") == []
    assert deframer.feed(b"b\x1c") == []
    assert deframer.feed(b"\r") == [b"a\x1cb"]


def test_a_new_start_block_begins_the_frame_anew() -> None:
    """A peer that broke off and started again is read from its new start; the old bytes are counted."""
    deframer = Deframer()
    assert deframer.feed(b"\x0bhalf\x0bwhole\x1c\r") == [b"whole"]
    assert deframer.skipped == 4


def test_a_frame_that_is_too_long_is_left_out_and_the_next_is_read() -> None:
    """A peer that never ends a frame costs no memory and no neighbour."""
    for size in (1, 7, 1000):
        deframer = Deframer(longest=10)
        stream = frame(b"x" * 10) + frame(b"y" * 11) + frame(b"z" * 200) + frame(b"ok")
        payloads = [p for at in range(0, len(stream), size) for p in deframer.feed(stream[at : at + size])]
        assert payloads == [b"x" * 10, b"ok"]
        assert deframer.too_long == 2


@pytest.mark.parametrize("payload", [b"a\x0bb", b"a\x1cb"])
def test_what_mllp_cannot_carry_is_refused(payload: bytes) -> None:
    """A payload that would break its own frame never reaches the wire."""
    with pytest.raises(ValueError, match="VT or FS"):
        frame(payload)


@given(st.lists(PAYLOADS, max_size=5), st.lists(st.integers(0, 200), max_size=8))
def test_what_is_framed_comes_out_again(payloads: list[bytes], cuts: list[int]) -> None:
    """For any payloads and any cuts the same payloads come out, in order."""
    stream = b"".join(map(frame, payloads))
    marks = sorted({min(cut, len(stream)) for cut in cuts} | {0, len(stream)})
    deframer = Deframer()
    assert [p for a, b in itertools.pairwise(marks) for p in deframer.feed(stream[a:b])] == payloads


@given(st.binary(max_size=200), st.integers(1, 9))
def test_any_bytes_in_any_cut_give_the_same(stream: bytes, size: int) -> None:
    """Hostile bytes never raise, and the chunks change nothing."""
    whole, cut = Deframer(longest=20), Deframer(longest=20)
    expected = whole.feed(stream)
    assert [p for at in range(0, len(stream), size) for p in cut.feed(stream[at : at + size])] == expected
    assert (cut.skipped, cut.too_long) == (whole.skipped, whole.too_long)


def test_the_beginning_of_a_frame_that_is_too_long_is_remembered() -> None:
    """Its sender can be told by its header, and the next frame is taken; memory stays bounded however it comes."""
    head = b"MSH|1|" + b"x" * 20_000
    for size in (1, 7, 50_000):
        deframer = Deframer(longest=1_000)
        stream = frame(head) + frame(b"next")
        found = [payload for at in range(0, len(stream), size) for payload in deframer.feed(stream[at : at + size])]
        assert (found, deframer.too_long) == ([b"next"], 1)
        assert [head.startswith(beginning) and len(beginning) > 1_000 for beginning in deframer.beginnings] == [True]
        assert not deframer.is_open


def test_a_frame_that_has_begun_is_open() -> None:
    """What waits for its end is told from a quiet line."""
    deframer = Deframer()
    seen = [deframer.is_open]
    for some in (b"noise", b"\x0bMSH", b"\x1c", b"\r"):
        deframer.feed(some)
        seen.append(deframer.is_open)
    assert seen == [False, False, True, True, False]


def test_a_long_frame_in_small_pieces_is_looked_at_once() -> None:
    """Looking at all of it anew at each piece would cost minutes for some MB: anybody on the line could hold up every other way in."""
    looked_at = 0

    class Counting(bytearray):
        def find(self, what: bytes, start: int = 0) -> int:  # type: ignore[override]  # as the deframer calls it
            nonlocal looked_at
            looked_at += len(self) - start
            return super().find(what, start)

    deframer = Deframer()
    deframer._buffer = Counting()
    pieces = [b"\x0b", *[b"x" * 100] * 1_000, b"\x1c", b"\r"]
    assert [payload for piece in pieces for payload in deframer.feed(piece)] == [b"x" * 100_000]
    assert looked_at <= 2 * 100_003 + len(pieces) + 10  # once for VT, once for FS CR and the byte before each piece
