"""What waits is added up by its cause, the most urgent cause first and in each the oldest."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

from bridge.desk.waits import Awaits, Pile, piles
from bridge.lifecycle.states import DestinationState, StopGroup
from bridge.signals.causes import Standing
from bridge.store.rows import DestinationRow, StopCount

NOW = datetime(2026, 11, 25, 12, 0, tzinfo=UTC)


def ago(minutes: int) -> datetime:
    return NOW - timedelta(minutes=minutes)


def stopped(
    count: int, rule: str, minutes: int, group: StopGroup = StopGroup.HELD, *, to: str = "", owner: str = ""
) -> StopCount:
    return StopCount(
        group=group, rule=rule, analyzer="bench-a", destination=to, owner=owner, age=0, count=count, oldest=ago(minutes)
    )


def queue(name: str, waiting: int, state: DestinationState = DestinationState.OPEN) -> DestinationRow:
    return DestinationRow(
        name=name, state=state, reason="", since=None, waiting=waiting, oldest=ago(7) if waiting else None, accepted=0, refused=0
    )


def test_piles_of_one_cause_are_one_whoever_has_them() -> None:
    """Counts, the oldest of all, and whose they are; ages and analyzers part nothing here."""
    found = piles(
        (stopped(3, "copy.possible", 5), stopped(2, "copy.possible", 90, owner="Ana"), stopped(1, "time.missing", 200)),
        (), (), paused=(),
    )  # fmt: skip
    assert found == (
        Pile(awaits=Awaits.DECISION, rule="time.missing", count=1, oldest=ago(200), owners=(("", 1),)),
        Pile(awaits=Awaits.DECISION, rule="copy.possible", count=5, oldest=ago(90), owners=(("", 3), ("Ana", 2))),
    )
    assert [pile.free for pile in found] == [1, 3]


def test_every_cause_has_its_place() -> None:
    """What a person decides about stands before what waits for an event; an empty queue is no pile, a pause comes before a closed door."""
    found = piles(
        (
            stopped(1, "deliver.refused", 1, StopGroup.REFUSED, to="records"),
            stopped(1, "deliver.refused", 2, StopGroup.REFUSED, to="ward"),
            stopped(1, "patient.malformed", 3, StopGroup.REJECTED),
            stopped(1, "copy.possible", 4),
        ),
        (Standing(name="bench-a", count=6, since=ago(60)),),
        (
            queue("open", 1), queue("empty", 0, DestinationState.CLOSED), queue("closed", 2, DestinationState.CLOSED),
            queue("paused", 3, DestinationState.CLOSED),
        ),
        paused={"paused"},
    )  # fmt: skip
    assert [(pile.awaits, pile.of, pile.count) for pile in found] == [
        (Awaits.DECISION, "", 1),
        (Awaits.REMEDY, "", 1),
        (Awaits.RECEIVER_SAID_NO, "ward", 1),
        (Awaits.RECEIVER_SAID_NO, "records", 1),
        (Awaits.CONTROLS, "bench-a", 6),
        (Awaits.CLOSED, "closed", 2),
        (Awaits.PAUSED, "paused", 3),
        (Awaits.TURN, "open", 1),
    ]
    assert [pile.free for pile in found[4:]] == [0, 0, 0, 0]
