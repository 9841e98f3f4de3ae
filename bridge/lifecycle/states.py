"""What state follows what: deliveries, stops, destinations. The only place that moves one.

Each table maps (state, event) to the next state; a pair that is missing must not happen
and raises. docs/delivery.md is compared with these tables by a test.
"""

from __future__ import annotations

from enum import StrEnum

from bridge.model import DeliveryState


class DeliveryEvent(StrEnum):
    """What can happen to a delivery."""

    BEAR = "its message is made"
    BEGIN = "an attempt begins"
    COMMIT = "the receiver keeps it, and will answer later"
    ACCEPT = "the receiver accepted"
    LAPSE = "no error came in the time for one"
    TAKE_BACK = "a late no, after a yes that was silence"
    TRY_AGAIN = "no answer, or the receiver said: later"
    REFUSE = "the receiver turned it away"
    CLOSE = "the destination is closed; the try is not counted"
    EXPIRE = "it was tried for too long"
    RECOVER = "the service restarted in the middle of an attempt"
    SUPERSEDE = "a newer version takes its place"
    SEND_AGAIN = "a named person sends it again"
    DISCARD = "a named person gives it up"
    WITHHOLD = "its destination asks for no controls any more"
    RESTORE = "a backup was restored; it may have gone out since"


_S, _E = DeliveryState, DeliveryEvent

DELIVERY_STEPS: dict[tuple[DeliveryState, DeliveryEvent], DeliveryState] = {
    (_S.UNBORN, _E.BEAR): _S.QUEUED,
    (_S.UNBORN, _E.SUPERSEDE): _S.SUPERSEDED,
    (_S.UNBORN, _E.DISCARD): _S.DISCARDED,
    (_S.UNBORN, _E.WITHHOLD): _S.DISCARDED,
    (_S.QUEUED, _E.BEGIN): _S.SENDING,
    (_S.QUEUED, _E.SUPERSEDE): _S.SUPERSEDED,
    (_S.QUEUED, _E.DISCARD): _S.DISCARDED,
    (_S.SENDING, _E.COMMIT): _S.COMMITTED,
    (_S.SENDING, _E.ACCEPT): _S.ACCEPTED,
    (_S.SENDING, _E.TRY_AGAIN): _S.RETRYING,
    (_S.SENDING, _E.REFUSE): _S.REFUSED,
    (_S.SENDING, _E.CLOSE): _S.RETRYING,
    (_S.SENDING, _E.EXPIRE): _S.EXPIRED,
    (_S.SENDING, _E.RECOVER): _S.RETRYING,
    (_S.RETRYING, _E.BEGIN): _S.SENDING,
    (_S.RETRYING, _E.ACCEPT): _S.ACCEPTED,
    (_S.RETRYING, _E.REFUSE): _S.REFUSED,
    (_S.RETRYING, _E.EXPIRE): _S.EXPIRED,
    (_S.RETRYING, _E.SUPERSEDE): _S.SUPERSEDED,
    (_S.COMMITTED, _E.ACCEPT): _S.ACCEPTED,
    (_S.COMMITTED, _E.TRY_AGAIN): _S.RETRYING,
    (_S.COMMITTED, _E.REFUSE): _S.REFUSED,
    (_S.COMMITTED, _E.LAPSE): _S.ACCEPTED,
    (_S.COMMITTED, _E.EXPIRE): _S.EXPIRED,
    (_S.ACCEPTED, _E.TAKE_BACK): _S.REFUSED,
    (_S.REFUSED, _E.SEND_AGAIN): _S.QUEUED,
    (_S.REFUSED, _E.SUPERSEDE): _S.SUPERSEDED,
    (_S.REFUSED, _E.DISCARD): _S.DISCARDED,
    (_S.EXPIRED, _E.ACCEPT): _S.ACCEPTED,
    (_S.EXPIRED, _E.REFUSE): _S.REFUSED,
    (_S.EXPIRED, _E.SEND_AGAIN): _S.QUEUED,
    (_S.EXPIRED, _E.SUPERSEDE): _S.SUPERSEDED,
    (_S.EXPIRED, _E.DISCARD): _S.DISCARDED,
    (_S.UNBORN, _E.RESTORE): _S.UNMADE,
    (_S.QUEUED, _E.RESTORE): _S.UNSURE,
    (_S.SENDING, _E.RESTORE): _S.UNSURE,
    (_S.RETRYING, _E.RESTORE): _S.UNSURE,
    (_S.COMMITTED, _E.RESTORE): _S.UNSURE,
    (_S.UNSURE, _E.SEND_AGAIN): _S.QUEUED,
    (_S.UNSURE, _E.DISCARD): _S.DISCARDED,
    (_S.UNMADE, _E.SEND_AGAIN): _S.UNBORN,
    (_S.UNMADE, _E.DISCARD): _S.DISCARDED,
}

# Open deliveries hold their lane; a stopped or ended one lets the lane go on (ARCHITECTURE rule 5).
OPEN_DELIVERY: frozenset[DeliveryState] = frozenset({_S.UNBORN, _S.QUEUED, _S.SENDING, _S.RETRYING, _S.COMMITTED})
STOPPED_DELIVERY: frozenset[DeliveryState] = frozenset({_S.REFUSED, _S.EXPIRED, _S.UNSURE, _S.UNMADE})
# What a later version of the same result need not wait for any more; one that stopped waits for a person first (ARCHITECTURE rule 5).
OVER_DELIVERY: frozenset[DeliveryState] = frozenset({_S.ACCEPTED, _S.SUPERSEDED, _S.DISCARDED})
# What a late answer may still settle, matched by control ID: nobody has decided about these, and the receiver has not either.
UNSETTLED_DELIVERY: frozenset[DeliveryState] = frozenset({_S.RETRYING, _S.COMMITTED, _S.EXPIRED})


def step(state: DeliveryState, event: DeliveryEvent) -> DeliveryState:
    """Give the state after ``event``.

    Raises ValueError for a pair that must not happen; that is a defect, never a receiver's doing.
    """
    try:
        return DELIVERY_STEPS[state, event]
    except KeyError:
        raise ValueError(f"a delivery that is {state.value} cannot meet: {event.value}") from None


class StopGroup(StrEnum):
    """The three groups of the rejected-messages page."""

    HELD = "held"
    REJECTED = "rejected"
    REFUSED = "refused"


class StopState(StrEnum):
    """An open stop waits for a person; a closed one keeps who ended it and why."""

    OPEN = "open"
    CLOSED = "closed"


class StopEnd(StrEnum):
    """How a named person closed a stop.

    Three things close one without a person, and say so: the same capture read again (READ_AGAIN), ANSWERED_LATE, and REPLACED.
    """

    ID_CORRECTED = "patient ID corrected"
    TIME_CORRECTED = "time corrected"
    RELEASED = "released"
    DISCARDED = "discarded"
    SENT_AGAIN = "sent again"
    READ_AGAIN = "read again"


class SpecimenNext(StrEnum):
    """What becomes of the specimen of a patient's strip that is discarded. ``NONE``: its result stands by another strip, or it was nobody's."""

    RUN_AGAIN = "run again"
    COLLECT_AGAIN = "collected again"
    ORDER_CANCELLED = "order cancelled"
    NONE = "nothing to do"


REPLACED = "replaced by a later version"  # how a stop ends whose message a later version of the result takes the place of
ANSWERED_LATE = "answered by the receiver"  # how a stop for want of an answer ends when the answer comes after all


class DestinationState(StrEnum):
    """``shut``: its message plan fails its checks, or it is live and its tables are not signed, or what it needs to be reached cannot be used; ``closed``: the receiver's door is closed; ``resting``: it gives nobody an answer; ``paused``: a person wants nothing sent to it."""

    OPEN = "open"
    CLOSED = "closed"
    RESTING = "resting"
    SHUT = "shut"
    PAUSED = "paused"
