"""No answer at all, for every kind of destination."""

from __future__ import annotations

from collections.abc import Mapping
from enum import StrEnum

from bridge.lifecycle.answers.door import DOOR, DoorFault
from bridge.lifecycle.answers.row import Row, words
from bridge.model import Acknowledgement, Answer


class Silence(StrEnum):
    """How a receiver gave no answer; the values are the codes."""

    NO_CONNECTION = "no connection"
    TIMEOUT = "timeout"
    LOST = "connection lost"
    TOO_LONG = "answer too long"
    INTERRUPTED = "interrupted"
    KEPT_BACK = "kept back"
    FAULT = "fault of our own"
    NAME = "host name unknown"
    TLS = "TLS failure"
    SETUP = "cannot be sent as configured"
    UNFRAMED = "cannot be framed"


SILENCE: Mapping[Silence, Row] = {
    Silence.NO_CONNECTION: Row(
        answer=Answer.TRY_AGAIN, why="Nobody takes the call: nothing was sent, and other lanes wait for the same door."
    ),
    Silence.TIMEOUT: Row(
        answer=Answer.TRY_AGAIN, why="Sent, and no answer in time: its fate is unknown; the same bytes go again."
    ),
    Silence.LOST: Row(
        answer=Answer.TRY_AGAIN, why="The connection ended before an answer: its fate is unknown; the same bytes go again."
    ),
    Silence.TOO_LONG: Row(answer=Answer.TRY_AGAIN, why="Bytes without an end and no answer in them; the connection was closed."),
    Silence.INTERRUPTED: Row(answer=Answer.TRY_AGAIN, why="Padpost was stopped in the middle; the same bytes go again."),
    Silence.KEPT_BACK: Row(
        answer=Answer.CLOSED,
        why="Not sent: while it waited for its turn the receiver's door closed, or sending was stopped. The try is not counted.",
    ),
    Silence.FAULT: Row(
        answer=Answer.TRY_AGAIN,
        why="A defect of Padpost, whose log has the trace; tried again up to the limit, then a person looks.",
    ),
    Silence.NAME: Row(answer=Answer.CLOSED, why="The configured host name leads nowhere."),
    Silence.TLS: Row(answer=Answer.CLOSED, why="TLS failed for a reason that has no name of its own; nothing is sent over it."),
    Silence.SETUP: Row(
        answer=Answer.CLOSED, why="A secret, a key or a certificate cannot be read, or the address cannot be used."
    ),
    Silence.UNFRAMED: Row(answer=Answer.REFUSED, why="The message holds bytes that MLLP cannot carry; a person looks."),
}


def no_answer(silence: Silence | DoorFault, text: str = "") -> Acknowledgement:
    """Give the acknowledgement of an attempt that got no answer, or came to no door; ``text`` is the system's own reason."""
    row = SILENCE[silence] if isinstance(silence, Silence) else DOOR[silence]
    return Acknowledgement(answer=row.answer, code=silence.value, text=words([text]))
