"""The real TcpReceiver over real TCP, as listener and as caller, driven by the independent sender."""

from __future__ import annotations

import asyncio
import contextlib
import socket
from collections.abc import AsyncIterator

import pytest

from bridge.errors import LineError
from bridge.model import Capture, Way
from bridge.receive.tcp import MOST_UNREAD, TcpReceiver, TcpStream
from bridge.settings import Cut, LinkTimes, TcpSource
from tests.receive.independent_sender import RECORDS, IndependentSender, frame, message
from tests.receive.shelf import MOMENT, PATIENCE_S, Shelf, now

ENQ, EOT, ACK, NAK = b"\x05", b"\x04", b"\x06", b"\x15"
WHOLE = ENQ + message()


def source(role: str = "listen", port: int = 0, **more: object) -> TcpSource:
    return TcpSource.model_validate(
        {
            "kind": "tcp",
            "name": "bench",
            "analyzer": "brook",
            "profile": "brook",
            "link": "lis01",
            "role": role,
            "port": port,
            "reopen_s": 0.05,
            "times": LinkTimes(settle_s=0.1).model_dump(),
            **more,
        }
    )


@contextlib.asynccontextmanager
async def receiving(settings: TcpSource, shelf: Shelf) -> AsyncIterator[TcpReceiver]:
    receiver = TcpReceiver(settings, keep=shelf.keep, now=now)
    running = asyncio.create_task(receiver.run())
    try:
        async with asyncio.timeout(3 * PATIENCE_S):
            if settings.role == "listen":
                await receiver.opened.wait()
            yield receiver
    finally:
        running.cancel()
        await asyncio.wait([running])


def dial(receiver: TcpReceiver) -> socket.socket:
    assert receiver.address is not None
    return socket.create_connection(receiver.address, timeout=PATIENCE_S)


def payloads(shelf: Shelf) -> list[tuple[bytes, bool]]:
    return [(c.payload, c.torn) for c in shelf.captures]


def test_the_listener_takes_a_message() -> None:
    """An analyzer that calls us is served as on a serial line."""

    async def scene() -> Shelf:
        shelf = Shelf()
        async with receiving(source(), shelf) as receiver:
            with dial(receiver) as analyzer:
                assert await asyncio.to_thread(IndependentSender(analyzer.fileno()).send)
        return shelf

    assert asyncio.run(scene()).captures == [Capture(source="bench", way=Way.TCP, arrived_at=MOMENT, payload=WHOLE)]


def test_the_listener_through_every_trouble() -> None:
    """Bad checksum, lost ACK, wrong number, torn and anew: the same answers as on a serial line."""
    torn = ENQ + frame(1, RECORDS[0])[:9]
    troubled = (
        ENQ
        + frame(1, RECORDS[0], wrong_checksum=True)
        + frame(1, RECORDS[0]) * 2
        + frame(4, RECORDS[3])
        + b"".join(frame(n, RECORDS[n - 1]) for n in (2, 3, 4))
    )

    def script(sender: IndependentSender) -> None:
        sender.put(torn)
        assert sender.answer() == ACK
        assert sender.ask() == ACK
        assert sender.give(frame(1, RECORDS[0], wrong_checksum=True)) == NAK
        assert sender.give(frame(1, RECORDS[0])) == ACK
        assert sender.give(frame(1, RECORDS[0])) == ACK
        assert sender.give(frame(4, RECORDS[3])) == NAK
        assert [sender.give(frame(n, RECORDS[n - 1])) for n in (2, 3, 4)] == [ACK] * 3
        sender.put(EOT)

    async def scene() -> Shelf:
        shelf = Shelf()
        async with receiving(source(), shelf) as receiver:
            with dial(receiver) as analyzer:
                await asyncio.to_thread(script, IndependentSender(analyzer.fileno()))
        return shelf

    assert payloads(asyncio.run(scene())) == [(torn, True), (troubled, False)]


def test_connections_do_not_mix() -> None:
    """Three analyzers talk at once, in turns; each message is whole."""

    async def scene() -> Shelf:
        shelf = Shelf()
        async with receiving(source(), shelf) as receiver:
            with contextlib.ExitStack() as stack:
                senders = [IndependentSender(stack.enter_context(dial(receiver)).fileno()) for _ in range(3)]
                for sender in senders:
                    assert await asyncio.to_thread(sender.ask) == ACK
                for number, record in enumerate(RECORDS, 1):
                    for sender in senders:
                        assert await asyncio.to_thread(sender.give, frame(number, record)) == ACK
        return shelf

    assert payloads(asyncio.run(scene())) == [(WHOLE, False)] * 3


def test_more_connections_than_allowed_are_turned_away() -> None:
    """The bound holds, and is told in calm words; when one leaves, its place is free."""

    async def scene() -> None:
        async with receiving(source(most_connections=2), Shelf()) as receiver:
            with dial(receiver) as first:
                assert await asyncio.to_thread(IndependentSender(first.fileno()).ask) == ACK
                with dial(receiver) as second:
                    assert await asyncio.to_thread(IndependentSender(second.fileno()).ask) == ACK
                    with dial(receiver) as third:
                        assert await asyncio.to_thread(third.recv, 1) == b""
                    assert receiver.peers.here() == ("127.0.0.1",)
                    assert receiver.peers.notes() == (
                        "a connection from 127.0.0.1 was turned away: all places of this port are taken",
                    )
            while receiver.peers.here():
                await asyncio.sleep(0.01)
            with dial(receiver) as fourth:
                assert await asyncio.to_thread(IndependentSender(fourth.fileno()).ask) == ACK

    asyncio.run(scene())


def test_the_only_wire_of_an_analyzer_is_the_newest() -> None:
    """An analyzer that was switched off and on has left a dead wire behind, which must not keep it out; its half message is kept."""
    torn = ENQ + frame(1, RECORDS[0])

    async def scene() -> Shelf:
        shelf = Shelf()
        async with receiving(source(most_connections=1), shelf) as receiver:
            with dial(receiver) as dead:
                assert await asyncio.to_thread(IndependentSender(dead.fileno()).ask) == ACK
                await asyncio.to_thread(dead.sendall, torn[1:])
                assert await asyncio.to_thread(dead.recv, 1) == ACK
                with dial(receiver) as anew:
                    assert await asyncio.to_thread(IndependentSender(anew.fileno()).send)
                assert await asyncio.to_thread(dead.recv, 1) == b""
            await shelf.holds(2)
        return shelf

    assert sorted(payloads(asyncio.run(scene()))) == sorted([(torn, True), (WHOLE, False)])


def test_a_silent_wire_gives_way_where_all_places_are_taken(monkeypatch: pytest.MonkeyPatch) -> None:
    """Eight forgotten connections must not keep the ninth analyzer out for ever."""
    monkeypatch.setattr("bridge.receive.tcp.SILENT_S", 0.0)

    async def scene() -> None:
        async with receiving(source(most_connections=2), Shelf()) as receiver:
            with dial(receiver) as silent, dial(receiver) as second:
                assert await asyncio.to_thread(IndependentSender(second.fileno()).ask) == ACK
                with dial(receiver) as third:
                    assert await asyncio.to_thread(IndependentSender(third.fileno()).ask) == ACK
                assert await asyncio.to_thread(silent.recv, 1) == b""

    asyncio.run(scene())


def test_only_peers_may_connect() -> None:
    """A port on a hospital's network is reached by more than analyzers; who is not named hears nothing and sends nothing."""

    async def scene() -> Shelf:
        shelf = Shelf()
        async with receiving(source(peers=["192.0.2.0/24"]), shelf) as receiver:
            with dial(receiver) as stranger:
                assert await asyncio.to_thread(stranger.recv, 1) == b""
            assert receiver.peers.notes() == (
                "a connection from 127.0.0.1 was turned away: it is not among the peers of this port",
            )
            assert receiver.peers.here() == ()
        return shelf

    assert asyncio.run(scene()).captures == []


def test_a_wire_that_never_says_anything_is_ended(capsys: pytest.CaptureFixture[str]) -> None:
    """Where the site says so; one that has said something may be silent all night."""

    async def scene() -> None:
        async with receiving(source(first_byte_s=0.2), Shelf()) as receiver:
            with dial(receiver) as silent, dial(receiver) as speaking:
                assert await asyncio.to_thread(IndependentSender(speaking.fileno()).ask) == ACK
                assert await asyncio.to_thread(silent.recv, 1) == b""
                speaking.sendall(EOT + ENQ)
                assert await asyncio.to_thread(speaking.recv, 1) == ACK

    asyncio.run(scene())
    assert capsys.readouterr().out.count("line.said_nothing") == 1


def test_a_dead_wire_is_asked_after_soon() -> None:
    """TCP keep-alive (RFC 9293 3.8.4) at the system's own pace would take two hours and eleven minutes more."""

    async def scene() -> list[int]:
        found: list[int] = []
        async with receiving(source(), Shelf()) as receiver:
            with dial(receiver) as analyzer:
                assert await asyncio.to_thread(IndependentSender(analyzer.fileno()).ask) == ACK
                (guest,) = receiver._listener._guests
                assert guest._transport is not None
                wire = guest._transport.get_extra_info("socket")
                found.append(wire.getsockopt(socket.SOL_SOCKET, socket.SO_KEEPALIVE))
                found += [
                    wire.getsockopt(socket.IPPROTO_TCP, each)
                    for each in (socket.TCP_KEEPIDLE, socket.TCP_KEEPINTVL, socket.TCP_KEEPCNT)
                ]
        return found

    assert asyncio.run(scene()) == [1, 60, 15, 4]


def test_a_hang_up_in_mid_message_keeps_the_rest() -> None:
    """A reset connection is a pulled cable."""

    async def scene() -> Shelf:
        shelf = Shelf()
        async with receiving(source(), shelf) as receiver:
            with dial(receiver) as analyzer:
                sender = IndependentSender(analyzer.fileno())
                assert await asyncio.to_thread(sender.ask) == ACK
                assert await asyncio.to_thread(sender.give, frame(1, RECORDS[0])) == ACK
                analyzer.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, b"\x01\x00\x00\x00\x00\x00\x00\x00")  # close resets
            await shelf.holds(1)
        return shelf

    assert payloads(asyncio.run(scene())) == [(ENQ + frame(1, RECORDS[0]), True)]


def test_the_caller_calls_again() -> None:
    """We call the analyzer; it hangs up, it is away for a while, and we call until it answers."""

    async def scene() -> Shelf:
        shelf = Shelf()
        with socket.create_server(("127.0.0.1", 0)) as door:
            door.settimeout(PATIENCE_S)
            port = door.getsockname()[1]
            async with receiving(source("call", port), shelf) as receiver:
                for _ in range(2):
                    analyzer, _ = await asyncio.to_thread(door.accept)
                    with analyzer:
                        assert await asyncio.to_thread(IndependentSender(analyzer.fileno()).send)
                door.close()
                while receiver.opened.is_set():
                    await asyncio.sleep(0.01)
                await asyncio.sleep(0.2)  # several calls that nobody takes
                with socket.create_server(("127.0.0.1", port)) as again:
                    again.settimeout(PATIENCE_S)
                    analyzer, _ = await asyncio.to_thread(again.accept)
                    with analyzer:
                        assert await asyncio.to_thread(IndependentSender(analyzer.fileno()).send)
        return shelf

    assert payloads(asyncio.run(scene())) == [(WHOLE, False)] * 3


def test_a_port_that_is_taken_is_tried_again(capsys: pytest.CaptureFixture[str]) -> None:
    """Another program holds the port: the log says so once, and the port is had when it is free."""

    async def scene() -> Shelf:
        shelf = Shelf()
        with socket.create_server(("127.0.0.1", 0)) as squatter:
            port = squatter.getsockname()[1]
            receiver = TcpReceiver(source(port=port), keep=shelf.keep, now=now)
            running = asyncio.create_task(receiver.run())
            await asyncio.sleep(0.3)  # several tries
            assert not receiver.opened.is_set()
        await asyncio.wait_for(receiver.opened.wait(), PATIENCE_S)
        with dial(receiver) as analyzer:
            assert await asyncio.to_thread(IndependentSender(analyzer.fileno()).send)
        running.cancel()
        await asyncio.wait([running])
        return shelf

    assert payloads(asyncio.run(scene())) == [(WHOLE, False)]
    assert capsys.readouterr().out.count("line.absent") == 1


def test_a_stop_of_the_service_ends_every_connection() -> None:
    """A cancelled receiver hangs up, keeps what was under way, and frees its port."""

    async def scene() -> Shelf:
        shelf = Shelf()
        async with receiving(source(), shelf) as receiver:
            analyzer = dial(receiver)
            sender = IndependentSender(analyzer.fileno())
            assert await asyncio.to_thread(sender.ask) == ACK
            assert await asyncio.to_thread(sender.give, frame(1, RECORDS[0])) == ACK
        with analyzer:
            assert await asyncio.to_thread(analyzer.recv, 1) == b""
        with pytest.raises(OSError, match="refused"):
            dial(receiver)
        return shelf

    assert payloads(asyncio.run(scene())) == [(ENQ + frame(1, RECORDS[0]), True)]


def test_a_slow_disk_pauses_the_wire() -> None:
    """A printer server that sends faster than the disk takes is held back by TCP: memory stays bounded, nothing is lost."""
    slip = b"x" * 3_999 + b"\x0c"
    stream = slip * 2_000  # 8 MB, more than our bound and the sockets' buffers together

    async def scene() -> Shelf:
        shelf = Shelf()
        shelf.gate.clear()
        async with receiving(source(link="stream", cut=Cut(by="form_feed").model_dump()), shelf) as receiver:
            with dial(receiver) as printer:
                sending = asyncio.create_task(asyncio.to_thread(printer.sendall, stream))
                await shelf.was_tried(1)
                done, _ = await asyncio.wait([sending], timeout=0.5)
                assert not done
                shelf.gate.set()
                await shelf.holds(2_000)
                await sending
        return shelf

    assert payloads(asyncio.run(scene())) == [(slip, False)] * 2_000


def test_a_stream_without_a_connection_cannot_send() -> None:
    """A write before the connection stands is a fault of the line, not a crash."""

    async def scene() -> None:
        with pytest.raises(Exception, match="the connection is gone"):
            await TcpStream().write(b"\x06")

    asyncio.run(scene())


def test_a_sender_that_reads_no_answers_is_hung_up_on() -> None:
    """What is written and not read is held in memory: no more than a bound of it, however long the sender goes on."""

    async def scene() -> int:
        made: asyncio.Future[TcpStream] = asyncio.get_running_loop().create_future()

        class Guest(TcpStream):
            def connection_made(self, transport: asyncio.BaseTransport) -> None:
                super().connection_made(transport)
                made.set_result(self)

        server = await asyncio.get_running_loop().create_server(Guest, "127.0.0.1", 0)
        async with server:
            with socket.create_connection(server.sockets[0].getsockname()[:2], timeout=PATIENCE_S):
                stream, written = await made, 0
                fault = ""
                while not fault and written < 1_000 * MOST_UNREAD:
                    try:
                        await stream.write(b"x" * 4_096)
                    except LineError as error:
                        fault = str(error)
                    written += 4_096
                assert fault == "the other side reads no answers"
                assert await stream.read() == b""
        return written

    assert asyncio.run(scene()) > MOST_UNREAD
