"""What the two ends of the link layer tell their caller."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum


class Timer(StrEnum):
    """The timers that a caller may be asked to arm; settings.LinkTimes holds their seconds, PRIORITY_S the last one."""

    ANSWER = "answer"
    FRAME = "frame"
    BUSY = "busy"
    CONTENTION = "contention"
    SETTLE = "settle"
    PRIORITY = "priority"


PRIORITY_S = 1.0  # LIS01-A2: after a contention the instrument waits at least 1 s before its next ENQ


@dataclass(frozen=True, kw_only=True, slots=True)
class Send:
    """Bytes to put on the line."""

    data: bytes


@dataclass(frozen=True, kw_only=True, slots=True)
class Keep:
    """A message, or the torn rest of one, to keep durably; the caller then says ``kept`` or ``not_kept``.

    ``payload`` is the wire bytes as received; ``text`` what ``unframe`` gives of it.
    """

    payload: bytes
    text: bytes
    torn: bool


@dataclass(frozen=True, kw_only=True, slots=True)
class Refused:
    """A frame was refused with NAK; ``reason`` holds no byte of it, so that it may be logged."""

    reason: str


@dataclass(frozen=True, kw_only=True, slots=True)
class Yielded:
    """Our ENQ met the instrument's: the line is the instrument's; answer it as a receiver."""


class SendEnd(StrEnum):
    """How a sender's session ended."""

    SENT = "sent"
    NO_ANSWER = "no answer"
    REFUSED = "refused"
    INTERRUPTED = "interrupted"


@dataclass(frozen=True, kw_only=True, slots=True)
class Ended:
    """A sender's session is over. ``acknowledged`` counts the texts that were acknowledged whole, from the first."""

    how: SendEnd
    acknowledged: int


Output = Send | Keep | Refused | Yielded | Ended
