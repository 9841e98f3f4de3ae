"""On which terms something is said of an analyzer."""

from __future__ import annotations

from datetime import timedelta
from typing import Any

import pytest

from bridge.bench.analyzer_life import LifeEvent
from bridge.desk.analyzer_life import LifeDesk
from bridge.errors import Overtaken, RefusedAction
from bridge.model import Actor
from tests.pages.stocked import NOW, Stocked
from tests.tables.shipped_tables import tables

WHO = Actor(name="Ben", verified="unverified")
E = LifeEvent


def desk(shelf: Stocked) -> LifeDesk:
    """Give the desk of a site with the shipped tables."""
    return LifeDesk(shelf.store, tables(), shelf.zone, lambda: shelf.now)


@pytest.mark.parametrize(
    ("what", "more", "sentence"),
    [
        (E.OUT, {"reason": "lamp", "actor": Actor(name=" ", verified="unverified")}, "Say who you are"),
        (E.OUT, {"reason": "lamp", "analyzer": " "}, "Choose the analyzer."),
        (E.OUT, {"reason": " "}, "Give a reason"),
        (E.REPLACED, {"text": "8"}, "Give a reason"),
        (E.FAILED, {}, "Give a reason"),
        (E.ERROR, {}, "Give the error code as the analyzer shows it."),
        (E.SERIAL, {"text": " "}, "Give the serial number as the analyzer prints or sends it."),
        (E.SERIAL, {"text": "8" * 41}, "at most 40 characters"),
        (E.SERIAL, {"text": "8\x1b"}, "Give the code or number as it is shown"),
        (E.STRIP_TYPE, {"text": "paper"}, "Choose the strip type that is set on the analyzer."),
        (E.PASSED, {"text": "8"}, "Only an error code, a strip type or a serial number is given here."),
        (E.PASSED, {"done": "2026-11-25T13:00"}, "This time is still to come."),
    ],
)
def test_what_cannot_stand_is_refused(shelf: Stocked, what: LifeEvent, more: dict[str, Any], sentence: str) -> None:
    """In words, and nothing is kept."""
    given = {"analyzer": "bench-a", "actor": WHO, **more}
    with pytest.raises(RefusedAction) as caught:
        desk(shelf).say(given.pop("analyzer"), what, **given)
    assert sentence in str(caught.value)
    assert shelf.store.life_events(since=NOW - timedelta(days=9)) == ()


def test_it_is_kept_as_it_was_said(shelf: Stocked) -> None:
    """When it happened, by the clock on the wall; it is taken out once."""
    desk(shelf).say("bench-a", E.OUT, reason=" lamp ", done="2026-11-25T11:00", actor=WHO)
    desk(shelf).say("bench-a", E.STRIP_TYPE, text="quill-10", actor=WHO)
    with pytest.raises(Overtaken):
        desk(shelf).say("bench-a", E.OUT, reason="again", actor=WHO)
    out, confirmed = (each.happened for each in shelf.store.life_events(since=NOW - timedelta(days=1)))
    assert (out.at, out.reason) == (NOW - timedelta(hours=1), "lamp")
    assert (confirmed.what, confirmed.text, confirmed.at) == (E.STRIP_TYPE, "quill-10", NOW)


@pytest.mark.parametrize(
    ("more", "sentence"),
    [
        ({"actor": Actor(name=" ", verified="unverified")}, "Say who you are"),
        ({"analyzer": " "}, "Choose the analyzer."),
        ({"run": E.OUT}, "Choose training, proficiency or comparison."),
        ({"reason": " "}, "Give a reason"),
        ({"second": " "}, "A second person has to agree"),
        ({"second": "ben"}, "The second person must be another one than you."),
        ({"until": ""}, "Give the day and time at which it ends by itself."),
        ({"until": "2026-11-25T12:00"}, "Give an end that is to come, at most 8 hours from now."),
        ({"until": "2026-11-25T20:01"}, "Give an end that is to come, at most 8 hours from now."),
    ],
)
def test_what_cannot_be_declared_is_refused(shelf: Stocked, more: dict[str, Any], sentence: str) -> None:
    """Two persons, from now on, a shift at most. It is twelve o'clock."""
    given: dict[str, Any] = {
        "analyzer": "bench-a",
        "run": E.TRAINING,
        "until": "2026-11-25T14:00",
        "reason": "course",
        "second": "Ana",
        "actor": WHO,
    }
    given |= more
    with pytest.raises(RefusedAction, match=sentence):
        desk(shelf).declare(given.pop("analyzer"), given.pop("run"), **given)
    assert shelf.store.life_events(since=NOW) == ()


def test_both_names_are_kept_with_what_is_declared(shelf: Stocked) -> None:
    """HZ-K07: a shift at most; each person has an event of their own. It is not said without an end."""
    made = desk(shelf).declare(" bench-a ", E.TRAINING, until="2026-11-25T20:00", reason=" course ", second=" Ana ", actor=WHO)
    (kept,) = shelf.store.life_events(since=NOW)
    assert (kept.happened.analyzer, kept.happened.at, kept.happened.until) == ("bench-a", NOW, NOW + timedelta(hours=8))
    assert (kept.happened.reason, kept.entered_by) == ("course (agreed by Ana)", "Ben")
    told = [(event.actor, event.what, event.after) for event in shelf.store.events(f"analyzer_event:{made}")]
    assert sorted(told) == [("Ana", "analyzer.agreed", "training is run"), ("Ben", "analyzer.life", "training is run")]
    with pytest.raises(RefusedAction, match="Declare it with its end"):
        desk(shelf).say("bench-a", E.TRAINING, actor=WHO)
