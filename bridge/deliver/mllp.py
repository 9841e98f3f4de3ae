"""HL7 v2 over MLLP: one message in flight a connection, and only its own answer counts."""

from __future__ import annotations

import asyncio
import select
import ssl
from collections import Counter
from collections.abc import Callable
from contextlib import suppress
from typing import Any, cast

import structlog

from bridge.credentials.tls import Contexts, client_context
from bridge.deliver.late import LONGEST_ANSWER, LateAnswers
from bridge.deliver.terms import asked_of, site_answers_of
from bridge.deliver.tls_faults import CALL_FAULTS, fault_of, no_call
from bridge.errors import StoreError
from bridge.lifecycle.answers import DoorFault, Silence, Stray, no_answer, read_mllp
from bridge.model import Acknowledgement, Message
from bridge.settings import MllpDestination
from bridge.wire import er7, mllp

log = structlog.get_logger()

TURNS = 3  # of the event loop; ours: one until it polls, one for bytes that wait, one for the end of the line behind them
VERDICT_S = 0.25  # ours: a receiver that nobody has talked to yet gets this long to turn our certificate away; some round trips


class MllpClient:
    """Sends to one receiver. The connection is kept between messages and aborted after any doubt.

    After a time-out it is aborted, so that a late answer can never be taken for the next message's.
    ``strays`` counts what came down the line and was no answer to the message in flight; it is never answered. In enhanced mode an
    answer to an earlier message is no stray: it goes to ``late``, which is set before anything is sent.
    """

    def __init__(self, settings: MllpDestination) -> None:
        self._settings = settings
        self._asked = asked_of(settings)
        self._site = site_answers_of(settings)
        self.late: LateAnswers | None = None
        self._noting: set[asyncio.Task[None]] = set()
        self._codec = er7.codec(settings.charset)
        self._contexts = Contexts(settings.tls, client_context) if settings.tls else None
        self._line: _Line | None = None
        self._turn = asyncio.Lock()
        self._is_known = False  # to the receiver: it answered on the last connection
        self.strays: Counter[Stray] = Counter()

    async def send(self, message: Message) -> Acknowledgement:
        """Send ``message`` and give its acknowledgement. Raises nothing for what a receiver or the network does."""
        try:
            framed = mllp.frame(message.payload)
        except ValueError as error:
            return no_answer(Silence.UNFRAMED, str(error))
        async with self._turn:
            try:
                line = await self._connected()
            except CALL_FAULTS as error:
                return no_call(error)
            answered = False
            try:
                acknowledgement = await self._exchange(line, framed, message.control_id)
                answered = isinstance(acknowledgement, Acknowledgement)
            finally:
                self._is_known = answered
                if not answered:  # a time-out, a lost line, or our own cancellation: the fate is unknown
                    await self._hang_up()
        return acknowledgement if isinstance(acknowledgement, Acknowledgement) else no_answer(acknowledgement)

    async def close(self) -> None:
        """End the connection at once; what was not sent yet is not sent, and late answers that came are noted first."""
        await self._hang_up()
        await asyncio.gather(*self._noting)

    async def _hang_up(self) -> None:
        line, self._line = self._line, None
        if line:
            line.abort()
            await line.ended.wait()

    async def _connected(self) -> _Line:
        if self._line and not self._line.is_quiet():
            for _ in range(TURNS):  # what arrived since the last message, or the end of the line, is seen before anything is sent
                await asyncio.sleep(0)
        if self._line and self._line.is_over:
            await self._hang_up()
        if self._line is None:
            async with asyncio.timeout(self._settings.connect_s):  # not wait_for: see queue/lanes.py
                self._line = await self._called()
        return self._line

    async def _called(self) -> _Line:
        loop = asyncio.get_running_loop()
        transport, line = await loop.create_connection(
            lambda: _Line(self._apart), self._settings.host, self._settings.port, **self._encryption()
        )
        safe = transport.get_extra_info("ssl_object")
        if safe is not None and safe.version() == "TLSv1.3" and not self._is_known:
            # RFC 8446 2: our handshake is over a round trip before the receiver has seen our certificate. What we sent meanwhile
            # would be answered by a reset, which drops the alert that says why
            with suppress(TimeoutError):
                async with asyncio.timeout(VERDICT_S):
                    await line.ended.wait()
        return line

    def _encryption(self) -> dict[str, Any]:
        """Give what makes the connection one over TLS; nothing for a plain one. Raises SettingsError."""
        if self._contexts is None or self._settings.tls is None:
            return {}
        return {"ssl": self._contexts.current(), "server_hostname": self._settings.tls.server_name or self._settings.host}

    async def _exchange(self, line: _Line, framed: bytes, control_id: str) -> Acknowledgement | Silence | DoorFault:
        def read(payload: bytes) -> Acknowledgement | Stray:
            return read_mllp(payload, control_id=control_id, charset=self._codec, asked=self._asked, site=self._site)

        try:
            async with asyncio.timeout(self._settings.answer_s):
                return await line.exchange(framed, read)
        except TimeoutError:
            return Silence.TIMEOUT

    def _apart(self, line: _Line, payload: bytes, stray: Stray) -> None:
        """Take what is no answer to the message in flight: an answer to an earlier one where there may be such, else a stray."""
        if self.late is None:
            self._note(stray)
            return
        task = asyncio.create_task(self._note_late(self.late, line, payload))
        self._noting.add(task)
        task.add_done_callback(self._noting.discard)

    async def _note_late(self, late: LateAnswers, line: _Line, payload: bytes) -> None:
        try:
            reply = await late.take(payload)
        except StoreError as error:  # it waits for another answer, and then for a person
            log.warning("mllp.late_answer_lost", destination=self._settings.name, cause=type(error).__name__)
            return
        if reply is not None:
            line.reply(mllp.frame(reply))

    def _note(self, stray: Stray) -> None:
        self.strays[stray] += 1
        log.warning("mllp.stray", destination=self._settings.name, kind=stray.name.lower())


class _Line(asyncio.Protocol):
    """One connection. Frames that arrive while nothing is in flight are strays at once, never kept for the next message."""

    def __init__(self, apart: Callable[[_Line, bytes, Stray], None]) -> None:
        self.ended = asyncio.Event()
        self.is_over = False
        self._end: Silence | DoorFault = Silence.LOST
        self._apart = apart
        self._deframer = mllp.Deframer(longest=LONGEST_ANSWER)
        self._unframed = 0
        self._arrived = select.poll()
        self._transport: asyncio.Transport | None = None
        self._read: Callable[[bytes], Acknowledgement | Stray] | None = None
        self._answer: asyncio.Future[Acknowledgement | Silence | DoorFault] | None = None

    async def exchange(
        self, framed: bytes, read: Callable[[bytes], Acknowledgement | Stray]
    ) -> Acknowledgement | Silence | DoorFault:
        """Send one frame and wait until ``read`` takes an arriving one for its answer, or the line ends."""
        if self.is_over or self._transport is None:
            return self._end
        self._read, self._answer = read, asyncio.get_running_loop().create_future()
        try:
            self._transport.write(framed)
            return await self._answer
        finally:
            self._read = self._answer = None

    def is_quiet(self) -> bool:
        """Say whether nothing has arrived, not even the line's end, that the event loop has not passed on yet."""
        return self._transport is not None and not self._transport.is_closing() and not self._arrived.poll(0)

    def reply(self, framed: bytes) -> None:
        """Send one frame that nothing answers; nothing where the line is over."""
        if self._transport and not self.is_over:
            self._transport.write(framed)

    def abort(self) -> None:
        """End the connection without waiting for anybody."""
        if self._transport:
            self._transport.abort()

    # --- what the event loop calls

    def connection_made(self, transport: asyncio.BaseTransport) -> None:
        """Keep the transport."""
        self._transport = cast(
            "asyncio.Transport", transport
        )  # of a stream connection; other event loops have classes of their own
        self._arrived.register(transport.get_extra_info("socket").fileno(), select.POLLIN)

    def data_received(self, data: bytes) -> None:
        """Take what arrived, in whatever pieces."""
        payloads = self._deframer.feed(data)
        self._unframed = 0 if payloads else self._unframed + len(data)
        for payload in payloads:
            answer = self._read(payload) if self._read and self._answer and not self._answer.done() else Stray.NOT_ASKED
            if isinstance(answer, Stray):
                self._apart(self, payload, answer)
            else:
                self._settle(answer)
        if self._unframed > LONGEST_ANSWER:
            self.is_over = True
            self._settle(Silence.TOO_LONG)

    def eof_received(self) -> bool:
        """Take a half-closed line for a lost one: the answer can only come down this way."""
        self.is_over = True
        self._settle(Silence.LOST)
        return False

    def connection_lost(self, exc: Exception | None) -> None:
        """Take the end of the line. In TLS 1.3 a receiver turns our certificate away only after we may have sent: it read nothing."""
        self.is_over = True
        self._end = (fault_of(exc) if isinstance(exc, ssl.SSLError) else None) or Silence.LOST
        self._settle(self._end)
        self.ended.set()

    def _settle(self, answer: Acknowledgement | Silence | DoorFault) -> None:
        if self._answer and not self._answer.done():
            self._answer.set_result(answer)
