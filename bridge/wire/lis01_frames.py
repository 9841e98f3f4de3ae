"""LIS01-A2 (E1381) frames: control characters, checksum, and the cut of a byte stream into pieces that matter.

``[LIS01]`` marks rules of the standard as our reference notes have them (partly from memory).
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass
from enum import StrEnum

from bridge.wire.text import Unframed

SOH, STX, ETX, EOT, ENQ, ACK, NAK, ETB, CR, LF = (
    b"\x01",
    b"\x02",
    b"\x03",
    b"\x04",
    b"\x05",
    b"\x06",
    b"\x15",
    b"\x17",
    b"\r",
    b"\n",
)  # ASCII

LONGEST_TEXT = 64_000  # [LIS01] largest frame text that the 2002 edition allows, from memory
_AROUND_TEXT = 3  # STX, number, ETX or ETB
_TRAILER = 4  # two checksum digits, CR, LF
_DOUBTS = 16  # ours: a sender in trouble repeats EOT or ENQ a few times; more is noise inside a frame

# [LIS01] what may not stand in a frame's text: SOH STX ETX EOT ENQ ACK DLE NAK SYN ETB LF and DC1 to DC4
RESTRICTED = b"\x01\x02\x03\x04\x05\x06\x0a\x10\x11\x12\x13\x14\x15\x16\x17"
_STOP = re.compile(b"[" + re.escape(RESTRICTED) + b"]")
_START = re.compile(b"[" + re.escape(STX + EOT + ENQ) + b"]")


def checksum(body: bytes) -> bytes:
    """Give the two upper-case hex digits for ``body``: number, text and ETB or ETX [LIS01]."""
    return b"%02X" % (sum(body) % 256)


def build_frame(number: int, text: bytes, *, is_last: bool) -> bytes:
    """Give one frame as it goes on the wire; ``number`` 0 to 7, ``is_last`` ends it with ETX, else ETB [LIS01]."""
    body = b"%d" % number + text + (ETX if is_last else ETB)
    return STX + body + checksum(body) + CR + LF


@dataclass(frozen=True, kw_only=True, slots=True)
class Frame:
    """A frame that came to its end. ``body``: number, text, ETB or ETX. ``fault``: why it is damaged, "" if it is whole.

    ``number`` is -1 where the frame has none; ``is_last`` says that it ended with ETX.
    """

    number: int
    text: bytes
    body: bytes
    is_last: bool
    fault: str


class TokenKind(StrEnum):
    """What a stretch of the stream is."""

    ENQ = "ENQ"
    EOT = "EOT"
    FRAME = "frame"
    PIECE = "piece"  # of a frame that never ended, or that is too long
    NOISE = "noise"  # outside of any frame


@dataclass(frozen=True, kw_only=True, slots=True)
class Token:
    """One stretch of the stream. All tokens' ``raw`` one after the other are the stream."""

    kind: TokenKind
    raw: bytes
    frame: Frame | None = None


class Scanner:
    """Cuts a byte stream into tokens, whatever the chunks.

    ENQ and EOT inside a frame are doubtful: damage if the frame goes on, a new start if silence follows. The scanner
    holds them; ``is_unsettled`` asks the caller to call ``settle`` once the line has been silent.
    """

    def __init__(self) -> None:
        self._raw = bytearray()  # of the frame under way, from STX; empty after a piece of a long one was given
        self._end = -1  # where in _raw its ETB or ETX stands
        self._is_open = False
        self._fault = ""
        self._doubts = bytearray()
        self._ended_by_lf = False

    @property
    def is_in_frame(self) -> bool:
        """Say whether a frame has begun and not come to its end."""
        return self._is_open

    @property
    def is_unsettled(self) -> bool:
        """Say whether a silence from here on would mean something."""
        return bool(self._doubts) or (self._is_open and self._ended_by_lf)

    def feed(self, data: bytes) -> Iterator[Token]:
        """Take bytes; give the tokens that they complete, oldest first. Must be run to its end."""
        at = 0
        while at < len(data):
            if not self._is_open:
                at, token = self._outside(data, at)
            elif self._doubts:
                at, token = self._doubtful(data, at)
            elif self._end < 0:
                at, token = self._inside(data, at)
            else:
                at, token = self._trailer(data, at)
            if token is not None:
                yield token

    def settle(self) -> Iterator[Token]:
        """Say that the line has been silent: held ENQs and EOTs were meant; a frame that ran into an LF is over."""
        if self._doubts:
            doubts = bytes(self._doubts)
            self._doubts.clear()
            yield from self.take()
            for byte in doubts:
                yield Token(kind=TokenKind.ENQ if byte == ENQ[0] else TokenKind.EOT, raw=bytes([byte]))
        elif self.is_unsettled:
            yield self._close("the frame has no ETX, checksum and CR LF")

    def take(self) -> Iterator[Token]:
        """Give up a frame that did not come to its end."""
        raw = bytes(self._raw) + bytes(self._doubts)
        was_open = self._is_open
        self._reset()
        if was_open and raw:
            yield Token(kind=TokenKind.PIECE, raw=raw)

    def _reset(self) -> None:
        self._raw.clear()
        self._doubts.clear()
        self._end, self._is_open, self._fault, self._ended_by_lf = -1, False, "", False

    def _outside(self, data: bytes, at: int) -> tuple[int, Token | None]:
        found = _START.search(data, at)
        stop = found.start() if found else len(data)
        if stop > at:
            return stop, Token(kind=TokenKind.NOISE, raw=data[at:stop])
        if data[at] == STX[0]:
            self._open()
            return at + 1, None
        return at + 1, Token(kind=TokenKind.ENQ if data[at] == ENQ[0] else TokenKind.EOT, raw=data[at : at + 1])

    def _open(self) -> None:
        self._reset()
        self._raw += STX
        self._is_open = True

    def _restart(self, at: int) -> tuple[int, Token | None]:
        """Begin the frame anew at an STX inside it [LIS01]; the old beginning gets no answer of its own."""
        abandoned = next(self.take(), None)
        self._open()
        return at + 1, abandoned

    def _doubtful(self, data: bytes, at: int) -> tuple[int, Token | None]:
        byte = data[at]
        if byte == STX[0]:
            return self._restart(at)
        if byte in ENQ + EOT and len(self._doubts) < _DOUBTS:
            self._doubts.append(byte)
            return at + 1, None
        held = bytes(self._doubts)
        self._doubts.clear()
        self._spoil("a control character inside the frame")
        return at, self._add(held)

    def _inside(self, data: bytes, at: int) -> tuple[int, Token | None]:
        found = _STOP.search(data, at)
        stop = found.start() if found else len(data)
        stop = min(stop, at + self._room)
        if stop > at:
            self._ended_by_lf = False
            return stop, self._add(data[at:stop])
        byte = data[at]
        if byte == STX[0]:
            return self._restart(at)
        if byte in ENQ + EOT:
            self._doubts.append(byte)
            return at + 1, None
        if byte in ETX + ETB:
            self._end = len(self._raw)
        else:
            self._spoil("a control character inside the frame")
        self._ended_by_lf = byte == LF[0]
        return at + 1, self._add(data[at : at + 1])

    @property
    def _room(self) -> int:
        return LONGEST_TEXT + _AROUND_TEXT + _TRAILER - len(self._raw)

    def _add(self, some: bytes) -> Token | None:
        """Note bytes of the frame; a frame that is too long is given in pieces of one size, so that any cut gives the same."""
        self._raw += some
        if self._end >= 0:
            return self._close("") if len(self._raw) - self._end > _TRAILER else None
        if self._room > 0:
            return None
        self._spoil("the frame is too long")
        piece = Token(kind=TokenKind.PIECE, raw=bytes(self._raw))
        self._raw.clear()
        return piece

    def _trailer(self, data: bytes, at: int) -> tuple[int, Token | None]:
        byte = data[at]
        if byte == STX[0]:
            return self._restart(at)
        if byte in ENQ + EOT:
            self._doubts.append(byte)
            return at + 1, None
        self._raw.append(byte)
        is_over = byte == LF[0] or len(self._raw) - self._end > _TRAILER
        return at + 1, self._close("") if is_over else None

    def _spoil(self, fault: str) -> None:
        self._fault = self._fault or fault

    def _close(self, fault: str) -> Token:
        raw = bytes(self._raw)
        end = self._end if self._end >= 0 else len(raw)
        body = raw[raw[:1] == STX : end + 1]
        self._spoil(fault or _fault(body, raw[end + 1 :]))
        frame = Frame(
            number=int(body[:1]) if body[:1] in _NUMBERS else -1,
            text=body[1:-1],
            body=body,
            is_last=body[-1:] == ETX,
            fault=self._fault,
        )
        self._reset()
        return Token(kind=TokenKind.FRAME, raw=raw, frame=frame)


_NUMBERS = tuple(b"%d" % number for number in range(8))  # [LIS01]


def _fault(body: bytes, trailer: bytes) -> str:
    if body[:1] not in _NUMBERS:
        return "the frame number is not 0 to 7"
    if len(body) - 2 > LONGEST_TEXT:
        return "the frame is too long"
    if len(trailer) != _TRAILER or trailer[2:] != CR + LF:
        return "the frame does not end with checksum and CR LF"
    if trailer[:2].upper() != checksum(body):
        return "the checksum does not match"
    return ""


class Sequence:
    """Which frames of a session count: the next number, once each. ``expected`` None takes any number as the first."""

    def __init__(self, expected: int | None) -> None:
        self._expected = expected
        self._last: Frame | None = None

    def fault(self, frame: Frame) -> str:
        """Say why a frame is not the next one; "" if it is."""
        if frame.fault:
            return frame.fault
        if self._last is not None and frame.number == self._last.number:
            return "the number of the frame before, with another text"
        if self._expected is not None and frame.number != self._expected:
            return "the frame number is out of turn"
        return ""

    def is_repeat(self, frame: Frame) -> bool:
        """Say whether it is the last accepted frame once more.

        Byte for byte (ours; [LIS01] looks at the number alone): else a strip could vanish behind its number.
        """
        return not frame.fault and self._last is not None and frame.body == self._last.body

    def accept(self, frame: Frame) -> None:
        """Count ``frame``; the next one has the next number, and 7 is followed by 0 [LIS01]."""
        self._last = frame
        self._expected = (frame.number + 1) % 8


def unframe(payload: bytes) -> Unframed:
    """Give the text of the accepted frames, once each, in order, by the receiver's own rules.

    A payload that does not begin with ENQ is a later message of a session: its first whole frame sets the number.
    """
    sequence = Sequence(1 if payload[:1] == ENQ else None)
    text = bytearray()
    spans: list[tuple[int, int, int]] = []
    offset = 0
    for token in Scanner().feed(payload):
        frame = token.frame
        if frame is not None and not sequence.is_repeat(frame) and not sequence.fault(frame):
            sequence.accept(frame)
            if frame.text:
                spans.append((len(text), offset + 2, len(frame.text)))  # 2: STX and the number
            text += frame.text
        offset += len(token.raw)
    return Unframed(bytes(text), tuple(spans))
