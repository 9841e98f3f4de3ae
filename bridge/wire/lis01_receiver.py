"""The receiving end of the LIS01-A2 (E1381) link layer, as a table."""

from __future__ import annotations

from collections import deque
from enum import StrEnum
from typing import Literal

from bridge.wire.lis01_frames import ACK, EOT, NAK, Frame, Scanner, Sequence, Token, TokenKind
from bridge.wire.lis01_says import Keep, Output, Refused, Send, Timer


class ReceiverState(StrEnum):
    """Where the receiving end stands."""

    IDLE = "idle"
    RECEIVING = "receiving"
    KEEPING = "keeping"  # the frame that ends a message waits for its answer until the message is kept
    UNKEPT = "unkept"  # the message is whole, could not be kept, and its last frame was answered with NAK
    KEEPING_REST = "keeping rest"  # what an interrupted message left is being kept; then idle
    KEEPING_CUT = "keeping cut"  # the beginning of a message that is too long is being kept; then refusing
    REFUSING = "refusing"  # the rest of a message that is too long


class ReceiverEvent(StrEnum):
    """What can happen to it."""

    ENQ = "ENQ"
    ENQ_BUSY = "ENQ while busy"
    EOT = "EOT"
    NEXT = "next frame"
    LAST = "frame that ends the message"
    REPEAT = "last frame again"
    BAD = "bad frame"
    TIME_OUT = "time-out or line lost"
    OVERFLOW = "message too long"
    KEPT = "kept"
    NOT_KEPT = "not kept"
    KEPT_LATE = "kept, sender went on"
    NOT_KEPT_LATE = "not kept, sender went on"


class ReceiverAction(StrEnum):
    """What it does about it, in this order."""

    BEGIN = "begin a session"
    RECORD = "note the bytes"
    ACCEPT = "take the frame"
    WELCOME = "send ACK for an ENQ"
    ANSWER = "send ACK for a frame, or EOT to ask the sender to stop"
    NAK = "send NAK"
    WHOLE = "hand over the message"
    REST = "hand over the rest"
    CLEAR = "begin the next message"
    DEFER = "look at it again after keeping"


_S, _E, _A = ReceiverState, ReceiverEvent, ReceiverAction
KEEPING_STATES = frozenset({_S.KEEPING, _S.KEEPING_REST, _S.KEEPING_CUT})
KEEPING_EVENTS = frozenset({_E.KEPT, _E.NOT_KEPT, _E.KEPT_LATE, _E.NOT_KEPT_LATE})

# (state, event) -> (state, actions). While keeping, what arrives waits in line; otherwise only the wire is looked at.
RECEIVER: dict[tuple[ReceiverState, ReceiverEvent], tuple[ReceiverState, tuple[ReceiverAction, ...]]] = {
    (_S.IDLE, _E.ENQ): (_S.RECEIVING, (_A.BEGIN, _A.WELCOME)),
    (_S.IDLE, _E.ENQ_BUSY): (_S.IDLE, (_A.NAK,)),
    (_S.IDLE, _E.EOT): (_S.IDLE, ()),
    (_S.IDLE, _E.NEXT): (_S.IDLE, ()),
    (_S.IDLE, _E.LAST): (_S.IDLE, ()),
    (_S.IDLE, _E.REPEAT): (_S.IDLE, ()),
    (_S.IDLE, _E.BAD): (_S.IDLE, ()),
    (_S.IDLE, _E.TIME_OUT): (_S.IDLE, ()),
    (_S.IDLE, _E.OVERFLOW): (_S.IDLE, ()),
    (_S.RECEIVING, _E.ENQ): (_S.KEEPING_REST, (_A.REST, _A.DEFER)),
    (_S.RECEIVING, _E.ENQ_BUSY): (_S.KEEPING_REST, (_A.REST, _A.DEFER)),
    (_S.RECEIVING, _E.EOT): (_S.KEEPING_REST, (_A.REST,)),
    (_S.RECEIVING, _E.NEXT): (_S.RECEIVING, (_A.RECORD, _A.ACCEPT, _A.ANSWER)),
    (_S.RECEIVING, _E.LAST): (_S.KEEPING, (_A.RECORD, _A.ACCEPT, _A.WHOLE)),
    (_S.RECEIVING, _E.REPEAT): (_S.RECEIVING, (_A.RECORD, _A.ANSWER)),
    (_S.RECEIVING, _E.BAD): (_S.RECEIVING, (_A.RECORD, _A.NAK)),
    (_S.RECEIVING, _E.TIME_OUT): (_S.KEEPING_REST, (_A.REST,)),
    (_S.RECEIVING, _E.OVERFLOW): (_S.KEEPING_CUT, (_A.REST, _A.DEFER)),
    (_S.KEEPING, _E.KEPT): (_S.RECEIVING, (_A.CLEAR, _A.ANSWER)),
    (_S.KEEPING, _E.KEPT_LATE): (_S.RECEIVING, (_A.CLEAR,)),
    (_S.KEEPING, _E.NOT_KEPT): (_S.UNKEPT, (_A.NAK,)),
    (_S.KEEPING, _E.NOT_KEPT_LATE): (_S.UNKEPT, ()),
    (_S.UNKEPT, _E.ENQ): (_S.KEEPING_REST, (_A.REST, _A.DEFER)),
    (_S.UNKEPT, _E.ENQ_BUSY): (_S.KEEPING_REST, (_A.REST, _A.DEFER)),
    (_S.UNKEPT, _E.EOT): (_S.KEEPING_REST, (_A.REST,)),
    (_S.UNKEPT, _E.NEXT): (_S.UNKEPT, (_A.NAK,)),
    (_S.UNKEPT, _E.LAST): (_S.UNKEPT, (_A.NAK,)),
    (_S.UNKEPT, _E.REPEAT): (_S.KEEPING, (_A.WHOLE,)),
    (_S.UNKEPT, _E.BAD): (_S.UNKEPT, (_A.NAK,)),
    (_S.UNKEPT, _E.TIME_OUT): (_S.KEEPING_REST, (_A.REST,)),
    (_S.UNKEPT, _E.OVERFLOW): (_S.UNKEPT, ()),
    (_S.KEEPING_REST, _E.KEPT): (_S.IDLE, (_A.CLEAR,)),
    (_S.KEEPING_REST, _E.KEPT_LATE): (_S.IDLE, (_A.CLEAR,)),
    (_S.KEEPING_REST, _E.NOT_KEPT): (_S.IDLE, (_A.CLEAR,)),
    (_S.KEEPING_REST, _E.NOT_KEPT_LATE): (_S.IDLE, (_A.CLEAR,)),
    (_S.KEEPING_CUT, _E.KEPT): (_S.REFUSING, (_A.CLEAR,)),
    (_S.KEEPING_CUT, _E.KEPT_LATE): (_S.REFUSING, (_A.CLEAR,)),
    (_S.KEEPING_CUT, _E.NOT_KEPT): (_S.REFUSING, (_A.CLEAR,)),
    (_S.KEEPING_CUT, _E.NOT_KEPT_LATE): (_S.REFUSING, (_A.CLEAR,)),
    (_S.REFUSING, _E.ENQ): (_S.RECEIVING, (_A.BEGIN, _A.WELCOME)),
    (_S.REFUSING, _E.ENQ_BUSY): (_S.IDLE, (_A.NAK,)),
    (_S.REFUSING, _E.EOT): (_S.IDLE, ()),
    (_S.REFUSING, _E.NEXT): (_S.REFUSING, (_A.NAK,)),
    (_S.REFUSING, _E.LAST): (_S.REFUSING, (_A.NAK,)),
    (_S.REFUSING, _E.REPEAT): (_S.REFUSING, (_A.NAK,)),
    (_S.REFUSING, _E.BAD): (_S.REFUSING, (_A.NAK,)),
    (_S.REFUSING, _E.TIME_OUT): (_S.IDLE, ()),
    (_S.REFUSING, _E.OVERFLOW): (_S.REFUSING, ()),
}


class LinkReceiver:
    """The receiving end. ``busy`` True answers ENQ with NAK: come again later.

    ``message_ends``: ``terminator`` ends a message at an ETX frame whose text ends with an L record, ``frame`` at each
    ETX frame. ``longest_message`` bounds the payload, bytes; a longer one is kept as far as that, torn, and refused.
    """

    def __init__(self, *, message_ends: Literal["terminator", "frame"], longest_message: int) -> None:
        self.busy = False
        self.state = ReceiverState.IDLE
        self._message_ends = message_ends
        self._longest = longest_message
        self._scanner = Scanner()
        self._waiting: deque[Token] = deque()
        self._sequence = Sequence(1)
        self._payload = bytearray()
        self._text = bytearray()
        self._opens_session = False
        self._accepted = 0
        self._is_worth_keeping = False
        self._interrupting = False
        self._outputs: list[Output] = []

    @property
    def timer(self) -> Timer | None:
        """Say which timer to arm now."""
        if self._scanner.is_unsettled:
            return Timer.SETTLE
        return Timer.FRAME if self.state in {_S.RECEIVING, _S.UNKEPT, _S.REFUSING} else None

    def feed(self, data: bytes) -> list[Output]:
        """Take bytes from the line, in any cut."""
        self._waiting.extend(self._scanner.feed(data))
        return self._go_on()

    def expire(self) -> list[Output]:
        """Say that the timer that was armed has run out."""
        if self.timer is Timer.FRAME:
            return self.lose()
        self._waiting.extend(self._scanner.settle())
        return self._go_on()

    def lose(self) -> list[Output]:
        """Say that the line is gone. Raises RuntimeError between a Keep and its answer: say that first."""
        if self.state in KEEPING_STATES:
            raise RuntimeError("say kept or not_kept first")
        self._waiting.extend(self._scanner.take())
        outputs = self._go_on()
        if self.state not in KEEPING_STATES:  # else the last bytes made the message too long: its beginning is being kept
            self._step(_E.TIME_OUT, None)
        return outputs + self._go_on()

    def kept(self, *, late: bool = False) -> list[Output]:
        """Say that the last Keep is durable; the withheld answer goes out.

        Unless the sender went on meanwhile, or ``late`` says that it must have: the answer would be taken for the
        answer to something else, and a frame would be lost. Feed what has arrived before calling this.
        Raises RuntimeError if no Keep is open.
        """
        self._step(_E.KEPT_LATE if late or self._went_on() else _E.KEPT, None)
        return self._go_on()

    def not_kept(self) -> list[Output]:
        """Say that the last Keep could not be kept: NAK for a whole message; a rest stays with the caller.

        Raises RuntimeError if no Keep is open.
        """
        self._step(_E.NOT_KEPT_LATE if self._went_on() else _E.NOT_KEPT, None)
        return self._go_on()

    def interrupt(self) -> None:
        """Ask the sender to stop: the next frame is taken and answered with EOT in place of ACK."""
        self._interrupting = True

    def _went_on(self) -> bool:
        return self._scanner.is_in_frame or any(token.kind is not TokenKind.NOISE for token in self._waiting)

    def _go_on(self) -> list[Output]:
        while self._waiting and self.state not in KEEPING_STATES:
            self._look_at(self._waiting.popleft())
        outputs, self._outputs = self._outputs, []
        return outputs

    def _look_at(self, token: Token) -> None:
        if token.kind is TokenKind.ENQ:
            self._step(_E.ENQ_BUSY if self.busy else _E.ENQ, token)
        elif token.kind is TokenKind.EOT:
            self._step(_E.EOT, token)
        elif self.state is _S.RECEIVING and len(self._payload) + len(token.raw) > self._longest:
            self._fill_up(token)
            self._step(_E.OVERFLOW, token)
        elif token.frame is not None:
            self._step(self._event_of(token.frame), token)
        elif self.state is _S.RECEIVING:
            self._record(token)

    def _fill_up(self, token: Token) -> None:
        self._payload += token.raw[: self._longest - len(self._payload)]
        self._is_worth_keeping = self._is_worth_keeping or token.kind is not TokenKind.NOISE
        if token.kind is not TokenKind.NOISE:
            self._outputs.append(Refused(reason="the message is longer than this way in takes"))

    def _event_of(self, frame: Frame) -> ReceiverEvent:
        if self._sequence.is_repeat(frame):
            return _E.REPEAT
        fault = self._sequence.fault(frame)
        if fault:
            self._outputs.append(Refused(reason=fault))
            return _E.BAD
        return _E.LAST if frame.is_last and self._ends_message(frame.text) else _E.NEXT

    def _ends_message(self, text: bytes) -> bool:
        if self._message_ends == "frame":
            return True
        records = (bytes(self._text[self._text.rfind(b"\r") + 1 :]) + text).rstrip(b"\r")
        last = records[records.rfind(b"\r") + 1 :]
        header = bytes(self._text[:2]) or text[:2]
        delimiter = header[1:2] if header[:1] == b"H" else b"|"
        return last[:1] == b"L" and last[1:2] in {delimiter, b""}

    def _record(self, token: Token) -> None:
        """Note a token's bytes.

        Before the first accepted frame of a message that began in mid-session a whole frame that does not count is
        left out, with what came before it: ``unframe`` could not tell it from the message's first one.
        """
        frame = token.frame
        is_repeat = frame is not None and self._sequence.is_repeat(frame)
        is_whole_but_refused = frame is not None and not frame.fault and (is_repeat or self._sequence.fault(frame) != "")
        if is_whole_but_refused and not self._opens_session and not self._accepted:
            self._payload.clear()
            self._is_worth_keeping = False
            return
        self._payload += token.raw
        self._is_worth_keeping = self._is_worth_keeping or not (is_repeat or token.kind is TokenKind.NOISE)

    def _step(self, event: ReceiverEvent, token: Token | None) -> None:
        if (self.state, event) not in RECEIVER:
            raise RuntimeError(f"the caller may not say {event.value!r} while {self.state.value}")
        came_from = self.state
        self.state, actions = RECEIVER[came_from, event]
        for action in actions:
            self._do(action, token)
        if _A.REST in actions and not self._hand_over(torn=came_from is not _S.UNKEPT):
            self._step(_E.KEPT, None)  # there is nothing to keep

    def _do(self, action: ReceiverAction, token: Token | None) -> None:
        match action:
            case _A.BEGIN if token is not None:
                self._begin(token)
            case _A.RECORD if token is not None:
                self._record(token)
            case _A.ACCEPT if token is not None and token.frame is not None:
                self._sequence.accept(token.frame)
                self._text += token.frame.text
                self._accepted += 1
            case _A.DEFER if token is not None:
                self._waiting.appendleft(token)
            case _A.WELCOME:
                self._outputs.append(Send(data=ACK))
            case _A.ANSWER:
                self._outputs.append(Send(data=EOT if self._interrupting else ACK))
                self._interrupting = False
            case _A.NAK:
                self._outputs.append(Send(data=NAK))
            case _A.WHOLE:
                self._hand_over(torn=False)
            case _A.CLEAR:
                self._clear()

    def _begin(self, token: Token) -> None:
        self._clear()
        self._sequence = Sequence(1)
        self._payload += token.raw
        self._opens_session = True

    def _clear(self) -> None:
        self._payload.clear()
        self._text.clear()
        self._accepted = 0
        self._is_worth_keeping = False
        self._opens_session = False

    def _hand_over(self, *, torn: bool) -> bool:
        if self._is_worth_keeping:
            self._outputs.append(Keep(payload=bytes(self._payload), text=bytes(self._text), torn=torn))
        return self._is_worth_keeping
