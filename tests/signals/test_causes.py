"""From what was seen to causes: each by its own limit, to the second."""

from __future__ import annotations

from datetime import UTC, datetime, time, timedelta
from zoneinfo import ZoneInfo

from bridge.signals.causes import Limits, Receiver, Seen, Standing, Stuck, causes
from bridge.signals.hours import Hours
from bridge.signals.kinds import Cause, Kind

NOW = datetime(2026, 11, 27, 10, 0, tzinfo=UTC)  # a Friday
WEEK = Hours(days=frozenset(range(5)), start=time(7), end=time(19))
LIMITS = Limits(
    receiver=timedelta(minutes=5),
    waiting=timedelta(minutes=60),
    stat=timedelta(minutes=10),
    rejected=timedelta(hours=4),
    controls=timedelta(minutes=30),
    silent=timedelta(hours=2),
    opening=(WEEK,),
    zone=ZoneInfo("Europe/Lisbon"),
)


def ago(minutes: float) -> datetime:
    """Give the moment so many minutes before NOW."""
    return NOW - timedelta(minutes=minutes)


def found(seen: Seen, now: datetime = NOW) -> list[Cause]:
    """Give the causes."""
    return list(causes(seen, LIMITS, now=now))


def test_a_receiver_is_down_after_its_time() -> None:
    """What takes nothing for less than the limit is none yet; what waits is a cause of its own, also of one that is open. HZ-H01."""
    down = Receiver(name="records", down_since=ago(5), waiting=7, oldest=ago(5))
    slow = Receiver(name="chart", down_since=None, waiting=2, oldest=ago(60))
    young = Receiver(name="copy", down_since=ago(4.9), waiting=0, oldest=None)
    assert found(Seen(receivers=(slow, down, young))) == [
        Cause(kind=Kind.RECEIVER, subject="records", since=ago(5), count=7),
        Cause(kind=Kind.WAITING, subject="chart", since=ago(60), count=2),
    ]


def test_an_analyzer_is_silent_in_opening_hours_only() -> None:
    """Silence counts from the last strip or from the opening, whichever is later; by night and at the weekend it is no cause. HZ-F07."""
    seen = Seen(analyzers=(("bench-a", ago(120)), ("bench-b", ago(119)), ("bench-c", ago(60 * 24 * 9))))
    assert found(seen) == [
        Cause(kind=Kind.SILENT, subject="bench-c", since=NOW.replace(hour=7)),
        Cause(kind=Kind.SILENT, subject="bench-a", since=ago(120)),
    ]
    assert found(seen, NOW.replace(hour=8, minute=59)) == []
    assert found(seen, NOW.replace(hour=22)) == []
    assert found(seen, NOW + timedelta(days=1)) == []


def test_the_rest_is_told_as_it_was_found() -> None:
    """What nobody was told of first, then STAT, and how many rejected messages nobody worked on; the machine last."""
    seen = Seen(
        stat=(Stuck(subject="strip:9", since=ago(11)), Stuck(subject="stop:12", since=ago(30))),
        telling=(Stuck(subject="telling:3", since=ago(40)),),
        rejected=Standing(count=4, since=ago(300)),
        for_controls=(Standing(name="bench-a", count=3, since=ago(30)), Standing(name="bench-b", count=1, since=ago(29))),
        room_low_since=ago(1),
        history_broken_since=ago(3),
        opened=(Stuck(subject="envelope:2", since=ago(4)),),
        spent_since=ago(4),
        certificates=(("records", ago(2)),),
    )
    assert [(each.kind, each.subject, each.count) for each in found(seen)] == [
        (Kind.TELLING, "telling:3", 1),
        (Kind.STAT, "stop:12", 1),
        (Kind.STAT, "strip:9", 1),
        (Kind.EMERGENCY, "envelope:2", 1),
        (Kind.CONTROLS, "bench-a", 3),
        (Kind.REJECTED, "", 4),
        (Kind.HISTORY, "", 1),
        (Kind.ROOM, "", 1),
        (Kind.CERTIFICATE, "records", 1),
        (Kind.ENVELOPE, "", 1),
    ]
    assert found(Seen()) == []
