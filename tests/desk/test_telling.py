"""On which terms a critical result is written down as told, and closed."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from datetime import timedelta
from pathlib import Path
from typing import Any

import pytest

from bridge.bench.telling import Means, Said, TellingState, TellingStep
from bridge.desk.telling import Call, TellingDesk
from bridge.errors import Overtaken, RefusedAction
from bridge.lifecycle.states import StopEnd
from bridge.model import Actor
from tests.pages.stocked import LISBON, NOW, Stocked
from tests.store import strips as s
from tests.store.telling_contract import ONCE

ANA, BEN = Actor(name=" Ana ", verified="unverified"), Actor(name="Ben", verified="unverified")
CALL = Call(step=TellingStep.TOLD, name="N. Ito", role="nurse", means=Means.TELEPHONE)


@pytest.fixture
def shelf(tmp_path: Path) -> Iterator[Stocked]:
    """Give a real store with one critical strip, which arrived at noon."""
    stocked = Stocked(tmp_path)
    stocked.held(tell=ONCE)
    yield stocked
    stocked.close()


def desk(shelf: Stocked) -> TellingDesk:
    return TellingDesk(shelf.store, LISBON, lambda: shelf.now)


@pytest.mark.parametrize(
    ("more", "actor", "sentence"),
    [
        ({}, Actor(name=" ", verified="unverified"), "Say who you are: the name is kept with what you do."),
        ({"name": " "}, ANA, "Give the name of whom you told, and what they are: nurse, doctor, midwife."),
        ({"role": ""}, ANA, "Give the name of whom you told, and what they are: nurse, doctor, midwife."),
        ({"means": None}, ANA, "Say how: by telephone, in person or by message."),
        ({"step": TellingStep.CLOSED}, ANA, "Say whether it was told and read back, told and not read back, or whether nobody was reached."),
        ({"step": TellingStep.PASSED_ON}, ANA, "Say whether it was told and read back, told and not read back, or whether nobody was reached."),
        ({"day": "2026-11-25"}, ANA, "Give the time too, or leave the date empty if it was now."),
        ({"clock": "noon"}, ANA, "This is not a date and a time. Write the date as 2026-11-25 and the time as 13:05."),
        ({"clock": "12:01"}, ANA, "At this time it cannot have been: it lies ahead, or before there was this to tell. Look at the date and time."),
        ({"clock": "11:59", "day": "2026-11-24"}, ANA, "At this time it cannot have been: it lies ahead, or before there was this to tell. Look at the date and time."),
    ],
)  # fmt: skip
def test_nothing_may_be_left_out(shelf: Stocked, more: dict[str, Any], actor: Actor, sentence: str) -> None:
    """HZ-I01: who told whom, what they are, how and when: an entry with an empty field is no entry, and nothing is kept of it."""
    with pytest.raises(RefusedAction) as refused:
        desk(shelf).write(1, replace(CALL, **more), steps=1, actor=actor)
    assert str(refused.value) == sentence
    (task,) = shelf.store.tellings_open()
    assert len(task.history) == 1


def test_told_and_closed(shelf: Stocked) -> None:
    """HZ-I01: a try without success, then told by the clock on the wall; a task that is read back is closed by a person."""
    at = desk(shelf)
    shelf.now = NOW + timedelta(minutes=9, seconds=30)
    at.write(1, replace(CALL, step=TellingStep.NOT_REACHED, role="", remark=" engaged "), steps=1, actor=BEN)
    with pytest.raises(RefusedAction, match="Nobody has read this back yet"):
        at.close(1, steps=2, actor=ANA)
    at.write(1, replace(CALL, clock="12:07"), steps=2, actor=ANA)
    at.close(1, steps=3, actor=ANA)
    (task,) = shelf.store.tellings_closed()
    tried, told, closed = task.history[1:]
    assert tried.said == Said(step=TellingStep.NOT_REACHED, name="N. Ito", means=Means.TELEPHONE, reason="engaged")
    assert told.said == Said(
        step=TellingStep.TOLD, name="N. Ito", role="nurse", means=Means.TELEPHONE, done_at=NOW + timedelta(minutes=7)
    )
    assert [(each.actor, each.verified) for each in (tried, told, closed)] == [
        ("Ben", "unverified"),
        ("Ana", "unverified"),
        ("Ana", "unverified"),
    ]


def test_somebody_told_from_the_slip_before_the_strip_came_in(shelf: Stocked) -> None:
    """Up to a day before it arrived with a batch; of the very minute a wall clock shows the beginning."""
    desk(shelf).write(1, replace(CALL, clock="12:00", day="2026-11-24"), steps=1, actor=ANA)
    (task,) = shelf.store.tellings_open()
    assert task.task.told_at == NOW - timedelta(days=1)


def test_what_was_told_before_it_changed_is_not_told_again_by_that(shelf: Stocked) -> None:
    """HZ-I01: after a change the first call does not count, whatever time is written down."""
    at = desk(shelf)
    at.write(1, CALL, steps=1, actor=ANA)
    (stop,) = shelf.store.stops()
    shelf.now = NOW + timedelta(minutes=30)
    s.close(shelf.store, stop.stop_id, StopEnd.DISCARDED, at=shelf.now)
    with pytest.raises(RefusedAction, match="cannot have been"):
        at.write(1, replace(CALL, clock="12:29"), steps=3, actor=ANA)
    at.write(1, replace(CALL, clock="12:30"), steps=3, actor=ANA)
    (task,) = shelf.store.tellings_open()
    assert task.task.state is TellingState.TOLD


@pytest.mark.parametrize(
    ("agreed_by", "reason", "sentence"),
    [
        ("Ben", " ", "Give a reason: it is kept with what you do."),
        (" ", "the specimen was spilt", "Give the name of a second person who agrees that nobody is to be told."),
        (" aNA", "the specimen was spilt", "The second person must be another one than you."),
    ],
)
def test_without_telling_it_takes_two_and_a_reason(shelf: Stocked, agreed_by: str, reason: str, sentence: str) -> None:
    """HZ-I01: no way around the call but one that says so, by two names."""
    with pytest.raises(RefusedAction) as refused:
        desk(shelf).close_untold(1, steps=1, agreed_by=agreed_by, reason=reason, actor=ANA)
    assert str(refused.value) == sentence
    desk(shelf).close_untold(1, steps=1, agreed_by="Ben", reason="the specimen was spilt", actor=ANA)
    (task,) = shelf.store.tellings_closed()
    assert task.history[-1].said == Said(step=TellingStep.CLOSED_UNTOLD, name="Ben", reason="the specimen was spilt")


def test_who_comes_second_is_told_by_whom(shelf: Stocked) -> None:
    """Two people at one row: the second hears who was quicker, and calls nobody twice."""
    at = desk(shelf)
    at.write(1, CALL, steps=1, actor=BEN)
    with pytest.raises(Overtaken) as overtaken:
        at.write(1, CALL, steps=1, actor=ANA)
    assert str(overtaken.value) == "Ben has written down meanwhile: told and read back. Look at it again."
    with pytest.raises(RefusedAction, match="There is no such task"):
        at.close(9, steps=1, actor=ANA)
