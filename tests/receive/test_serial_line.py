"""The real SerialReceiver on a real pty, driven by the independent sender; scripts of what goes wrong on a line."""

from __future__ import annotations

import asyncio
import contextlib
import os
import subprocess
import threading
import time
import tty
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from bridge.model import Capture, Way
from bridge.receive.serial_line import SerialReceiver
from bridge.settings import Cut, LinkTimes, SerialSource
from tests.receive.independent_sender import RECORDS, IndependentSender, frame, message
from tests.receive.shelf import MOMENT, PATIENCE_S, Shelf, now

ENQ, EOT, ACK, NAK = b"\x05", b"\x04", b"\x06", b"\x15"
WHOLE = ENQ + message()


@contextlib.contextmanager
def pty_pair() -> Iterator[tuple[int, str]]:
    """Open a real pty: the analyzer's end as a descriptor, ours as a path. Both ends raw, as a serial line is."""
    master, slave = os.openpty()
    tty.setraw(master)
    tty.setraw(slave)
    try:
        yield master, os.ttyname(slave)
    finally:
        for descriptor in (master, slave):
            with contextlib.suppress(OSError):
                os.close(descriptor)


def source(port: str, *, cut: Cut | None = None, times: LinkTimes | None = None) -> SerialSource:
    return SerialSource(
        kind="serial",
        name="bench",
        analyzer="brook",
        profile="brook",
        link="stream" if cut else "lis01",
        cut=cut,
        times=times or LinkTimes(settle_s=0.1),
        port=port,
        reopen_s=0.05,
    )


Script = Callable[[IndependentSender], None]


def play(
    script: Script, *, settings: Callable[[str], SerialSource] = source, shelf: Shelf | None = None, captures: int = 0
) -> Shelf:
    """Run the receiver on one end of a pty and ``script`` on the other, in a thread; then wait for ``captures``."""

    async def scene() -> Shelf:
        kept = shelf or Shelf()
        with pty_pair() as (master, path):
            receiver = SerialReceiver(settings(path), keep=kept.keep, now=now)
            running = asyncio.create_task(receiver.run())
            try:
                await asyncio.wait_for(receiver.opened.wait(), PATIENCE_S)
                async with asyncio.timeout(2 * PATIENCE_S):
                    await asyncio.to_thread(script, IndependentSender(master))
                    await kept.holds(captures)
            finally:
                running.cancel()
                await asyncio.wait([running])
            return kept

    return asyncio.run(scene())


def payloads(shelf: Shelf) -> list[tuple[bytes, bool]]:
    return [(c.payload, c.torn) for c in shelf.captures]


def test_clean() -> None:
    """A whole session: every frame acknowledged, one capture of the exact bytes from ENQ to the last LF."""

    def script(sender: IndependentSender) -> None:
        assert sender.send()
        assert sender.answers == ACK * 5

    assert play(script).captures == [Capture(source="bench", way=Way.SERIAL, arrived_at=MOMENT, payload=WHOLE)]


def test_two_sessions_are_two_captures() -> None:
    """The line is free again after EOT."""

    def script(sender: IndependentSender) -> None:
        assert sender.send()
        assert sender.send()

    assert payloads(play(script)) == [(WHOLE, False)] * 2


def test_byte_by_byte() -> None:
    """A slow line brings one byte at a time; the answers and the capture are the same."""

    def script(sender: IndependentSender) -> None:
        for byte in WHOLE:
            sender.put(bytes([byte]))
            time.sleep(0.001)  # the pace of a line at 9600 baud
        assert [sender.answer() for _ in range(5)] == [ACK] * 5

    assert payloads(play(script)) == [(WHOLE, False)]


def test_bad_checksum() -> None:
    """NAK, and the frame sent again is taken; the capture shows both. HZ-F01."""
    bad = frame(2, RECORDS[1], wrong_checksum=True)

    def script(sender: IndependentSender) -> None:
        assert sender.ask() == ACK
        assert sender.give(frame(1, RECORDS[0])) == ACK
        assert sender.give(bad) == NAK
        assert [sender.give(frame(n, RECORDS[n - 1])) for n in (2, 3, 4)] == [ACK] * 3
        sender.put(EOT)

    expected = ENQ + frame(1, RECORDS[0]) + bad + b"".join(frame(n, RECORDS[n - 1]) for n in (2, 3, 4))
    assert payloads(play(script)) == [(expected, False)]


def test_six_bad_checksums_and_the_sender_gives_up() -> None:
    """Six NAKs, EOT: what came is kept as torn, and the same message later is whole."""

    def script(sender: IndependentSender) -> None:
        assert sender.ask() == ACK
        assert [sender.give(frame(1, RECORDS[0], wrong_checksum=True)) for _ in range(6)] == [NAK] * 6
        sender.put(EOT)
        assert sender.send()

    assert payloads(play(script)) == [(ENQ + frame(1, RECORDS[0], wrong_checksum=True) * 6, True), (WHOLE, False)]


@pytest.mark.parametrize("number", [1, 2, 3, 4])
def test_lost_ack(number: int) -> None:
    """The sender did not hear an ACK and sends the frame again: acknowledged, counted once. At the last frame too."""

    def script(sender: IndependentSender) -> None:
        assert sender.ask() == ACK
        for n, record in enumerate(RECORDS, 1):
            assert sender.give(frame(n, record)) == ACK
            if n == number:
                assert sender.give(frame(n, record)) == ACK
        sender.put(EOT)
        assert sender.send()  # and nothing of the repeat is left to become a torn capture

    repeated = ENQ + b"".join(frame(n, r) * (2 if n == number and n < 4 else 1) for n, r in enumerate(RECORDS, 1))
    assert payloads(play(script)) == [(repeated, False), (WHOLE, False)]


def test_repeated_frame_many_times() -> None:
    """Every repeat gets its ACK."""

    def script(sender: IndependentSender) -> None:
        assert sender.ask() == ACK
        assert [sender.give(frame(1, RECORDS[0])) for _ in range(4)] == [ACK] * 4
        assert [sender.give(frame(n, RECORDS[n - 1])) for n in (2, 3, 4)] == [ACK] * 3

    assert payloads(play(script)) == [(ENQ + frame(1, RECORDS[0]) * 3 + message(), False)]


@pytest.mark.parametrize("wrong", [0, 1, 3, 7])
def test_wrong_frame_number(wrong: int) -> None:
    """A frame out of turn is refused; the right one goes on. Number 1 with another text is no repeat."""

    def script(sender: IndependentSender) -> None:
        assert sender.ask() == ACK
        assert sender.give(frame(1, RECORDS[0])) == ACK
        assert sender.give(frame(wrong, RECORDS[1])) == NAK
        assert [sender.give(frame(n, RECORDS[n - 1])) for n in (2, 3, 4)] == [ACK] * 3

    expected = ENQ + frame(1, RECORDS[0]) + frame(wrong, RECORDS[1]) + b"".join(frame(n, RECORDS[n - 1]) for n in (2, 3, 4))
    assert payloads(play(script)) == [(expected, False)]


def test_torn() -> None:
    """The sender stops in mid-frame and starts anew: the torn rest is kept first, then the whole message."""
    torn = ENQ + frame(1, RECORDS[0]) + frame(2, RECORDS[1])[:7]

    def script(sender: IndependentSender) -> None:
        sender.put(torn)
        assert [sender.answer(), sender.answer()] == [ACK] * 2
        assert sender.send()

    assert payloads(play(script)) == [(torn, True), (WHOLE, False)]


def test_torn_and_silent() -> None:
    """The sender stops in mid-frame for good: after the frame time the torn rest is kept. HZ-D04."""
    torn = ENQ + frame(1, RECORDS[0]) + frame(2, RECORDS[1])[:7]
    shelf = play(
        lambda sender: sender.put(torn),
        settings=lambda port: source(port, times=LinkTimes(frame_s=0.2, settle_s=0.1)),
        captures=1,
    )
    assert payloads(shelf) == [(torn, True)]


def test_contention() -> None:
    """The instrument has the line: we send no ENQ of our own, and each of its ENQs is welcome; nothing is torn by it."""

    def script(sender: IndependentSender) -> None:
        assert sender.ask() == ACK  # it believes that it heard an ENQ, waits its second, and asks again
        assert sender.ask() == ACK
        assert sender.send()
        assert ENQ not in sender.answers

    assert payloads(play(script)) == [(WHOLE, False)]


def test_busy_receiver_recovers() -> None:
    """The disk is full: NAK six times, EOT, NAK to ENQ; then there is room, and the sender is heard again."""

    async def scene() -> Shelf:
        shelf = Shelf()
        shelf.is_full = True
        with pty_pair() as (master, path):
            receiver = SerialReceiver(source(path), keep=shelf.keep, now=now)
            running = asyncio.create_task(receiver.run())
            await asyncio.wait_for(receiver.opened.wait(), PATIENCE_S)
            sender = IndependentSender(master)
            assert not await asyncio.to_thread(sender.send)
            assert sender.answers == ACK * 4 + NAK * 6
            await shelf.was_tried(7)
            assert await asyncio.to_thread(sender.ask) == NAK
            shelf.is_full = False
            await shelf.holds(1)  # what the sender gave up is kept all the same
            assert await asyncio.to_thread(sender.send)
            running.cancel()
            await asyncio.wait([running])
        return shelf

    assert payloads(asyncio.run(scene())) == [(WHOLE, False)] * 2


def test_nul_and_8_bit_bytes_go_through_untouched() -> None:
    """Every byte that LIS01 allows in a text comes into the capture as it was sent."""
    allowed = bytes(b for b in range(256) if b not in b"\x01\x02\x03\x04\x05\x06\x0a\x10\x11\x12\x13\x14\x15\x16\x17")
    records = (b"H|\\^&\r", b"C|1|" + allowed + b"\r", b"L|1|N\r")

    def script(sender: IndependentSender) -> None:
        assert sender.send(records)

    assert payloads(play(script)) == [(ENQ + message(records), False)]


@pytest.mark.parametrize("byte", [1, 4, 5, 6, 10, 17, 19, 21])
def test_a_restricted_character_in_a_frame_is_refused_once(byte: int) -> None:
    """One frame, one answer: NAK, whatever control character the noise made; then the frame is taken."""
    noisy = frame(1, b"H|" + bytes([byte]) + b"x\r")

    def script(sender: IndependentSender) -> None:
        assert sender.ask() == ACK
        assert sender.give(noisy) == NAK
        assert [sender.give(frame(n, r)) for n, r in enumerate(RECORDS, 1)] == [ACK] * 4
        assert sender.answers == ACK + NAK + ACK * 4

    assert payloads(play(script)) == [(ENQ + noisy + message(), False)]


def test_an_oversize_frame_is_refused() -> None:
    """70,000 bytes of text are more than any edition allows: NAK, and the line goes on."""

    def script(sender: IndependentSender) -> None:
        assert sender.ask() == ACK
        assert sender.give(frame(1, b"x" * 70_000)) == NAK
        sender.put(EOT)
        assert sender.send()

    shelf = play(script)
    assert [c.torn for c in shelf.captures] == [True, False]
    assert shelf.captures[1].payload == WHOLE


def test_a_printer_port() -> None:
    """A plain stream: two slips by form feed, a third one torn by silence; NUL and 8-bit bytes untouched."""

    def script(sender: IndependentSender) -> None:
        sender.put(b"slip \x00\xe9 one\r\n\x0cslip two\r\n\x0cslip thr")

    shelf = play(script, settings=lambda port: source(port, cut=Cut(by="form_feed", gap_s=0.2)), captures=3)
    assert payloads(shelf) == [(b"slip \x00\xe9 one\r\n\x0c", False), (b"slip two\r\n\x0c", False), (b"slip thr", True)]
    assert {c.way for c in shelf.captures} == {Way.SERIAL}


def test_the_cable_is_pulled_and_put_back(tmp_path: Path) -> None:
    """A pty pair of socat's goes away in mid-message and comes back: the torn rest is kept, and the line is read again."""
    ours, theirs = tmp_path / "ours", tmp_path / "theirs"

    def cable() -> subprocess.Popen[bytes]:
        process = subprocess.Popen(["socat", f"PTY,raw,echo=0,link={ours}", f"PTY,raw,echo=0,link={theirs}"])
        until = time.monotonic() + PATIENCE_S
        while not (ours.exists() and theirs.exists()):
            assert time.monotonic() < until
            time.sleep(0.01)
        return process

    def pull(process: subprocess.Popen[bytes]) -> None:
        process.terminate()
        process.wait(PATIENCE_S)

    @contextlib.contextmanager
    def far_end() -> Iterator[IndependentSender]:
        descriptor = os.open(theirs, os.O_RDWR | os.O_NOCTTY)
        try:
            yield IndependentSender(descriptor)
        finally:
            os.close(descriptor)

    async def scene() -> Shelf:
        shelf = Shelf()
        process = await asyncio.to_thread(cable)
        receiver = SerialReceiver(source(str(ours)), keep=shelf.keep, now=now)
        running = asyncio.create_task(receiver.run())
        try:
            await asyncio.wait_for(receiver.opened.wait(), PATIENCE_S)
            with far_end() as sender:
                assert await asyncio.to_thread(sender.ask) == ACK
                assert await asyncio.to_thread(sender.give, frame(1, RECORDS[0])) == ACK
                await asyncio.to_thread(pull, process)
            await shelf.holds(1)
            process = await asyncio.to_thread(cable)
            await asyncio.wait_for(receiver.opened.wait(), PATIENCE_S)
            with far_end() as sender:
                assert await asyncio.to_thread(sender.send)
        finally:
            running.cancel()
            await asyncio.wait([running])
            await asyncio.to_thread(pull, process)
        return shelf

    assert payloads(asyncio.run(scene())) == [(ENQ + frame(1, RECORDS[0]), True), (WHOLE, False)]


def test_a_port_that_is_not_there_is_waited_for(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """An adapter that is plugged in after the start is found; until then the log says so once, not at every try."""
    path = tmp_path / "adapter"

    async def scene() -> Shelf:
        shelf = Shelf()
        receiver = SerialReceiver(source(str(path)), keep=shelf.keep, now=now)
        running = asyncio.create_task(receiver.run())
        await asyncio.sleep(0.3)  # several tries
        with pty_pair() as (master, slave):
            path.symlink_to(slave)
            await asyncio.wait_for(receiver.opened.wait(), PATIENCE_S)
            assert await asyncio.to_thread(IndependentSender(master).send)
            running.cancel()
            await asyncio.wait([running])
        return shelf

    assert payloads(asyncio.run(scene())) == [(WHOLE, False)]
    assert capsys.readouterr().out.count("line.absent") == 1


def test_the_reading_thread_ends_with_the_receiver() -> None:
    """A stopped receiver leaves no thread behind that would eat the next one's bytes."""
    play(lambda sender: None)
    readers = [thread for thread in threading.enumerate() if thread.name.startswith("serial-read")]
    for thread in readers:
        thread.join(PATIENCE_S)
    assert not any(thread.is_alive() for thread in readers)
