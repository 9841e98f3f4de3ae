"""Which lanes go next where more could than may: the urgent first, and nobody for ever last."""

from __future__ import annotations

from collections import deque
from collections.abc import Sequence
from dataclasses import dataclass

# ours: seven messages that a receiver chokes on keep nobody out, and no more than eight are given up in a day without answers
ASKERS = 8
# ours: an eighth of what a receiver takes keeps routine results moving through any flood of STAT, and costs a STAT one message's time
ROUTINE_TURN = 8


@dataclass(frozen=True, kw_only=True, slots=True)
class Waiting:
    """Heads of lanes that could go now, by delivery id: those not tried yet oldest first, those due again longest due first.

    Urgent are those in whose lane a STAT message waits.
    """

    urgent_untried: Sequence[int] = ()
    urgent_retries: Sequence[int] = ()
    untried: Sequence[int] = ()
    retries: Sequence[int] = ()


def choose(waiting: Waiting, *, turn: int, limit: int) -> tuple[int, ...]:
    """Give up to ``limit`` of them in the order of their choice; ``turn`` counts the choices that were made before.

    Urgent ones come first, but each eighth turn is a routine lane's where one waits. Among equals turns go to and fro between lanes that
    were tried before and lanes that were not: a hundred that meet time-outs hold up nobody else.
    """
    urgent = deque(waiting.urgent_retries), deque(waiting.urgent_untried)
    routine = deque(waiting.retries), deque(waiting.untried)
    chosen: list[int] = []
    while len(chosen) < limit:
        now = turn + len(chosen)
        groups = (routine, urgent) if now % ROUTINE_TURN == ROUTINE_TURN - 1 else (urgent, routine)
        untried_first = (now + now // ROUTINE_TURN) % 2  # so that a routine lane's turns go to and fro as well
        lanes = next((lane for group in groups for lane in (group[::-1] if untried_first else group) if lane), None)
        if lanes is None:
            break
        chosen.append(lanes.popleft())
    return tuple(chosen)


@dataclass(frozen=True, kw_only=True, slots=True)
class Asker:
    """A head that could ask a receiver that gives nobody an answer."""

    delivery_id: int
    is_urgent: bool
    is_tried: bool


def who_asks(heads: Sequence[Asker], asked: Sequence[int]) -> int:
    """Give whose turn it is to ask, one at a time; ``heads`` in the order of their lanes, ``asked`` who asked before, the latest last.

    A STAT that has not been tried asks at once. Else a few take turns: whoever is tried is given up after a while, and in a long
    outage that must not be all. Raises ValueError where there is none.
    """
    fresh = next((head.delivery_id for head in heads if head.is_urgent and not head.is_tried), None)
    if fresh is not None:
        return fresh
    askers = sorted(heads, key=lambda head: not head.is_tried)[:ASKERS]
    places = {delivery_id: place for place, delivery_id in enumerate(asked, start=1)}
    return min(askers, key=lambda head: places.get(head.delivery_id, 0)).delivery_id
