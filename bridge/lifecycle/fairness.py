"""Which lanes go next where more could than may: the urgent first, and nobody for ever last."""

from __future__ import annotations

from collections import deque
from collections.abc import Sequence
from dataclasses import dataclass

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
