"""Answers that come apart from their message: after the receiver committed, or on a connection that it opens to us."""

from __future__ import annotations

import asyncio
from collections import Counter
from collections.abc import Awaitable, Callable
from datetime import datetime

import structlog

from bridge.credentials.peers import CROWDED, STRANGER, Peers
from bridge.credentials.tls import listening_context
from bridge.deliver.terms import asked_of, site_answers_of
from bridge.errors import SettingsError, StoreError
from bridge.lifecycle.answers import Stray, committing, meaning, said_by, wants_commit
from bridge.model import Acknowledgement
from bridge.settings import AnswersOn, MllpDestination
from bridge.wire import er7, mllp

log = structlog.get_logger()

LONGEST_ANSWER = 1_000_000  # bytes; ours: an acknowledgement is a few hundred; more without an end is no answer
MOST_CONNECTIONS = 16  # ours: a receiver answers on one or a few; more is somebody else
IDLE_S = 600.0  # ours: a connection that says nothing for ten minutes gives its place free; the receiver may open another
HANDSHAKE_S = 10.0  # ours: a handshake is four short messages; who needs longer holds a place for nothing
GRACE_S = 2.0  # ours: an answer that is being noted when the service stops has this long
REOPEN_S = 5.0  # ours: a port that is taken is tried again this often

Settle = Callable[[str, Acknowledgement], Awaitable[bool]]


class LateAnswers:
    """Takes one receiver's late answers: each is noted durably before the receiver is told that it is kept.

    ``settle`` notes an answer under the control ID that it names, and says whether that is a message of ours. ``control`` gives the
    control IDs of our own acknowledgements. ``strays`` counts what was no answer to any message.
    """

    def __init__(
        self,
        settings: MllpDestination,
        *,
        settle: Settle,
        control: Callable[[], Awaitable[str]],
        now: Callable[[], datetime],
    ) -> None:
        self._destination = settings.name
        self._charset = er7.codec(settings.charset)
        self._asked = asked_of(settings)
        self._site = site_answers_of(settings)
        self._settle = settle
        self._control = control
        self._now = now
        self.strays: Counter[Stray] = Counter()

    async def take(self, payload: bytes) -> bytes | None:
        """Note what one framed message says; give the acknowledgement that it asks for, None where it asks for none.

        One that the store could not keep is answered CE, so that the receiver says it again. Raises StoreError only where the
        store fails for good and no answer was asked for.
        """
        said = said_by(payload, charset=self._charset)
        if isinstance(said, Stray) or not said.is_application:
            self._stray(Stray.NO_ANSWER if isinstance(said, Stray) else Stray.NOT_ASKED)
            return None
        code = "CA"
        try:
            if not await self._settle(said.control_id, meaning(said, asked=self._asked, site=self._site)):
                self._stray(Stray.FOREIGN)
        except StoreError:
            if not wants_commit(said):
                raise
            code = "CE"
        if not wants_commit(said):
            return None
        return committing(said, code=code, control_id=await self._control(), at=self._now())

    def _stray(self, stray: Stray) -> None:
        self.strays[stray] += 1
        log.warning("mllp.stray", destination=self._destination, kind=stray.name.lower())


class AnswerListener:
    """Listens for one receiver's answers. ``address`` is where, once ``opened`` is set. Runs until cancelled."""

    def __init__(self, destination: str, settings: AnswersOn, late: LateAnswers, *, now: Callable[[], datetime]) -> None:
        self.peers = Peers(f"answers of {destination}", settings.peers, now=now)
        self._destination = destination
        self._settings = settings
        self._late = late
        self._guests: dict[asyncio.Task[None], asyncio.StreamWriter] = {}
        self.opened = asyncio.Event()
        self.address: tuple[str, int] | None = None

    async def run(self) -> None:
        """Listen; a port that cannot be had is tried again."""
        told = ""
        while True:
            try:
                await self._listen()
            except (OSError, SettingsError) as error:
                if str(error) != told:  # once, not at every try
                    log.warning("answers.absent", destination=self._destination, cause=str(error))
                told = str(error)
            await asyncio.sleep(REOPEN_S)

    async def _listen(self) -> None:
        tls = self._settings.tls
        server = await asyncio.start_server(
            self._serve,
            self._settings.host,
            self._settings.port,
            ssl=listening_context(tls) if tls else None,
            ssl_handshake_timeout=HANDSHAKE_S if tls else None,
        )
        host, port = server.sockets[0].getsockname()[:2]
        self.address = (host, port)
        log.info("answers.listening", destination=self._destination, host=host, port=port)
        self.opened.set()
        try:
            await asyncio.Event().wait()  # for ever: serve_forever would wait for the guests, who wait for the cancel
        finally:
            self.opened.clear()
            server.close()
            for writer in self._guests.values():
                writer.transport.abort()  # and not a cancellation: what is being noted is noted to its end
            if self._guests:
                await asyncio.wait(list(self._guests), timeout=GRACE_S)

    async def _serve(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        peer = str(writer.get_extra_info("peername", ("",))[0])
        is_friend = self.peers.admits(peer)
        if not is_friend or len(self._guests) >= MOST_CONNECTIONS:
            self.peers.turn_away(peer, CROWDED if is_friend else STRANGER)
            writer.transport.abort()
            return
        task = asyncio.current_task()
        assert task is not None
        self._guests[task] = writer
        try:
            await self._talk(reader, writer)
        except (OSError, TimeoutError, StoreError) as error:
            log.warning("answers.ended", destination=self._destination, cause=type(error).__name__)
        finally:
            del self._guests[task]
            writer.transport.abort()

    async def _talk(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        deframer = mllp.Deframer(longest=LONGEST_ANSWER)
        unframed = 0
        while unframed <= LONGEST_ANSWER:
            async with asyncio.timeout(IDLE_S):
                some = await reader.read(65_536)
            if not some:
                return
            payloads = deframer.feed(some)
            unframed = 0 if payloads else unframed + len(some)
            for payload in payloads:
                reply = await self._late.take(payload)
                if reply is not None:
                    if writer.is_closing():  # it hung up while its answer was kept; uvloop raises at what is written then
                        return
                    writer.write(mllp.frame(reply))
                    await writer.drain()
