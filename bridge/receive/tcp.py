"""TCP as a way in: we listen for analyzers, or call one."""

from __future__ import annotations

import asyncio
import socket
from typing import cast

import structlog

from bridge.errors import LineError
from bridge.model import Way
from bridge.receive import Keep, Now
from bridge.receive.inbox import Inbox
from bridge.receive.line import Line
from bridge.settings import TcpSource

log = structlog.get_logger()

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

    async def read(self) -> bytes:
        """Wait for bytes and give all there are; b"" once the connection is gone."""
        return await self._inbox.read()

    def read_now(self) -> bytes:
        """Give what has come already."""
        return self._inbox.read_now()

    async def write(self, some: bytes) -> None:
        """Send bytes. Raises LineError when the connection is gone."""
        if self._transport is None or self._transport.is_closing():
            raise LineError("the connection is gone")
        self._transport.write(some)

    def close(self) -> None:
        """Hang up; what was written still goes out."""
        if self._transport is not None:
            self._transport.close()

    def _pause(self) -> None:
        if self._transport is not None and not self._transport.is_closing():
            self._transport.pause_reading()

    def _resume(self) -> None:
        if self._transport is not None and not self._transport.is_closing():
            self._transport.resume_reading()


class _Guest(TcpStream):
    """A connection to our door: tells the receiver when it stands."""

    def __init__(self, receiver: TcpReceiver) -> None:
        super().__init__()
        self._receiver = receiver

    def connection_made(self, transport: asyncio.BaseTransport) -> None:
        """Ask to be served."""
        super().connection_made(transport)
        self._receiver.welcome(self)


class TcpReceiver:
    """Serves the connections of one source for ever.

    ``opened`` is set while we listen, or while a called analyzer is connected; ``address`` is where we listen then.
    """

    def __init__(self, source: TcpSource, *, keep: Keep, now: Now) -> None:
        self.opened = asyncio.Event()
        self.address: tuple[str, int] | None = None
        self._source = source
        self._line = Line(source, way=Way.TCP, keep=keep, now=now)
        self._connections: set[asyncio.Task[None]] = set()
        self._tasks: asyncio.TaskGroup | None = None
        self._fault = ""

    async def run(self) -> None:
        """Run until cancelled: a port that cannot be had, or an analyzer that does not answer, is tried again."""
        while True:
            try:
                await (self._listen() if self._source.role == "listen" else self._call())
            except OSError as error:
                if str(error) != self._fault:  # once, not at every try
                    log.warning("line.absent", source=self._source.name, cause=str(error))
                self._fault = str(error)
            await asyncio.sleep(self._source.reopen_s)

    def welcome(self, guest: TcpStream) -> None:
        """Serve a connection, or hang up when there are ``most_connections`` already."""
        if self._tasks is None or len(self._connections) >= self._source.most_connections:
            log.warning("line.turned_away", source=self._source.name, connections=len(self._connections))
            guest.close()
            return
        task = self._tasks.create_task(self._serve(guest))
        self._connections.add(task)
        task.add_done_callback(self._connections.discard)

    async def _listen(self) -> None:
        loop = asyncio.get_running_loop()
        server = await loop.create_server(lambda: _Guest(self), self._source.host, self._source.port, start_serving=False)
        host, port = server.sockets[0].getsockname()[:2]
        self.address = (host, port)
        self._fault = ""
        try:
            async with asyncio.TaskGroup() as tasks:
                self._tasks = tasks
                await server.start_serving()
                log.info("line.listening", source=self._source.name, host=host, port=port)
                self.opened.set()
                await asyncio.Event().wait()  # for ever: serve_forever would wait for the guests, who wait for the cancel
        finally:
            self._tasks = None
            self.opened.clear()
            server.close()

    async def _call(self) -> None:
        loop = asyncio.get_running_loop()
        _, stream = await loop.create_connection(TcpStream, self._source.host, self._source.port)
        self.opened.set()
        self._fault = ""
        try:
            await self._serve(stream)
        finally:
            self.opened.clear()

    async def _serve(self, stream: TcpStream) -> None:
        log.info("line.opened", source=self._source.name)
        try:
            await self._line.run(stream)
        finally:
            stream.close()
        log.info("line.lost", source=self._source.name)
