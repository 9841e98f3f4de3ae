"""An independent HL7 v2 receiver: the asyncio MLLP server and parser of the PyPI package ``hl7`` (0.4.5), made scriptable.

Framing, parsing and acknowledging are that package's, none of it ours. It runs in a thread with an event loop of its own,
so that blocking and asynchronous tests use it alike. Its default line limit of 64 KiB is raised (measured: it resets above).
"""

from __future__ import annotations

import asyncio
import socket
import ssl
import struct
import threading
import time
import warnings
from collections import deque
from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass, field
from enum import Enum, auto
from types import TracebackType
from typing import Any, Self

import hl7
from hl7.mllp import open_hl7_connection, start_hl7_server
from hl7.mllp.exceptions import InvalidBlockError

LIMIT = 8 * 1024 * 1024  # bytes of one message


class How(Enum):
    """What the receiver does besides choosing a code."""

    ANSWER = auto()
    SILENT = auto()  # keeps the line and says nothing
    CLOSE = auto()  # ends the line without an answer
    RESET = auto()  # ends the line with a TCP reset
    HALF = auto()  # half-closes: no answer can come, but it still reads
    RAW = auto()  # sends ``raw`` as it is, instead of an answer


@dataclass(frozen=True, kw_only=True)
class Reply:
    """What to do with one message. ``stored`` says whether it is on the receiver's disk before anything is said."""

    code: str = "AA"
    error: str = ""  # ERR-3.1
    words: str = ""  # ERR-8
    how: How = How.ANSWER
    stored: bool = True
    times: int = 1
    split_at: int = 0  # send the framed answer in two pieces, cut here
    control_id: str = ""  # a wrong MSA-2
    kind: str = ""  # MSH-9 of the answer, components by ^; empty: the package's own
    before: bytes = b""  # bytes to send ahead of the answer
    raw: bytes = b""
    held: threading.Event | None = None  # answer only when this is set: a late ACK
    wish: str = ""  # MSH-15 of the answer: whether it wants to be acknowledged itself (enhanced mode)
    then: tuple[Reply, ...] = ()  # further answers to the same message, each behind its own ``held``
    together: bool = False  # the answer and those after it in one write, so that one segment carries them all


def accept(**more: Any) -> Reply:
    """Store and answer AA."""
    return Reply(**more)


def turn_away(code: str = "AE", error: str = "", words: str = "", **more: Any) -> Reply:
    """Store nothing; answer AE, AR, CE or CR, with an ERR segment where ``error`` or ``words`` is given."""
    return Reply(code=code, error=error, words=words, stored=False, **more)


def silent(*, stored: bool = False) -> Reply:
    """Say nothing and keep the line."""
    return Reply(how=How.SILENT, stored=stored)


def commit(*then: Reply, **more: Any) -> Reply:
    """Store and answer CA (enhanced mode), and later what ``then`` says."""
    return Reply(code="CA", then=then, **more)


def hang_up(how: How = How.CLOSE, *, stored: bool = False) -> Reply:
    """End the line without an answer."""
    return Reply(how=how, stored=stored)


@dataclass(frozen=True, kw_only=True)
class Received:
    """One message as it arrived: its bytes without framing, when (monotonic seconds), on which connection (from 1)."""

    payload: bytes
    control_id: str
    connection: int
    at_s: float


@dataclass
class MllpReceiver:
    """Listens on loopback. ``received`` is everything in order of arrival; ``durable`` what it filed, once each by MSH-10.

    ``decide`` is asked for every message that no scripted reply is left for; the default accepts. Use as a context manager.
    """

    decide: Callable[[Received], Reply] = lambda _: accept()
    port: int = 0
    tls: ssl.SSLContext | None = None
    received: list[Received] = field(default_factory=list)
    durable: list[bytes] = field(default_factory=list)
    connections: int = 0
    malformed: int = 0
    commits: list[str] = field(default_factory=list)  # the code and MSA-2 of every acknowledgement that we were sent
    _script: deque[Reply] = field(default_factory=deque)
    _filed: set[str] = field(default_factory=set)
    _changed: threading.Condition = field(default_factory=threading.Condition)

    def script(self, *replies: Reply) -> None:
        """Answer the next messages with these, in order."""
        self._script.extend(replies)

    def wait_for(self, count: int, timeout_s: float = 10.0) -> None:
        """Wait until ``count`` messages have arrived in all. Raises AssertionError if they do not."""
        with self._changed:
            assert self._changed.wait_for(lambda: len(self.received) >= count, timeout_s), (count, len(self.received))

    def wait_for_durable(self, count: int, timeout_s: float = 10.0) -> None:
        """Wait until ``count`` messages are filed. Raises AssertionError if they are not."""
        with self._changed:
            assert self._changed.wait_for(lambda: len(self.durable) >= count, timeout_s), (count, len(self.durable))

    @property
    def control_ids(self) -> list[str]:
        """Give MSH-10 of everything that arrived, in order."""
        return [message.control_id for message in self.received]

    def __enter__(self) -> Self:
        """Listen."""
        self._loop = asyncio.new_event_loop()
        self._thread = threading.Thread(target=self._loop.run_forever, name="mllp-receiver", daemon=True)
        self._thread.start()
        self._writers: set[Any] = set()
        self._tasks: set[asyncio.Task[None]] = set()
        asyncio.run_coroutine_threadsafe(self._listen(), self._loop).result(10)
        return self

    def __exit__(self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None) -> None:
        """Close every connection and stop."""
        asyncio.run_coroutine_threadsafe(self._stop(), self._loop).result(10)
        self._loop.call_soon_threadsafe(self._loop.stop)
        self._thread.join(10)
        self._loop.close()

    def go_away(self) -> None:
        """Stop listening and drop every connection: calls are refused until ``come_back``."""
        asyncio.run_coroutine_threadsafe(self._stop(), self._loop).result(10)

    def come_back(self) -> None:
        """Listen again, on the same port."""
        asyncio.run_coroutine_threadsafe(self._listen(), self._loop).result(10)

    async def _listen(self) -> None:
        self._server = await start_hl7_server(
            self._serve, host="127.0.0.1", port=self.port, encoding="utf-8", limit=LIMIT, reuse_address=True, ssl=self.tls
        )
        self.port = self._server.sockets[0].getsockname()[1]

    async def _stop(self) -> None:
        self._server.close()
        for writer in list(self._writers):
            writer.transport.abort()
        tasks = list(self._tasks)
        for task in tasks:
            task.cancel()
        await asyncio.gather(*tasks, return_exceptions=True)

    async def _serve(self, reader: Any, writer: Any) -> None:
        task = asyncio.current_task()
        assert task is not None
        self._tasks.add(task)
        self._writers.add(writer)
        self.connections += 1
        try:
            await self._talk(reader, writer, self.connections)
        except (InvalidBlockError, hl7.HL7Exception, UnicodeDecodeError, ValueError):
            self.malformed += 1  # the package closes the line on what is no message; so does this
        except (asyncio.IncompleteReadError, OSError):
            pass
        finally:
            self._tasks.discard(task)
            self._writers.discard(writer)
            writer.close()
            with suppress(OSError, asyncio.CancelledError):
                await writer.wait_closed()

    async def _talk(self, reader: Any, writer: Any, connection: int) -> None:
        while True:
            payload: bytes = await reader.readblock()
            message = hl7.parse(payload.decode("utf-8"))
            if _is_acknowledgement(message):
                with self._changed:
                    self.commits.append(f"{message.segment('MSA')(1)} {message.segment('MSA')(2)}")
                    self._changed.notify_all()
                continue
            received = Received(
                payload=payload, control_id=str(message.segment("MSH")(10)), connection=connection, at_s=time.monotonic()
            )
            reply = self._script.popleft() if self._script else self.decide(received)
            with self._changed:
                self.received.append(received)
                if reply.stored and received.control_id not in self._filed:
                    self._filed.add(received.control_id)
                    self.durable.append(payload)
                self._changed.notify_all()
            if not await self._reply(writer, message, reply):
                return
            if reply.then and not reply.together:  # beside the reading: other messages come before the later answer does
                later = asyncio.ensure_future(self._say_later(writer, message, reply.then))
                self._tasks.add(later)
                later.add_done_callback(self._tasks.discard)

    async def _reply(self, writer: Any, message: hl7.Message, reply: Reply) -> bool:
        """Do as the script says; give whether the line goes on."""
        match reply.how:
            case How.CLOSE:
                return False
            case How.RESET:
                writer.get_extra_info("socket").setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, struct.pack("ii", 1, 0))
                writer.transport.abort()
                return False
            case How.HALF:
                writer.write_eof()
            case How.RAW:
                writer.write(reply.raw)
            case How.ANSWER:
                await self._answer(writer, message, reply)
            case How.SILENT:
                pass
        return True

    async def _say_later(self, writer: Any, message: hl7.Message, replies: tuple[Reply, ...]) -> None:
        with suppress(OSError):
            for reply in replies:
                await self._answer(writer, message, reply)

    async def _answer(self, writer: Any, message: hl7.Message, reply: Reply) -> None:
        if reply.held is not None:
            await asyncio.to_thread(reply.held.wait, 30)
        said = (reply, *reply.then) if reply.together else (reply,)
        framed = b"".join(b"\x0b" + acknowledgement(message, each) + b"\x1c\r" for each in said)
        writer.write(reply.before)
        for _ in range(reply.times):
            if reply.split_at:
                writer.write(framed[: reply.split_at])
                await writer.drain()
                await asyncio.sleep(0.02)  # two segments on the wire: the pieces must arrive apart
            writer.write(framed[reply.split_at :])
        await writer.drain()


def acknowledgement(message: hl7.Message, reply: Reply) -> bytes:
    """Give the package's own acknowledgement of ``message``, with an ERR segment where the reply has a reason."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", DeprecationWarning)  # the package uses datetime.utcnow, deprecated from Python 3.12
        answer = message.create_ack(reply.code)
    if reply.wish:
        answer.segment("MSH").assign_field(reply.wish, 15)
    if reply.kind:
        answer.segment("MSH").assign_field(reply.kind, 9)
    made = str(answer)
    if reply.control_id:
        made = made.replace(f"|{message.segment('MSH')(10)}", f"|{reply.control_id}")
    if not made.endswith("\r"):
        made += "\r"
    if reply.error or reply.words:
        made += f"ERR||PID^1^3|{reply.error}^^HL70357|E||||{reply.words}\r"
    return made.encode()


def _is_acknowledgement(message: hl7.Message) -> bool:
    return any(str(segment[0]) == "MSA" for segment in message)


async def answer_apart(port: int, payload: bytes, *replies: Reply, expected: int, **more: Any) -> list[str]:
    """Call ``port`` and answer the message ``payload`` there, as the package's own client; give the first ``expected`` messages that come back.

    ``more`` is of the connection: ``ssl``, ``server_hostname``.
    """
    message = hl7.parse(payload.decode("utf-8"))
    reader, writer = await open_hl7_connection("127.0.0.1", port, encoding="utf-8", **more)
    try:
        for reply in replies:
            writer.write(reply.before + b"\x0b" + acknowledgement(message, reply) + b"\x1c\r")
            await writer.drain()
        return [str(await reader.readmessage()) for _ in range(expected)]
    finally:
        writer.close()
        with suppress(OSError):
            await writer.wait_closed()
