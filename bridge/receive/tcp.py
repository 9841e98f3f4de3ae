"""TCP as a way in: we listen for analyzers, or call one."""

from __future__ import annotations

import asyncio
import socket
import ssl
from collections.abc import Awaitable, Callable, Sequence
from typing import Protocol, cast

import structlog

from bridge.credentials.peers import CROWDED, STRANGER, Peers
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
# ours: a minute's silence, then four questions at a quarter of a minute: an analyzer that was switched off frees its place in two minutes
_KEEP_ALIVE = {"TCP_KEEPIDLE": 60, "TCP_KEEPINTVL": 15, "TCP_KEEPCNT": 4}
SILENT_S = 60.0  # ours: a message has ended or was given up by then, so who said nothing for so long is in the middle of none


class TcpStream(asyncio.Protocol):
    """One connection as a byte stream. ``made`` is called once it stands."""

    def __init__(self) -> None:
        self._transport: asyncio.Transport | None = None
        self._inbox = Inbox(pause=self._pause, resume=self._resume)
        self.heard_at = 0.0

    def connection_made(self, transport: asyncio.BaseTransport) -> None:
        """Note the wire."""
        self._transport = cast("asyncio.Transport", transport)
        connection: socket.socket = transport.get_extra_info("socket")
        connection.setsockopt(socket.SOL_SOCKET, socket.SO_KEEPALIVE, 1)
        for name, value in _KEEP_ALIVE.items():
            if hasattr(socket, name):  # not every system has all of them
                connection.setsockopt(socket.IPPROTO_TCP, getattr(socket, name), value)
        self.heard_at = asyncio.get_running_loop().time()

    def data_received(self, data: bytes) -> None:
        """Take bytes in."""
        self.heard_at = asyncio.get_running_loop().time()
        self._inbox.put(data)

    def connection_lost(self, exc: Exception | None) -> None:
        """Note that the wire is gone."""
        del exc  # why does not matter: what came is kept, and the peer comes again
        self._inbox.end()

    @property
    def subject(self) -> str:
        """Give the name in the certificate that the other side proved itself with; empty where none was asked for."""
        shown = self._transport.get_extra_info("peercert") if self._transport is not None else None
        names = [value for part in (shown or {}).get("subject", ()) for key, value in part if key == "commonName"]
        names += [value for kind, value in (shown or {}).get("subjectAltName", ()) if kind == "DNS"]
        return str(names[0]) if names else ""

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

    def abort(self) -> None:
        """Hang up at once: for a wire that is dead, or whose place another one needs."""
        if self._transport is not None:
            self._transport.abort()

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
        self._silence: asyncio.TimerHandle | None = None

    def connection_made(self, transport: asyncio.BaseTransport) -> None:
        """Ask to be served."""
        super().connection_made(transport)
        self._silence = self._listener.welcome(self)

    def data_received(self, data: bytes) -> None:
        """Take bytes in; with the first of them the wire has shown that somebody is there."""
        if self._silence is not None:
            self._silence.cancel()
            self._silence = None
        super().data_received(data)

    def connection_lost(self, exc: Exception | None) -> None:
        """Note that the wire is gone."""
        if self._silence is not None:
            self._silence.cancel()
        super().connection_lost(exc)

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
        """Give how many connections are served at once. With 1, a new one of the same peer takes the place of the one before."""

    @property
    def peers(self) -> Sequence[str]:
        """Give the addresses and networks that may connect; empty for all."""

    @property
    def first_byte_s(self) -> float | None:
        """Give how long a connection may be silent before its first byte; None for ever."""


class Listener:
    """Listens on one port and lets ``talk`` serve each connection. ``opened`` is set, and ``address`` given, while we listen.

    With ``context`` every connection is TLS, and ``talk`` begins once both sides have proved what the context asks for.
    """

    def __init__(
        self, door: Door, talk: Callable[[TcpStream], Awaitable[None]], *, now: Now, context: ssl.SSLContext | None = None
    ) -> None:
        self._context = context
        self.peers = Peers(door.name, door.peers, now=now)
        self.opened = asyncio.Event()
        self.address: tuple[str, int] | None = None
        self._door = door
        self._talk = talk
        self._guests: dict[TcpStream, asyncio.Task[None]] = {}
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

    def welcome(self, guest: TcpStream) -> asyncio.TimerHandle | None:
        """Serve a connection, or hang up on it; give what ends it if it says nothing."""
        if not self.peers.admits(guest.peer):
            self.peers.turn_away(guest.peer, STRANGER)
            guest.abort()
        elif self._tasks is None:  # we are about to stop
            guest.close()
        elif len(self._guests) >= self._door.most_connections and not self._make_room(guest):
            self.peers.turn_away(guest.peer, CROWDED)
            guest.close()
        else:
            self._guests[guest] = task = self._tasks.create_task(self._host(guest))
            task.add_done_callback(lambda _: self._forget(guest))
            if self._door.first_byte_s is not None:
                return asyncio.get_running_loop().call_later(self._door.first_byte_s, self._end_silent, guest)
        return None

    def _make_room(self, guest: TcpStream) -> bool:
        """Hang up on the dead wire that ``guest`` comes in place of, or on the one that was silent longest; say whether there was one.

        What had come over it is kept, torn where it was in the middle, as if the wire had broken.
        """
        longest = min(self._guests, key=lambda each: each.heard_at)
        is_same_wire = self._door.most_connections == 1 and longest.peer == guest.peer
        if not is_same_wire and asyncio.get_running_loop().time() - longest.heard_at < SILENT_S:
            return False
        log.warning("line.replaced", source=self._door.name, peer=longest.peer, by=guest.peer)
        self._forget(longest)
        longest.abort()
        return True

    def _forget(self, guest: TcpStream) -> None:
        self._guests.pop(guest, None)
        self.peers.leave(guest)

    def _end_silent(self, guest: TcpStream) -> None:
        log.warning("line.said_nothing", source=self._door.name, peer=guest.peer, after_s=self._door.first_byte_s)
        guest.close()

    async def _host(self, guest: TcpStream) -> None:
        try:
            await self.serve(guest)
        except Exception:  # a defect of ours in what one sender says must not hang up on its neighbours
            log.exception("line.fell", source=self._door.name)

    async def serve(self, stream: TcpStream) -> None:
        """Serve one connection until it is over, then hang up."""
        who = {"peer": stream.peer, **({"subject": stream.subject} if stream.subject else {})}
        log.info("line.opened", source=self._door.name, **who)
        self.peers.come(stream, f"{stream.subject} ({stream.peer})" if stream.subject else stream.peer)
        try:
            await self._talk(stream)
        finally:
            self.peers.leave(stream)
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
        self._listener = Listener(source, Line(source, way=Way.TCP, keep=keep, now=now).run, now=now)

    @property
    def peers(self) -> Peers:
        """Give who is connected, and who was turned away."""
        return self._listener.peers

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
