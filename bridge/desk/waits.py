"""What waits for which cause, added up from what the store counts: for Today, and for the digest of a shift. No I/O of its own."""

from __future__ import annotations

from collections import Counter
from collections.abc import Collection, Iterable, Iterator
from dataclasses import dataclass
from datetime import UTC, datetime
from enum import StrEnum

from bridge.lifecycle.states import DestinationState, StopGroup
from bridge.signals.causes import Standing
from bridge.store.rows import DestinationRow, StopCount


class Awaits(StrEnum):
    """What something waits for, the most urgent first."""

    DECISION = "decision"
    REMEDY = "remedy"
    RECEIVER_SAID_NO = "receiver said no"
    CONTROLS = "controls"
    CLOSED = "closed receiver"
    PAUSED = "paused receiver"
    TURN = "turn"


_LAST = datetime.max.replace(tzinfo=UTC)
OF_GROUP = {
    StopGroup.HELD: Awaits.DECISION,
    StopGroup.REJECTED: Awaits.REMEDY,
    StopGroup.REFUSED: Awaits.RECEIVER_SAID_NO,
}


@dataclass(frozen=True, kw_only=True, slots=True)
class Pile:
    """Everything that waits for one cause: how much, and since when the oldest does (aware, UTC; None where that is not known).

    ``rule`` is the reason of what is stopped, else ""; ``of`` the receiver or the analyzer that it waits for, "" for none. ``owners`` counts what people
    have taken, by name, "" for what nobody has; empty where nobody can take it.
    """

    awaits: Awaits
    rule: str = ""
    of: str = ""
    count: int
    oldest: datetime | None
    owners: tuple[tuple[str, int], ...] = ()

    @property
    def free(self) -> int:
        """Count what nobody has taken."""
        return dict(self.owners).get("", 0)


def piles(
    stopped: Iterable[StopCount], for_controls: Iterable[Standing], queues: Iterable[DestinationRow], *, paused: Collection[str]
) -> tuple[Pile, ...]:
    """Add up what waits, by cause: what a person must decide about first, then what waits for an event; of each the oldest first."""
    found = (*_stopped(stopped), *_for_controls(for_controls), *_queued(queues, paused))
    order = {awaits: place for place, awaits in enumerate(Awaits)}
    return tuple(sorted(found, key=lambda pile: (order[pile.awaits], pile.oldest or _LAST, pile.rule, pile.of)))


def _stopped(stopped: Iterable[StopCount]) -> Iterator[Pile]:
    alike: dict[tuple[Awaits, str, str], list[StopCount]] = {}
    for each in stopped:
        alike.setdefault((OF_GROUP[each.group], each.rule, each.destination), []).append(each)
    for (awaits, rule, of), its in alike.items():
        owners = Counter[str]()
        for each in its:
            owners[each.owner] += each.count
        yield Pile(
            awaits=awaits, rule=rule, of=of, count=owners.total(), oldest=min(each.oldest for each in its),
            owners=tuple(sorted(owners.items())),
        )  # fmt: skip


def _for_controls(found: Iterable[Standing]) -> Iterator[Pile]:
    return (Pile(awaits=Awaits.CONTROLS, of=each.name, count=each.count, oldest=each.since) for each in found)


def _queued(queues: Iterable[DestinationRow], paused: Collection[str]) -> Iterator[Pile]:
    for row in queues:
        if row.waiting:
            is_closed = row.state is not DestinationState.OPEN
            awaits = Awaits.PAUSED if row.name in paused else Awaits.CLOSED if is_closed else Awaits.TURN
            yield Pile(awaits=awaits, of=row.name, count=row.waiting, oldest=row.oldest)
