"""MLLP as a way in: instruments that speak HL7 v2 send result messages, and are answered once these are kept."""

from __future__ import annotations

import asyncio
import hashlib
import re
import ssl
from collections.abc import Awaitable, Callable
from dataclasses import dataclass

import structlog

from bridge.credentials.peers import Peers
from bridge.errors import LineError, StoreError
from bridge.model import Capture, Way
from bridge.receive import Keep, NoteRefused, Now
from bridge.receive.tcp import Listener, TcpStream, for_ever
from bridge.receive.verdict import is_turned_down, judged
from bridge.settings import MllpSource
from bridge.store.commands import NoteRefusedFile
from bridge.store.rows import CaptureState
from bridge.tables.types import Answering, Hl7Layout
from bridge.wire import hl7_ack, mllp
from bridge.wire.hl7_ack import Header, Objection

log = structlog.get_logger()

SHOWN = 512  # ours: bytes of a refused message that are shown, enough to recognise what it is
MOST_GARBAGE = 65_536  # ours: bytes outside any frame after which a connection is no MLLP and is ended
_VERSION = re.compile(r"2\.[1-9](\.[0-9])?")  # HL7 table 0104: the versions that are written with separators
_RESULTS = (
    "ORU",
    "OUL",
)  # HL7 table 0076: message types that carry results, so that one that is refused is a technician's matter
# HL7 table 0357 for a rule, by how the id ends or begins; ours: what is not named is a value that no table has
_CODES = (
    ("missing", "101"),
    ("unreadable", "102"),
    ("malformed", "102"),
    ("check_digit", "102"),
    ("undecodable", "102"),
    ("processing_id", "202"),
)
_FAMILIES = {"read": "100", "time": "102"}


@dataclass(frozen=True, kw_only=True, slots=True)
class Office:
    """Whom the listener asks: to keep, to note what it refused, what became of a capture, and for words and control IDs.

    ``words`` gives a rule's reason in words that hold nothing of a patient. ``takes`` holds the processing IDs that are not refused.
    """

    keep: Keep
    note_refused: NoteRefused
    look: Callable[[int], Awaitable[CaptureState | None]]
    control_id: Callable[[], Awaitable[str]]
    words: Callable[[str], str]
    now: Now
    takes: frozenset[str]


@dataclass(frozen=True, kw_only=True, slots=True)
class _Refusal:
    """Why a message was not kept. ``is_header``: its type, version or processing ID is not taken (2.9.2, 2.9.3)."""

    objection: Objection
    is_header: bool


class MllpReceiver:
    """Serves the instruments of one source for ever. ``opened`` is set, and ``address`` given, while we listen."""

    def __init__(self, source: MllpSource, layout: Hl7Layout, office: Office, *, context: ssl.SSLContext | None = None) -> None:
        """Take the parts; ``context`` is for a source with ``tls``."""
        self._source = source
        self._listener = Listener(
            source, lambda stream: _Talk(stream, source, layout, office).run(), now=office.now, context=context
        )

    @property
    def peers(self) -> Peers:
        """Give who is connected, and who was turned away."""
        return self._listener.peers

    @property
    def opened(self) -> asyncio.Event:
        """Give what is set while we listen."""
        return self._listener.opened

    @property
    def address(self) -> tuple[str, int] | None:
        """Say where we listen."""
        return self._listener.address

    async def run(self) -> None:
        """Run until cancelled."""
        await for_ever(self._source.name, self._listener.listen, pause_s=self._source.reopen_s)


class _Talk:
    """One connection: one message after the other, each answered before the next is looked at."""

    def __init__(self, stream: TcpStream, source: MllpSource, layout: Hl7Layout, office: Office) -> None:
        self._stream = stream
        self._source = source
        self._layout = layout
        self._office = office
        self._deframer = mllp.Deframer(longest=source.longest_capture_bytes)
        self._frame_ends_at: float | None = None

    async def run(self) -> None:
        """Serve the connection until the sender ends it, says nothing for too long, or speaks no MLLP."""
        try:
            while some := await self._read():
                messages, beginnings = self._deframer.feed(some), self._too_long()
                if messages or beginnings:
                    self._frame_ends_at = None  # what is open now has begun behind these
                for message in messages:
                    await self._take(message)
                for beginning in beginnings:
                    await self._refuse_too_long(beginning)
                if self._deframer.skipped > MOST_GARBAGE:
                    break
        except TimeoutError:
            log.warning("mllp.timed_out", source=self._source.name, in_message=self._deframer.is_open)
            await self._keep_torn(self._deframer.open_part)
        except LineError:
            pass  # gone before its answer: it sends the message again, and it is known
        except StoreError as error:  # not even an answer's control ID can be had: as if the line had broken, it is sent again
            log.warning("mllp.not_answered", source=self._source.name, cause=type(error).__name__)
        if self._deframer.skipped or self._deframer.is_open:
            log.warning(
                "mllp.bytes_dropped", source=self._source.name, skipped=self._deframer.skipped, in_message=self._deframer.is_open
            )

    async def _keep_torn(self, part: bytes) -> None:
        """Keep what came of a message whose sender fell silent in it: it is no lost answer that makes it send again, so it may never do.

        What breaks off with its connection is dropped: its sender had no answer, and sends it again.
        """
        header = hl7_ack.header_of(part)
        if header is None or self._refusal(header, part) is not None:
            return
        capture = Capture(source=self._source.name, way=Way.MLLP, arrived_at=self._office.now(), payload=part, torn=True)
        try:
            await self._office.keep(capture)
        except StoreError as error:
            log.warning("capture.not_kept", source=self._source.name, cause=type(error).__name__, bytes=len(part))

    async def _read(self) -> bytes:
        """Wait for bytes. Raises TimeoutError where a message takes too long, or nothing comes at all."""
        now = asyncio.get_running_loop().time()
        if not self._deframer.is_open:
            self._frame_ends_at = None
        elif self._frame_ends_at is None:
            self._frame_ends_at = now + self._source.message_s
        async with asyncio.timeout_at(self._frame_ends_at or now + self._source.idle_s):
            return await self._stream.read()

    def _too_long(self) -> list[bytes]:
        found, self._deframer.beginnings = self._deframer.beginnings, []
        return found

    # --- one message

    async def _take(self, message: bytes) -> None:
        header = hl7_ack.header_of(message)
        if header is None:
            await self._note(
                message, len(message), "A message begins with no header (MSH) that can be answered; it was not taken."
            )
            return
        if header.component(hl7_ack.MSH_9, 1) in {"ACK", "MCF"}:  # an acknowledgement is never acknowledged (2.9.2)
            log.info("mllp.acknowledgement_heard", source=self._source.name)
            return
        refusal = self._refusal(header, message)
        if refusal is not None:
            await self._refuse(header, message, refusal)
            return
        capture = Capture(source=self._source.name, way=Way.MLLP, arrived_at=self._office.now(), payload=message)
        try:
            capture_id = await self._office.keep(capture, origin=self._origin(header, message))
        except StoreError as error:
            log.warning("capture.not_kept", source=self._source.name, cause=type(error).__name__, bytes=len(message))
            words = "The message cannot be kept now; send it again later."
            await self._say_no(header, _Refusal(objection=Objection(code="207", words=words), is_header=False))
            return
        await self._say_yes(header, message, capture_id)

    def _refusal(self, header: Header, message: bytes) -> _Refusal | None:
        """Say why a message may not be kept; None if it may."""
        kind, event = header.component(hl7_ack.MSH_9, 1), header.component(hl7_ack.MSH_9, 2)
        if re.search(rb"[\r\n](?:MSH|FHS|BHS)", message):
            return _no("100", "Several messages stand in one frame; send each in its own.", "MSH^2")
        if not header.field(hl7_ack.MSH_10):
            return _no("101", "The message has no control ID.", "MSH^1^10")
        if (kind, event) not in self._layout.messages:
            return _no("200", "Messages of this type are not taken here.", "MSH^1^9", is_header=True)
        if not _VERSION.fullmatch(header.component(hl7_ack.MSH_12, 1)):
            return _no("203", "This version of HL7 is not taken here.", "MSH^1^12", is_header=True)
        if header.component(hl7_ack.MSH_11, 1) not in self._office.takes:
            return _no(
                "202",
                f"Only messages with processing ID {self._source.processing_id} are taken here.",
                "MSH^1^11",
                is_header=True,
            )
        return None

    def _origin(self, header: Header, message: bytes) -> str:
        """Give the key by which the very same message is known again; none where the sender does not tell its messages apart.

        A control ID alone proves nothing: instruments start counting anew. The same bytes, with time and control ID, do.
        """
        if not header.field(hl7_ack.MSH_7):
            return ""
        return hashlib.sha256(b"mllp\0" + self._source.name.encode() + b"\0" + message).hexdigest()

    async def _refuse(self, header: Header, message: bytes, refusal: _Refusal) -> None:
        if header.component(hl7_ack.MSH_9, 1) in _RESULTS:
            await self._note(message, len(message), refusal.objection.words)
        else:
            log.warning("mllp.message_refused", source=self._source.name, code=refusal.objection.code)
        await self._say_no(header, refusal)

    async def _refuse_too_long(self, beginning: bytes) -> None:
        longest = self._source.longest_capture_bytes
        words = f"The message is longer than this way in takes: the limit is {longest} bytes."
        await self._note(beginning, longest + 1, words)
        header = hl7_ack.header_of(beginning)
        if header is not None:
            await self._say_no(header, _no("207", words))

    async def _note(self, message: bytes, size_bytes: int, sentence: str) -> None:
        """Show a technician that something was not taken. Where not even that can be kept, the log alone says it."""
        refused = NoteRefusedFile(
            source=self._source.name,
            name="HL7 message",
            digest=hashlib.sha256(message).hexdigest(),
            size=size_bytes,
            beginning=message[:SHOWN],
            sentence=sentence,
            remedy="Check what the analyzer is set to send; then send its strips again from its memory.",
            at=self._office.now(),
        )
        log.warning("mllp.message_refused", source=self._source.name, bytes=size_bytes)
        try:
            await self._office.note_refused(refused)
        except StoreError as error:
            log.warning("mllp.refusal_not_noted", source=self._source.name, cause=type(error).__name__)

    # --- answers

    async def _say_no(self, header: Header, refusal: _Refusal) -> None:
        """Answer that nothing was kept: AR; in enhanced mode CR or CE where MSH-15 asks for it, else AR where MSH-16 does."""
        if not header.is_enhanced:
            await self._say(header, "AR", refusal.objection)
        elif header.wants(hl7_ack.MSH_15, good=False):
            await self._say(header, "CR" if refusal.is_header else "CE", refusal.objection)
        elif header.wants(hl7_ack.MSH_16, good=False):
            await self._say(header, "AR", refusal.objection)

    async def _say_yes(self, header: Header, message: bytes, capture_id: int) -> None:
        """Answer that the message is kept (CA, where asked for), then what became of it, as far as the profile tells."""
        if header.is_enhanced and header.wants(hl7_ack.MSH_15, good=True):
            await self._say(header, "CA")
        if header.is_enhanced and not any(header.wants(hl7_ack.MSH_16, good=good) for good in (True, False)):
            return
        code: str = "AA"
        objections: tuple[Objection, ...] = ()
        if self._layout.answer is Answering.JUDGED:
            code, objections = await self._verdict(message, capture_id)
        if not header.is_enhanced or header.wants(hl7_ack.MSH_16, good=code == "AA"):
            await self._say(header, code, *objections)

    async def _verdict(self, message: bytes, capture_id: int) -> tuple[str, tuple[Objection, ...]]:
        state = await judged(self._office.look, capture_id, within_s=self._source.judged_s)
        if state is None:
            words = "The message is kept; judging is not over yet. Send it again to ask."
            return "AR", (Objection(code="207", words=words),)
        objections = tuple(
            Objection(
                code=error_code(strip.rule),
                words=f"Strip {strip.index + 1}: {self._office.words(strip.rule)}.",
                place="" if strip.place_start is None else hl7_ack.place_of(message, strip.place_start),
                rule=strip.rule,
            )
            for strip in state.strips
            if is_turned_down(strip)
        )
        return ("AE", objections) if objections else ("AA", ())

    async def _say(self, header: Header, code: str, *objections: Objection) -> None:
        """Send one acknowledgement. Raises LineError when the connection is gone."""
        answer = hl7_ack.acknowledge(
            header, code, control_id=await self._office.control_id(), made_at=self._office.now(), objections=objections
        )
        await self._stream.write(mllp.frame(answer))


def _no(code: str, words: str, place: str = "", *, is_header: bool = False) -> _Refusal:
    return _Refusal(objection=Objection(code=code, words=words, place=place), is_header=is_header)


def error_code(rule: str) -> str:
    """Give the code of HL7 table 0357 for a rule of ours."""
    family, _, name = rule.partition(".")
    ends = next((code for end, code in _CODES if name.endswith(end)), "")
    return ends or _FAMILIES.get(family, "103")
