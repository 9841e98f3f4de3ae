"""The sending end of the LIS01-A2 (E1381) link layer, as a table."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum

from bridge.wire.lis01_frames import ACK, ENQ, EOT, NAK, build_frame
from bridge.wire.lis01_says import Ended, Output, Send, SendEnd, Timer, Yielded

TRIES = 6  # LIS01-A2: a frame is tried 6 times, then EOT
FRAME_TEXT = 240  # LIS01-A2: the text of a frame that every receiver takes


class Role(StrEnum):
    """Who we are on the line; a contention is the instrument's."""

    INSTRUMENT = "instrument"
    HOST = "host"


class SenderState(StrEnum):
    """Where the sending end stands."""

    IDLE = "idle"
    ASKING = "asking"  # ENQ sent
    PUT_OFF = "put off"  # the receiver was busy
    CONTENDING = "contending"  # both ends sent ENQ
    SENDING = "sending"  # a frame is sent, its answer awaited


class SenderEvent(StrEnum):
    """What can happen to it."""

    START = "something to send"
    ENQ = "ENQ"
    ACK = "ACK"
    ACK_LAST = "ACK of the last frame"
    NAK = "NAK"
    NAK_LAST = "NAK after the last try"
    EOT = "EOT"
    TIME_OUT = "time-out"


class SenderAction(StrEnum):
    """What it does about it, in this order."""

    ENQ = "send ENQ"
    EOT = "send EOT"
    FRAME = "send the next frame"
    AGAIN = "send the same frame"
    COUNT = "the frame is acknowledged"
    YIELD = "leave the line to the instrument"
    SENT = "end: sent"
    NO_ANSWER = "end: no answer"
    REFUSED = "end: refused"
    INTERRUPTED = "end: interrupted"


_S, _E, _A = SenderState, SenderEvent, SenderAction

# (state, event) -> (state, actions)
SENDER: dict[tuple[SenderState, SenderEvent], tuple[SenderState, tuple[SenderAction, ...]]] = {
    (_S.IDLE, _E.START): (_S.ASKING, (_A.ENQ,)),
    (_S.IDLE, _E.ENQ): (_S.IDLE, ()),
    (_S.IDLE, _E.ACK): (_S.IDLE, ()),
    (_S.IDLE, _E.ACK_LAST): (_S.IDLE, ()),
    (_S.IDLE, _E.NAK): (_S.IDLE, ()),
    (_S.IDLE, _E.NAK_LAST): (_S.IDLE, ()),
    (_S.IDLE, _E.EOT): (_S.IDLE, ()),
    (_S.IDLE, _E.TIME_OUT): (_S.IDLE, ()),
    (_S.ASKING, _E.ENQ): (_S.CONTENDING, (_A.YIELD,)),
    (_S.ASKING, _E.ACK): (_S.SENDING, (_A.FRAME,)),
    (_S.ASKING, _E.ACK_LAST): (_S.SENDING, (_A.FRAME,)),
    (_S.ASKING, _E.NAK): (_S.PUT_OFF, ()),
    (_S.ASKING, _E.NAK_LAST): (_S.PUT_OFF, ()),
    (_S.ASKING, _E.EOT): (_S.ASKING, ()),
    (_S.ASKING, _E.TIME_OUT): (_S.IDLE, (_A.EOT, _A.NO_ANSWER)),
    (_S.PUT_OFF, _E.ENQ): (_S.CONTENDING, (_A.YIELD,)),
    (_S.PUT_OFF, _E.ACK): (_S.PUT_OFF, ()),
    (_S.PUT_OFF, _E.ACK_LAST): (_S.PUT_OFF, ()),
    (_S.PUT_OFF, _E.NAK): (_S.PUT_OFF, ()),
    (_S.PUT_OFF, _E.NAK_LAST): (_S.PUT_OFF, ()),
    (_S.PUT_OFF, _E.EOT): (_S.PUT_OFF, ()),
    (_S.PUT_OFF, _E.TIME_OUT): (_S.ASKING, (_A.ENQ,)),
    (_S.CONTENDING, _E.ENQ): (_S.CONTENDING, (_A.YIELD,)),
    (_S.CONTENDING, _E.ACK): (_S.CONTENDING, ()),
    (_S.CONTENDING, _E.ACK_LAST): (_S.CONTENDING, ()),
    (_S.CONTENDING, _E.NAK): (_S.CONTENDING, ()),
    (_S.CONTENDING, _E.NAK_LAST): (_S.CONTENDING, ()),
    (_S.CONTENDING, _E.EOT): (_S.CONTENDING, ()),
    (_S.CONTENDING, _E.TIME_OUT): (_S.ASKING, (_A.ENQ,)),
    (_S.SENDING, _E.ENQ): (_S.SENDING, ()),
    (_S.SENDING, _E.ACK): (_S.SENDING, (_A.COUNT, _A.FRAME)),
    (_S.SENDING, _E.ACK_LAST): (_S.IDLE, (_A.COUNT, _A.EOT, _A.SENT)),
    (_S.SENDING, _E.NAK): (_S.SENDING, (_A.AGAIN,)),
    (_S.SENDING, _E.NAK_LAST): (_S.IDLE, (_A.EOT, _A.REFUSED)),
    (_S.SENDING, _E.EOT): (_S.IDLE, (_A.COUNT, _A.EOT, _A.INTERRUPTED)),
    (_S.SENDING, _E.TIME_OUT): (_S.IDLE, (_A.EOT, _A.NO_ANSWER)),
}

_ENDS = {_A.SENT: SendEnd.SENT, _A.NO_ANSWER: SendEnd.NO_ANSWER, _A.REFUSED: SendEnd.REFUSED, _A.INTERRUPTED: SendEnd.INTERRUPTED}


@dataclass(frozen=True, kw_only=True, slots=True)
class _Piece:
    text: bytes
    is_last: bool


def _pieces(text: bytes, size: int) -> list[_Piece]:
    """Cut one text into frames' texts: ETB after all but the last."""
    starts = range(0, max(len(text), 1), size)
    return [_Piece(text=text[start : start + size], is_last=start + size >= len(text)) for start in starts]


class LinkSender:
    """The sending end. Each text (a record, or a whole message) goes in frames of its own, the last one ended by ETX.

    ``heeds_interrupt`` False takes the receiver's EOT for an ACK and goes on, which the standard allows.
    """

    def __init__(self, *, role: Role = Role.INSTRUMENT, frame_text: int = FRAME_TEXT, heeds_interrupt: bool = True) -> None:
        self.state = SenderState.IDLE
        self._role = role
        self._frame_text = frame_text
        self._heeds_interrupt = heeds_interrupt
        self._frames: list[_Piece] = []
        self._next = 0  # the frame to send, or whose answer is awaited
        self._tries = 0
        self._outputs: list[Output] = []

    @property
    def timer(self) -> Timer | None:
        """Say which timer to arm now."""
        match self.state:
            case _S.ASKING | _S.SENDING:
                return Timer.ANSWER
            case _S.PUT_OFF:
                return Timer.BUSY
            case _S.CONTENDING:
                return Timer.PRIORITY if self._role is Role.INSTRUMENT else Timer.CONTENTION
            case _S.IDLE:
                return None

    def send(self, texts: Sequence[bytes]) -> list[Output]:
        """Begin a session that sends ``texts``, at least one. Raises RuntimeError while another is under way."""
        if self.state is not _S.IDLE or not texts:
            raise RuntimeError("a session is under way, or there is nothing to send")
        self._frames = [piece for text in texts for piece in _pieces(text, self._frame_text)]
        self._next = self._tries = 0
        return self._step(_E.START)

    def feed(self, data: bytes) -> list[Output]:
        """Take bytes from the line. What is no answer is passed over: the time-out sees to it."""
        outputs: list[Output] = []
        for byte in data:
            event = self._event_of(bytes([byte]))
            if event is not None:
                outputs += self._step(event)
        return outputs

    def expire(self) -> list[Output]:
        """Say that the timer that was armed has run out."""
        return self._step(_E.TIME_OUT)

    def _event_of(self, byte: bytes) -> SenderEvent | None:
        is_last = self._next + 1 == len(self._frames)
        is_interrupt = byte == EOT and self.state is _S.SENDING
        if byte == ACK or (is_interrupt and (is_last or not self._heeds_interrupt)):  # EOT in place of ACK takes the frame too
            return _E.ACK_LAST if is_last else _E.ACK
        if byte == NAK:
            return _E.NAK_LAST if self._tries >= TRIES else _E.NAK
        return {ENQ: _E.ENQ, EOT: _E.EOT}.get(byte)

    def _step(self, event: SenderEvent) -> list[Output]:
        self.state, actions = SENDER[self.state, event]
        outputs: list[Output] = []
        for action in actions:
            outputs += self._do(action)
        return outputs

    def _do(self, action: SenderAction) -> list[Output]:
        match action:
            case _A.ENQ:
                return [Send(data=ENQ)]
            case _A.EOT:
                return [Send(data=EOT)]
            case _A.COUNT:
                self._next += 1
                self._tries = 0
                return []
            case _A.FRAME | _A.AGAIN:
                self._tries += 1
                piece = self._frames[self._next]
                return [Send(data=build_frame((self._next + 1) % 8, piece.text, is_last=piece.is_last))]
            case _A.YIELD:
                return [Yielded()] if self._role is Role.HOST else []
            case _:
                return [Ended(how=_ENDS[action], acknowledged=sum(piece.is_last for piece in self._frames[: self._next]))]
