"""TCP as a way in: we listen for analyzers, or call one."""

from __future__ import annotations

import asyncio
import socket
import ssl
from collections.abc import Awaitable, Callable
from typing import Protocol, cast

import structlog

from bridge.errors import LineError
from bridge.model import Way
from bridge.receive import Keep, Now
from bridge.receive.inbox import Inbox
from bridge.receive.line import Line
from bridge.settings import TcpSource

log = structlog.get_logger()

HANDSHAKE_S = 10.0  # ours: a handshake is four short messages; who needs longer holds a place for nothing
MOST_UNREAD = 262_144  # ours, bytes: answers are short, and a sender that leaves so many unread reads none
_LINGER_S = 10.0  # ours: what was written last has gone by then, or nobody takes it
_KEEP_ALIVE_S = 60  # ours: an analyzer that was switched off is noticed in some minutes and frees its place


class TcpStream(asyncio.Protocol):
    """One connection as a byte stream. ``made`` is called once it stands."""

    def __init__(self) -> None:
        self._transport: asyncio.Transport | None = None
        self._inbox = Inbox(pause=self._pause, resume=self._resume)

    def connection_made(self, transport: asyncio.BaseTransport) -> None:
        """Note the wire."""
        self._transport = cast("asyncio.Transport", transport)
        connection: socket.socket = transport.get_extra_info("socket")
        connection.setsockopt(socket.SOL_SOCKET, socket.SO_KEEPALIVE, 1)
        if hasattr(socket, "TCP_KEEPIDLE"):
            connection.setsockopt(socket.IPPROTO_TCP, socket.TCP_KEEPIDLE, _KEEP_ALIVE_S)

    def data_received(self, data: bytes) -> None:
        """Take bytes in."""
        self._inbox.put(data)

    def connection_lost(self, exc: Exception | None) -> None:
        """Note that the wire is gone."""
        del exc  # why does not matter: what came is kept, and the peer comes again
        self._inbox.end()

    @property
    def peer(self) -> str:
        """Give the other side's address, without its port; empty before the connection stands."""
        found = self._transport.get_extra_info("peername") if self._transport is not None else None
        return str(found[0]) if found else ""

    async def read(self) -> bytes:
        """Wait for bytes and give all there are; b"" once the connection is gone."""
        return await self._inbox.read()

    def read_now(self) -> bytes:
        """Give what has come already."""
        return self._inbox.read_now()

    async def write(self, some: bytes) -> None:
        """Send bytes. Raises LineError when the connection is gone, or when what was sent is not read: then it is ended."""
        if self._transport is None or self._transport.is_closing():
            raise LineError("the connection is gone")
        if self._transport.get_write_buffer_size() > MOST_UNREAD:
            self._transport.abort()
            raise LineError("the other side reads no answers")
        self._transport.write(some)

    def close(self) -> None:
        """Hang up; what was written still goes out, if the other side takes it soon."""
        if self._transport is not None:
            self._transport.close()
            if self._transport.get_write_buffer_size():
                asyncio.get_running_loop().call_later(_LINGER_S, self._transport.abort)

    def _pause(self) -> None:
        if self._transport is not None and not self._transport.is_closing():
            self._transport.pause_reading()

    def _resume(self) -> None:
        if self._transport is not None and not self._transport.is_closing():
            self._transport.resume_reading()


class _Guest(TcpStream):
    """A connection to our door: tells the listener when it stands."""

    def __init__(self, listener: Listener) -> None:
        super().__init__()
        self._listener = listener

    def connection_made(self, transport: asyncio.BaseTransport) -> None:
        """Ask to be served."""
        super().connection_made(transport)
        self._listener.welcome(self)

    def eof_received(self) -> bool:
        """Keep the way back open where the wire can (TLS has no half-closed state): a sender that said all may still wait for its answer."""
        self._inbox.end()
        return self._transport is not None and self._transport.get_extra_info("sslcontext") is None


class Door(Protocol):
    """The settings of a port that we listen on."""

    @property
    def name(self) -> str:
        """Name the source."""

    @property
    def host(self) -> str:
        """Give the address to listen on."""

    @property
    def port(self) -> int:
        """Give the port, 0 for any."""

    @property
    def most_connections(self) -> int:
        """Give how many connections are served at once."""


class Listener:
    """Listens on one port and lets ``talk`` serve each connection. ``opened`` is set, and ``address`` given, while we listen.

    With ``context`` every connection is TLS, and ``talk`` begins once both sides have proved what the context asks for.
    """

    def __init__(
        self, door: Door, talk: Callable[[TcpStream], Awaitable[None]], *, context: ssl.SSLContext | None = None
    ) -> None:
        self._context = context
        self.opened = asyncio.Event()
        self.address: tuple[str, int] | None = None
        self._door = door
        self._talk = talk
        self._connections: set[asyncio.Task[None]] = set()
        self._tasks: asyncio.TaskGroup | None = None

    async def listen(self) -> None:
        """Listen until cancelled. Raises OSError if the port cannot be had."""
        loop = asyncio.get_running_loop()
        server = await loop.create_server(
            lambda: _Guest(self),
            self._door.host,
            self._door.port,
            start_serving=False,
            ssl=self._context,
            ssl_handshake_timeout=HANDSHAKE_S if self._context else None,
        )
        host, port = server.sockets[0].getsockname()[:2]
        self.address = (host, port)
        try:
            async with asyncio.TaskGroup() as tasks:
                self._tasks = tasks
                await server.start_serving()
                log.info("line.listening", source=self._door.name, host=host, port=port)
                self.opened.set()
                await asyncio.Event().wait()  # for ever: serve_forever would wait for the guests, who wait for the cancel
        finally:
            self._tasks = None
            self.opened.clear()
            server.close()

    def welcome(self, guest: TcpStream) -> None:
        """Serve a connection, or hang up when there are ``most_connections`` already."""
        if self._tasks is None or len(self._connections) >= self._door.most_connections:
            log.warning("line.turned_away", source=self._door.name, peer=guest.peer, connections=len(self._connections))
            guest.close()
            return
        task = self._tasks.create_task(self._host(guest))
        self._connections.add(task)
        task.add_done_callback(self._connections.discard)

    async def _host(self, guest: TcpStream) -> None:
        try:
            await self.serve(guest)
        except Exception:  # a defect of ours in what one sender says must not hang up on its neighbours
            log.exception("line.fell", source=self._door.name)

    async def serve(self, stream: TcpStream) -> None:
        """Serve one connection until it is over, then hang up."""
        log.info("line.opened", source=self._door.name, peer=stream.peer)
        try:
            await self._talk(stream)
        finally:
            stream.close()
        log.info("line.lost", source=self._door.name)


async def for_ever(name: str, once: Callable[[], Awaitable[None]], *, pause_s: float) -> None:
    """Run ``once`` until cancelled: a port that cannot be had, or an analyzer that does not answer, is tried again."""
    fault = ""
    while True:
        try:
            await once()
            fault = ""
        except OSError as error:
            if str(error) != fault:  # once, not at every try
                log.warning("line.absent", source=name, cause=str(error))
            fault = str(error)
        await asyncio.sleep(pause_s)


class TcpReceiver:
    """Serves the connections of one source for ever.

    ``opened`` is set while we listen, or while a called analyzer is connected; ``address`` is where we listen then.
    """

    def __init__(self, source: TcpSource, *, keep: Keep, now: Now) -> None:
        self._source = source
        self._listener = Listener(source, Line(source, way=Way.TCP, keep=keep, now=now).run)

    @property
    def opened(self) -> asyncio.Event:
        """Give what is set while we listen, or while a called analyzer is connected."""
        return self._listener.opened

    @property
    def address(self) -> tuple[str, int] | None:
        """Say where we listen."""
        return self._listener.address

    async def run(self) -> None:
        """Run until cancelled."""
        once = self._listener.listen if self._source.role == "listen" else self._call
        await for_ever(self._source.name, once, pause_s=self._source.reopen_s)

    async def _call(self) -> None:
        loop = asyncio.get_running_loop()
        _, stream = await loop.create_connection(TcpStream, self._source.host, self._source.port)
        self.opened.set()
        try:
            await self._listener.serve(stream)
        finally:
            self.opened.clear()
