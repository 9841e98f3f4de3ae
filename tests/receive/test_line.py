"""The shared driver over a real socket pair: link layer with timers, plain streams with gaps, and a disk that fails."""

from __future__ import annotations

import asyncio
import contextlib
import socket
from collections.abc import AsyncIterator, Awaitable, Callable

import pytest

from bridge.errors import LineError
from bridge.model import Capture, Way
from bridge.receive import line as line_module
from bridge.receive.line import Line
from bridge.receive.tcp import TcpStream
from bridge.settings import Cut, LineSource, LinkTimes
from tests.receive.independent_sender import RECORDS, frame, message
from tests.receive.shelf import MOMENT, PATIENCE_S, Shelf, now

ENQ, EOT, ACK, NAK = b"\x05", b"\x04", b"\x06", b"\x15"
QUICK = LinkTimes(answer_s=0.4, frame_s=0.3, settle_s=0.1)


def source(*, cut: Cut | None = None, times: LinkTimes = QUICK, longest: int = 100_000) -> LineSource:
    return LineSource(
        name="bench",
        analyzer="brook",
        profile="brook",
        link="stream" if cut else "lis01",
        cut=cut,
        times=times,
        longest_capture_bytes=longest,
    )


class Far:
    """The analyzer's end of a real socket pair."""

    def __init__(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        self._reader = reader
        self._writer = writer

    def put(self, some: bytes) -> None:
        self._writer.write(some)

    async def hears(self, count: int) -> bytes:
        async with asyncio.timeout(PATIENCE_S):
            return await self._reader.readexactly(count)

    async def hang_up(self) -> None:
        self._writer.close()
        with contextlib.suppress(OSError):
            await self._writer.wait_closed()


@contextlib.asynccontextmanager
async def connected(shelf: Shelf, settings: LineSource) -> AsyncIterator[tuple[Far, asyncio.Task[None]]]:
    with socket.create_server(("127.0.0.1", 0)) as server:
        theirs = socket.create_connection(server.getsockname())
        ours, _ = server.accept()
    loop = asyncio.get_running_loop()
    _, stream = await loop.create_connection(TcpStream, sock=ours)
    far = Far(*await asyncio.open_connection(sock=theirs))
    running = asyncio.create_task(Line(settings, way=Way.TCP, keep=shelf.keep, now=now).run(stream))
    try:
        yield far, running
    finally:
        await far.hang_up()
        running.cancel()
        await asyncio.wait([running])
        stream.close()
        await asyncio.sleep(0)


def play(scene: Callable[[Shelf], Awaitable[None]]) -> Shelf:
    async def whole() -> Shelf:
        shelf = Shelf()
        async with asyncio.timeout(3 * PATIENCE_S):
            await scene(shelf)
        return shelf

    return asyncio.run(whole())


def payloads(shelf: Shelf) -> list[tuple[bytes, bool]]:
    return [(c.payload, c.torn) for c in shelf.captures]


def test_the_last_ack_comes_after_the_commit() -> None:
    """Kept first: while the commit waits the sender hears nothing; when it is durable it hears ACK. HZ-F09."""

    async def scene(shelf: Shelf) -> None:
        async with connected(shelf, source(times=LinkTimes())) as (far, _):
            shelf.gate.clear()
            far.put(ENQ + message())
            assert await far.hears(4) == ACK * 4
            await shelf.was_tried(1)
            assert shelf.captures == []
            with pytest.raises(TimeoutError):
                async with asyncio.timeout(0.05):
                    await far._reader.readexactly(1)
            shelf.gate.set()
            assert await far.hears(1) == ACK

    shelf = play(scene)
    expected = Capture(source="bench", way=Way.TCP, arrived_at=MOMENT, payload=ENQ + message())
    assert shelf.captures == [expected]


def test_a_full_disk_is_nak_then_busy_then_kept() -> None:
    """Six tries fail, the sender gives up; its next ENQ is put off until what it gave up is kept; then all is well again. HZ-F08."""

    async def scene(shelf: Shelf) -> None:
        async with connected(shelf, source(times=LinkTimes())) as (far, _):
            shelf.is_full = True
            far.put(ENQ + message())
            assert await far.hears(5) == ACK * 4 + NAK
            for _ in range(5):
                far.put(frame(4, RECORDS[3]))
                assert await far.hears(1) == NAK
            far.put(EOT)
            await shelf.was_tried(7)
            far.put(ENQ)
            assert await far.hears(1) == NAK
            shelf.is_full = False
            await shelf.holds(1)
            far.put(ENQ)
            assert await far.hears(1) == ACK

    assert payloads(play(scene)) == [(ENQ + message(), False)]


def test_silence_in_a_message_keeps_the_torn_rest() -> None:
    """The frame timer runs out: the rest is kept as torn, and the line is free for the next ENQ."""

    async def scene(shelf: Shelf) -> None:
        async with connected(shelf, source()) as (far, _):
            far.put(ENQ + frame(1, RECORDS[0]))
            assert await far.hears(2) == ACK * 2
            await shelf.holds(1)
            far.put(ENQ)
            assert await far.hears(1) == ACK

    assert payloads(play(scene)) == [(ENQ + frame(1, RECORDS[0]), True)]


def test_half_a_frame_then_enq_after_the_settling_silence() -> None:
    """A sender that was switched off in mid-frame is heard again, and the torn rest is kept first."""

    async def scene(shelf: Shelf) -> None:
        async with connected(shelf, source(times=LinkTimes(settle_s=0.1))) as (far, _):
            far.put(ENQ + frame(1, RECORDS[0]) + b"\x022P|" + ENQ)
            assert await far.hears(3) == ACK * 3
            assert payloads(shelf) == [(ENQ + frame(1, RECORDS[0]) + b"\x022P|", True)]
            far.put(message())
            assert await far.hears(4) == ACK * 4

    assert payloads(play(scene))[1] == (ENQ + message(), False)


def test_a_lost_wire_keeps_the_torn_rest() -> None:
    """The cable was pulled in the middle: what came is kept."""

    async def scene(shelf: Shelf) -> None:
        async with connected(shelf, source(times=LinkTimes())) as (far, running):
            far.put(ENQ + frame(1, RECORDS[0]) + b"\x022")
            assert await far.hears(2) == ACK * 2
            await far.hang_up()
            await asyncio.wait_for(running, PATIENCE_S)

    assert payloads(play(scene)) == [(ENQ + frame(1, RECORDS[0]) + b"\x022", True)]


def test_a_lost_wire_and_a_full_disk_wait_for_each_other() -> None:
    """The connection's rest stays with us until the store takes it, after the wire is gone too."""

    async def scene(shelf: Shelf) -> None:
        async with connected(shelf, source(times=LinkTimes())) as (far, running):
            shelf.is_full = True
            far.put(ENQ + frame(1, RECORDS[0]))
            assert await far.hears(2) == ACK * 2
            await far.hang_up()
            await shelf.was_tried(2)
            shelf.is_full = False
            await asyncio.wait_for(running, PATIENCE_S)

    assert payloads(play(scene)) == [(ENQ + frame(1, RECORDS[0]), True)]


def test_a_stop_of_the_service_keeps_what_is_under_way() -> None:
    """Earlier frames were acknowledged from memory: at an orderly stop they are kept, torn."""

    async def scene(shelf: Shelf) -> None:
        async with connected(shelf, source(times=LinkTimes())) as (far, running):
            far.put(ENQ + frame(1, RECORDS[0]))
            assert await far.hears(2) == ACK * 2
            running.cancel()
            await asyncio.wait([running])
            assert running.cancelled()

    assert payloads(play(scene)) == [(ENQ + frame(1, RECORDS[0]), True)]


def test_no_ack_after_the_sender_has_given_up() -> None:
    """The commit took longer than the sender waits: it gets no late ACK, only the answer to its new ENQ."""

    async def scene(shelf: Shelf) -> None:
        async with connected(shelf, source(times=LinkTimes(answer_s=0.2))) as (far, _):
            shelf.gate.clear()
            far.put(ENQ + message())
            assert await far.hears(4) == ACK * 4
            far.put(EOT + ENQ)
            await shelf.was_tried(1)
            await asyncio.sleep(0.25)  # the answer time itself, not luck
            shelf.gate.set()
            assert await far.hears(1) == ACK
            far.put(message())
            assert await far.hears(4) == ACK * 4  # one answer a frame: none was left over

    assert payloads(play(scene)) == [(ENQ + message(), False)] * 2


def test_a_refused_frame_is_named_in_the_log(capsys: pytest.CaptureFixture[str]) -> None:
    """The reason stands in the log, and no byte of the frame."""

    async def scene(shelf: Shelf) -> None:
        async with connected(shelf, source(times=LinkTimes())) as (far, _):
            far.put(ENQ + frame(1, b"P|1||T0042\r", wrong_checksum=True))
            assert await far.hears(2) == ACK + NAK

    play(scene)
    logged = capsys.readouterr().out
    assert "line.frame_refused" in logged
    assert "the checksum does not match" in logged
    assert "T0042" not in logged


@pytest.mark.parametrize(
    ("by", "stream", "expected"),
    [
        ("form_feed", b"one\x00\xff\x0ctwo", [(b"one\x00\xff\x0c", False), (b"two", True)]),
        ("gap", b"one\r\ntwo\r\n", [(b"one\r\ntwo\r\n", False)]),
        ("line", b"one\r\ntwo\r\n", [(b"one\r\n", False), (b"two\r\n", False)]),
        ("stx_etx", b"\x02one\x03\x02two", [(b"\x02one\x03", False), (b"\x02two", True)]),
    ],
)
def test_a_plain_stream_is_cut_and_its_rest_flushed_by_silence(
    by: str, stream: bytes, expected: list[tuple[bytes, bool]]
) -> None:
    """Bytes go through untouched; a silence ends what is left, torn unless silence is what ends a slip."""

    async def scene(shelf: Shelf) -> None:
        async with connected(shelf, source(cut=Cut.model_validate({"by": by, "gap_s": 0.1}))) as (far, _):
            far.put(stream)
            await shelf.holds(len(expected))

    assert payloads(play(scene)) == expected


def test_pieces_that_came_together_are_kept_together_and_in_order() -> None:
    """One commit for what one read brought; where there is no room, all of it is tried again, and nothing overtakes."""
    lines = [b"strip %d\n" % number for number in range(120)]

    async def scene(shelf: Shelf) -> None:
        async with connected(shelf, source(cut=Cut(by="line", gap_s=5))) as (far, _):
            shelf.is_full = True
            far.put(b"".join(lines))
            await shelf.was_tried(1)
            assert shelf.captures == []
            shelf.is_full = False
            await shelf.holds(120)
            assert shelf.tries <= 10

    assert [payload for payload, _ in payloads(play(scene))] == lines


def test_a_gap_separates_two_slips() -> None:
    """Two slips with a silence between them are two captures."""

    async def scene(shelf: Shelf) -> None:
        async with connected(shelf, source(cut=Cut(by="gap", gap_s=0.1))) as (far, _):
            far.put(b"one\r\n")
            await shelf.holds(1)
            far.put(b"two\r\n")
            await shelf.holds(2)

    assert payloads(play(scene)) == [(b"one\r\n", False), (b"two\r\n", False)]


def test_a_plain_stream_waits_for_the_disk(monkeypatch: pytest.MonkeyPatch) -> None:
    """Nobody would print the slips again: they are tried until they are kept, in order."""
    monkeypatch.setattr(line_module, "FIRST_RETRY_S", 0.02)

    async def scene(shelf: Shelf) -> None:
        async with connected(shelf, source(cut=Cut(by="form_feed"))) as (far, running):
            shelf.is_full = True
            far.put(b"one\x0ctwo\x0cthree")
            await shelf.was_tried(3)
            await far.hang_up()
            shelf.is_full = False
            await asyncio.wait_for(running, PATIENCE_S)

    assert payloads(play(scene)) == [(b"one\x0c", False), (b"two\x0c", False), (b"three", True)]


def test_a_stop_of_the_service_keeps_half_a_slip() -> None:
    """At an orderly stop what was printed so far is kept, torn."""

    async def scene(shelf: Shelf) -> None:
        async with connected(shelf, source(cut=Cut(by="form_feed"))) as (far, running):
            far.put(b"one\x0chalf")
            await shelf.holds(1)
            running.cancel()
            await asyncio.wait([running])

    assert payloads(play(scene)) == [(b"one\x0c", False), (b"half", True)]


@pytest.mark.parametrize("cut", [None, Cut(by="form_feed")])
def test_a_capture_that_is_too_long_is_cut_and_kept_torn(cut: Cut | None) -> None:
    """Memory is bounded by longest_capture_bytes, and what came up to there is not lost."""
    stream = b"x" * 2_500 + b"\x0c" if cut else ENQ + frame(1, b"x" * 900) + frame(2, b"y" * 900)

    async def scene(shelf: Shelf) -> None:
        async with connected(shelf, source(cut=cut, longest=1_000, times=LinkTimes())) as (far, _):
            far.put(stream)
            await shelf.holds(3 if cut else 1)
            if cut is None:
                assert await far.hears(3) == ACK * 2 + NAK

    cuts = [(stream[:1_000], True), (stream[1_000:2_000], True), (stream[2_000:], True)]
    assert payloads(play(scene)) == (cuts if cut else cuts[:1])


def test_a_wire_that_breaks_under_an_answer_ends_the_connection() -> None:
    """The message is kept although its ACK could not be said; the sender will send it again."""

    class Broken:
        """A wire that carries one message in and nothing out."""

        def __init__(self) -> None:
            self._come = [ENQ + message()]

        async def read(self) -> bytes:
            return self._come.pop() if self._come else b""

        def read_now(self) -> bytes:
            return b""

        async def write(self, some: bytes) -> None:
            raise LineError(f"cannot say {len(some)} byte")

    async def scene(shelf: Shelf) -> None:
        await Line(source(), way=Way.SERIAL, keep=shelf.keep, now=now).run(Broken())

    assert payloads(play(scene)) == [(ENQ + message(), False)]
