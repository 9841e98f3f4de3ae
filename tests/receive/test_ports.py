"""The port class: a real pty, and pyserial's URLs against real peers."""

from __future__ import annotations

import asyncio
import os
import socket
import threading
from collections.abc import Awaitable, Callable

import pytest
import serial
import serial.rfc2217

from bridge.errors import LineError
from bridge.receive.ports import SerialPort, open_port
from bridge.settings import SerialSource
from tests.receive.shelf import PATIENCE_S
from tests.receive.test_serial_line import pty_pair


def source(port: str, **more: object) -> SerialSource:
    return SerialSource.model_validate(
        {"kind": "serial", "name": "bench", "analyzer": "brook", "profile": "brook", "link": "lis01", "port": port, **more}
    )


def with_port(settings: SerialSource, scene: Callable[[SerialPort], Awaitable[None]]) -> None:
    async def whole() -> None:
        async with asyncio.timeout(PATIENCE_S):
            port = await open_port(settings)
            try:
                await scene(port)
            finally:
                await port.close()

    asyncio.run(whole())


async def read(port: SerialPort, count: int) -> bytes:
    got = b""
    while len(got) < count:
        some = await port.read()
        assert some
        got += some
    return got


def test_bytes_go_both_ways_untouched() -> None:
    """All 256 values, a hundred thousand bytes: nothing is translated, nothing is lost."""
    everything = bytes(range(256)) * 400
    with pty_pair() as (master, path):

        async def scene(port: SerialPort) -> None:
            writing = threading.Thread(target=_write_all, args=(master, everything))
            writing.start()
            assert await read(port, len(everything)) == everything
            writing.join(PATIENCE_S)
            assert port.read_now() == b""
            await port.write(bytes(range(256)))
            assert os.read(master, 1_000) == bytes(range(256))

        with_port(source(path), scene)


def _write_all(descriptor: int, some: bytes) -> None:
    while some:
        some = some[os.write(descriptor, some) :]


def test_an_unplugged_port_ends() -> None:
    """The reader sees the end, and a write raises the house's own error."""
    with pty_pair() as (master, path):

        async def scene(port: SerialPort) -> None:
            os.write(master, b"last words")
            assert await read(port, 10) == b"last words"
            os.close(master)
            assert await port.read() == b""
            with pytest.raises(LineError, match="the port takes no bytes"):
                await port.write(b"\x06")

        with_port(source(path), scene)


@pytest.mark.parametrize("port", ["/dev/there-is-no-such-port", "socket://127.0.0.1:1", "nonsense://x"])
def test_a_port_that_cannot_be_opened_says_so(port: str) -> None:
    """Missing device, refused connection, unknown URL: one error, to be tried again."""
    with pytest.raises(LineError, match="the port cannot be opened"):
        asyncio.run(open_port(source(port)))


def test_one_port_has_one_reader() -> None:
    """A second opening is refused: two readers would each get half of every message."""
    with pty_pair() as (_, path):

        async def scene(port: SerialPort) -> None:
            del port
            with pytest.raises(LineError, match="the port cannot be opened"):
                await open_port(source(path))

        with_port(source(path), scene)


def test_settings_reach_the_line() -> None:
    """Speed and stop bits are set on the tty itself, as an independent look at it shows (pyserial's own getter is not asked)."""
    import termios  # noqa: PLC0415 - only this test looks at the tty

    with pty_pair() as (_, path):

        async def scene(port: SerialPort) -> None:
            del port
            descriptor = os.open(path, os.O_RDWR | os.O_NOCTTY)
            flags = termios.tcgetattr(descriptor)
            os.close(descriptor)
            assert flags[4] == flags[5] == termios.B19200
            assert flags[2] & termios.CSTOPB
            assert flags[0] & termios.IXON

        with_port(source(path, baud=19_200, stop_bits=2, software_flow=True), scene)


def test_a_serial_server_by_socket_url() -> None:
    """socket:// talks raw bytes to a network serial server, and its hang-up is the end of the port."""
    with socket.create_server(("127.0.0.1", 0)) as server:
        server.settimeout(PATIENCE_S)

        async def scene(port: SerialPort) -> None:
            peer, _ = await asyncio.to_thread(server.accept)
            with peer:
                peer.sendall(b"\x05\x00\xff")
                assert await read(port, 3) == b"\x05\x00\xff"
                await port.write(b"\x06")
                assert await asyncio.to_thread(peer.recv, 10) == b"\x06"
            assert await port.read() == b""

        with_port(source(f"socket://127.0.0.1:{server.getsockname()[1]}"), scene)


# pyserial 3.5 calls Thread.setDaemon and setName, which Python deprecated after it was released
@pytest.mark.filterwarnings("ignore:set(Daemon|Name):DeprecationWarning")
def test_a_serial_server_by_rfc2217_url() -> None:
    """rfc2217:// talks to a server that controls the far port's settings; pyserial's own server half stands in for the box."""
    with pty_pair() as (master, path), socket.create_server(("127.0.0.1", 0)) as server:
        server.settimeout(PATIENCE_S)
        box = threading.Thread(target=_serve_rfc2217, args=(server, path))
        box.start()

        async def scene(port: SerialPort) -> None:
            os.write(master, b"\x05H|\xff")
            assert await read(port, 4) == b"\x05H|\xff"
            await port.write(b"\x06\xff")
            assert await asyncio.to_thread(os.read, master, 10) == b"\x06\xff"

        with_port(source(f"rfc2217://127.0.0.1:{server.getsockname()[1]}", baud=19_200), scene)
        box.join(PATIENCE_S)
        assert not box.is_alive()


class _Wire:
    """What PortManager writes its answers to."""

    def __init__(self, connection: socket.socket) -> None:
        self._connection = connection

    def write(self, some: bytes) -> None:
        self._connection.sendall(some)


class _NoModem(serial.Serial):
    """A pty: it has no modem lines to read or set."""

    cts = dsr = ri = cd = False

    def _update_rts_state(self) -> None:
        """Set nothing."""

    def _update_dtr_state(self) -> None:
        """Set nothing."""


def _serve_rfc2217(server: socket.socket, path: str) -> None:
    connection, _ = server.accept()
    with connection, _NoModem(path, timeout=0.05) as port:
        manager = serial.rfc2217.PortManager(port, _Wire(connection))  # type: ignore[arg-type]  # the stubs ask for the client class; any port and writer do
        connection.settimeout(0.05)
        while True:
            try:
                some = connection.recv(1_000)
            except TimeoutError:
                some = None
            except ConnectionError:
                return
            if some == b"":
                return
            if some:
                port.write(b"".join(manager.filter(some)))
            waiting = port.read(port.in_waiting or 0)
            if waiting:
                connection.sendall(b"".join(manager.escape(waiting)))
