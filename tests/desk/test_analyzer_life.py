"""On which terms something is said of an analyzer."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import timedelta
from pathlib import Path
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


@pytest.fixture
def shelf(tmp_path: Path) -> Iterator[Stocked]:
    """Give a real, empty store."""
    stocked = Stocked(tmp_path)
    yield stocked
    stocked.close()


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
