"""Who hears of what, and how a word begins."""

from __future__ import annotations

from datetime import UTC, datetime, time

import pytest

from bridge.signals.hours import EVERY_DAY, Hours
from bridge.signals.kinds import Kind
from bridge.signals.machine import What
from bridge.signals.told import DIGEST, PREFIXES, TEST, Audience, Told

NIGHT = Hours(days=EVERY_DAY, start=time(22), end=time(6))
NOW = datetime(2026, 11, 27, 8, 0, tzinfo=UTC)


def test_quiet_hours_spare_nobody_from_what_is_urgent() -> None:
    """A STAT strip that is stuck is told of at night; a certificate waits for the morning."""
    way = Audience(way="mail", quiet=NIGHT)
    assert [kind for kind in Kind if not way.is_spared(kind)] == [Kind.TELLING, Kind.STAT, Kind.STORE, Kind.EMERGENCY]
    assert not Audience(way="mail").is_spared(Kind.ROOM)


def test_a_way_hears_of_its_kinds() -> None:
    """None named: all."""
    way = Audience(way="mail", kinds=frozenset({Kind.ROOM}))
    assert (way.hears(Kind.ROOM), way.hears(Kind.STAT), Audience(way="mail").hears(Kind.STAT)) == (True, False, True)


@pytest.mark.parametrize(
    ("what", "subject"),
    [(What.OPENED, "x"), (What.REPEATED, "Still: x"), (What.ENDED, "Over: x"), (TEST, "Test: x"), (DIGEST, "Digest: x")],
)
def test_a_word_says_what_it_is(what: str, subject: str) -> None:
    """Somebody who is woken sees at once that it is over, or only a test."""
    told = Told(identity="i", thread="t", what=what, headline="x", text="y", at=NOW)
    assert told.subject == subject
    assert set(PREFIXES) == {*What, TEST, DIGEST}
