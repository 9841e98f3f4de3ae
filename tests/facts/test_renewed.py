"""What is kept in memory for judging: how old it may be, and what a failed read leaves."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import pytest

from bridge.errors import StoreAway
from bridge.facts.renewed import AS_LONG, Renewed

NOON = datetime(2026, 11, 27, 12, tzinfo=UTC)


class Source:
    """Something to read, and a clock."""

    def __init__(self) -> None:
        self.now = NOON
        self.entered = "one"
        self.is_away = False
        self.reads = 0
        self.kept = Renewed(self.read, lambda: self.now)

    def read(self, now: datetime) -> str:
        """Give what is entered now."""
        assert now == self.now
        self.reads += 1
        if self.is_away:
            raise StoreAway("The database cannot be reached.")
        return self.entered


def test_it_is_read_again_after_five_seconds_and_when_the_clock_was_set() -> None:
    """Five seconds of ours, either way."""
    source = Source()
    assert timedelta(seconds=5) == AS_LONG
    assert [source.kept.value(), source.kept.value(), source.reads] == ["one", "one", 1]
    source.entered = "two"
    source.now += timedelta(seconds=4.9)
    assert source.kept.value() == "one"
    source.now += timedelta(seconds=0.1)
    assert source.kept.value() == "two"
    source.entered = "three"
    source.now -= timedelta(days=1)
    assert source.kept.value() == "three"


def test_what_was_forgotten_is_read_at_once() -> None:
    """News of this process need not wait."""
    source = Source()
    assert source.kept.value() == "one"
    source.entered = "two"
    source.kept.forget()
    assert source.kept.value() == "two"


def test_a_read_that_failed_leaves_nothing_to_judge_by() -> None:
    """HZ-K07: with the store away a strip is not judged as if nothing were registered; it is tried again."""
    source = Source()
    source.is_away = True
    for _ in range(2):
        with pytest.raises(StoreAway):
            source.kept.value()
    source.is_away = False
    assert source.kept.value() == "one"


def test_what_is_forgotten_while_it_is_read_is_not_kept() -> None:
    """The read may have been before what was entered."""
    source = Source()
    kept = source.kept

    def read(now: datetime) -> str:
        found = source.read(now)
        if source.reads == 1:
            source.entered = "two"
            kept.forget()
        return found

    kept._read = read  # the moment between reading and keeping
    assert [kept.value(), kept.value()] == ["one", "two"]
