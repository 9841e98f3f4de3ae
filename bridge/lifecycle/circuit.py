"""When a receiver is left alone, and what brings it back: a table of states and what happens, and what an answer says of the receiver.

A receiver that gives no answer to anybody is not asked by every lane in turn: it rests, and one message at a time tries
whether it is back.
"""

from __future__ import annotations

from enum import StrEnum

from bridge.lifecycle.answers import Silence
from bridge.model import Acknowledgement, Answer


class Circuit(StrEnum):
    """How messages go to one receiver. While it is ``probed``, one at a time goes; while it rests, none."""

    FLOWS = "flows"
    RESTS = "rests"
    PROBED = "probed"


class Sign(StrEnum):
    """What happens to a receiver as a whole."""

    ANSWERED = "it answered a message, with whatever"
    PROVED = "it has answered enough of them"
    FAILED = "it did not answer a message, or said that it is in trouble"
    WORN = "it failed too often in a row"
    UNREACHED = "nobody took the call, or the door is closed to every message"
    RESTED = "the wait is over"


_C, _S = Circuit, Sign

CIRCUIT_STEPS: dict[tuple[Circuit, Sign], Circuit] = {
    (_C.FLOWS, _S.ANSWERED): _C.FLOWS,
    (_C.FLOWS, _S.PROVED): _C.FLOWS,
    (_C.FLOWS, _S.FAILED): _C.FLOWS,
    (_C.FLOWS, _S.WORN): _C.RESTS,
    (_C.FLOWS, _S.UNREACHED): _C.RESTS,
    (_C.RESTS, _S.RESTED): _C.PROBED,
    # a message that was under way when the rest began
    (_C.RESTS, _S.ANSWERED): _C.PROBED,
    (_C.RESTS, _S.PROVED): _C.FLOWS,
    (_C.RESTS, _S.FAILED): _C.RESTS,
    (_C.RESTS, _S.WORN): _C.RESTS,
    (_C.RESTS, _S.UNREACHED): _C.RESTS,
    (_C.PROBED, _S.ANSWERED): _C.PROBED,
    (_C.PROBED, _S.PROVED): _C.FLOWS,
    (_C.PROBED, _S.FAILED): _C.RESTS,
    (_C.PROBED, _S.WORN): _C.RESTS,
    (_C.PROBED, _S.UNREACHED): _C.RESTS,
}


def circuit_step(state: Circuit, sign: Sign) -> Circuit:
    """Give the state after ``sign``. Raises ValueError for a pair that must not happen, which is a defect."""
    try:
        return CIRCUIT_STEPS[state, sign]
    except KeyError:
        raise ValueError(f"a receiver that {state.value} cannot meet: {sign.value}") from None


_UNREACHED = frozenset({Silence.NO_CONNECTION.value})
_OURS = frozenset({Silence.INTERRUPTED.value, Silence.FAULT.value})
# What an answer says of the message alone, though it asks to be tried again: a locked record, an edit conflict, too early, too many
# requests (which names its own wait, or is tried again like any other)
_OF_THE_MESSAGE = frozenset({"AR 206", "HTTP 409", "HTTP 425", "HTTP 429", "hook 409", "hook 425", "hook 429"})
# What asks to be tried again and means trouble of the receiver: by the beginning of its code
_TROUBLE = (
    "AR",
    "CE",
    "HTTP 5",
    "HTTP 408",
    "hook 5",
    "hook 408",
    Silence.TIMEOUT,
    Silence.LOST,
    Silence.TOO_LONG,
    "no room",
    "write failed",
)


def sign_of(acknowledgement: Acknowledgement) -> Sign | None:
    """Give what an answer says of its receiver: ANSWERED, FAILED or UNREACHED; None for what is our own doing.

    A refusal (AE, 422) is an answer like any other: the receiver works. So is what a site has made of one.
    """
    code, answer = acknowledgement.code, acknowledgement.answer
    if code in _OURS:
        return None
    if answer is Answer.CLOSED or code in _UNREACHED:
        return Sign.UNREACHED
    if answer is not Answer.TRY_AGAIN or code in _OF_THE_MESSAGE or acknowledgement.retry_after_s is not None:
        return Sign.ANSWERED
    return Sign.FAILED if code.startswith(_TROUBLE) else Sign.ANSWERED
