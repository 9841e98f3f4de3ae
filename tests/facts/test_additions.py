"""What a coded strip waits for, over real judging."""

from __future__ import annotations

import asyncio
from collections.abc import Iterator
from dataclasses import replace
from datetime import timedelta
from pathlib import Path

import pytest

from bridge.added import Addable
from bridge.facts.additions import added_write, still_asked, without_messages
from bridge.judging import Ids, Judging
from bridge.lifecycle.states import StopEnd
from bridge.model import Coded, DeliveryState, Finding, Priority, Severity
from bridge.plan_book import PlanBook
from bridge.store.addition_commands import AddedWrite, EndAwaiting
from bridge.store.sqlite import SqliteStore
from tests.judging_for_tests import NOW, ORU, kept, now, strip
from tests.render.results_for_tests import NORMAL, checked, normal_result
from tests.store import strips as s
from tests.tables.additions_for_tests import TERMS, YELLOW, asking
from tests.tables.shipped_tables import tables


@pytest.fixture
def store(tmp_path: Path) -> Iterator[SqliteStore]:
    opened = SqliteStore(tmp_path / "store", now=now)
    yield opened
    opened.close()


def outcome(priority: Priority = Priority.ROUTINE, *, analyzer: str = "bench-b") -> Coded:
    return Coded(checked=checked(NORMAL), result=replace(normal_result(), analyzer=analyzer, priority=priority))


def test_a_routine_strip_waits_and_an_urgent_one_hurries() -> None:
    """From when it could go; one of an analyzer that nobody adds to waits for nothing."""
    assert added_write(outcome(), asking(), NOW) == AddedWrite(
        asks=tuple(Addable), due_at=NOW + timedelta(minutes=10), holds=False, hurries=False
    )
    urgent = AddedWrite(asks=(), due_at=NOW, holds=False, hurries=True)
    assert added_write(outcome(Priority.STAT), asking(), NOW) == urgent
    assert added_write(outcome(Priority.STAT, analyzer="bench-a"), asking(), NOW) == urgent
    assert added_write(outcome(analyzer="bench-a"), asking(), NOW) is None
    slow = asking(replace(TERMS, stat_minutes=2, holds=True))
    assert added_write(outcome(Priority.STAT), slow, NOW) == AddedWrite(
        asks=tuple(Addable), due_at=NOW + timedelta(minutes=2), holds=True, hurries=True
    )
    assert added_write(s.held(s.reading()), asking(), NOW) is None


def test_what_was_answered_is_not_asked_for_again() -> None:
    """Nor is anything where a person let the strip go without."""
    answered = replace(outcome(), result=replace(outcome().result, additions=(YELLOW,)))
    assert still_asked(answered, asking()) == (Addable.CLARITY, Addable.SPECIMEN_TYPE)
    note = Finding(rule="addition.missing", severity=Severity.NOTE, sentence="s", remedy="r")
    assert still_asked(replace(outcome(), findings=(note,)), asking()) == ()


def test_judging_leaves_the_messages_unborn_and_begins_no_try(store: SqliteStore) -> None:
    """Of a strip that waits; where nobody asks, its message is made with it."""
    for each in (asking(), tables()):
        writers = PlanBook([ORU], ["tern"], each)
        writers.passed(ORU.name)
        store.submit(kept(strip(1 if each is tables() else 2))).result(20)
        judging = Judging(store, each, writers, Ids(store), now, profiles={"drops": "tern"})
        assert asyncio.run(judging.work_off("bench-b")) == 1
    (row,) = store.awaited()
    assert row.strip.number == "2"
    assert {each.state for each in store.deliveries(row.result_id)} == {DeliveryState.UNBORN}
    others = [each for each in store.results(limit=9) if each.result_id != row.result_id]
    assert [state for each in others for _, state in each.states] == [DeliveryState.QUEUED]
    assert without_messages(()) == ()


def test_one_that_nobody_added_to_in_time_is_held_and_goes_without_once_released(store: SqliteStore) -> None:
    """Judged again, it stands among the stops; a person lets it go, and it waits for nothing more."""
    each = asking(replace(TERMS, holds=True))
    writers = PlanBook([ORU], ["tern"], each)
    writers.passed(ORU.name)
    judging = Judging(store, each, writers, Ids(store), now, profiles={"drops": "tern"})
    store.submit(kept(strip(1))).result(20)
    assert asyncio.run(judging.work_off("bench-b")) == 1
    assert store.submit(EndAwaiting(at=NOW + timedelta(minutes=10))).result(20) == 1
    assert asyncio.run(judging.work_off("bench-b")) == 1
    (stop,) = store.stops()
    assert (stop.rule, stop.releasable) == ("addition.missing", True)
    s.close(store, stop.stop_id, StopEnd.RELEASED, accept_rules=frozenset(stop.rules))
    assert asyncio.run(judging.work_off("bench-b")) == 1
    (result,) = store.results(limit=9)
    assert [state for _, state in result.states] == [DeliveryState.QUEUED]
    assert store.awaited() == ()
