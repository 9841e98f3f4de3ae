"""On which terms a person adds to a strip that waits."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from bridge.added import Addable
from bridge.desk.additions import LEFT_OUT, AdditionDesk, standing
from bridge.errors import Overtaken, RefusedAction, RejectError
from bridge.model import Actor, CodedResult, Severity
from bridge.store.addition_commands import EndAwaiting
from bridge.store.sqlite import SqliteStore
from tests.store import strips as s
from tests.store.addition_contract import known, one, unborn, waiting
from tests.store.strips import NOW, WAIT, later
from tests.tables.additions_for_tests import asking

ANA = Actor(name=" Ana ", verified="unverified")
SEEN = {Addable.COLOUR: "red", Addable.CLARITY: LEFT_OUT}


@pytest.fixture
def store(tmp_path: Path) -> Iterator[SqliteStore]:
    opened = SqliteStore(tmp_path / "store", now=lambda: NOW)
    yield opened
    opened.close()


@pytest.fixture
def desk(store: SqliteStore) -> AdditionDesk:
    return AdditionDesk(store, asking(), lambda: NOW, says=lambda _: None)


def test_what_was_seen_goes_with_the_result(store: SqliteStore, desk: AdditionDesk) -> None:
    """Every question needs its answer; "not said" is one."""
    waiting(store, "W1")
    row = one(store)
    assert standing(row) == ""
    for given in ({}, {Addable.COLOUR: "red"}, {**SEEN, Addable.COLOUR: "mauve"}):
        with pytest.raises(RefusedAction, match="Choose one for each"):
            desk.add(row.awaited_id, given, actor=ANA)
    with pytest.raises(RefusedAction, match="Say who you are"):
        desk.add(row.awaited_id, SEEN, actor=Actor(name=" ", verified="unverified"))
    desk.add(row.awaited_id, SEEN, actor=ANA)
    made = known(store, "W1")
    assert [pad.printed for pad in made.pads] == ["Red"]
    assert [(each.word, each.by) for each in made.additions] == [("red", "Ana"), ("", "Ana")]
    assert unborn(store) == ["W1"]


def test_once_it_is_over_the_sentence_says_how_and_what_to_do(store: SqliteStore, desk: AdditionDesk) -> None:
    """Added by another; gone without, which points to a correction; changed meanwhile."""
    waiting(store, "W1")
    waiting(store, "W2", patient="4712")
    first, second = store.awaited()
    desk.add(first.awaited_id, SEEN, actor=ANA)
    with pytest.raises(Overtaken, match="Ana has added to this strip already"):
        desk.add(first.awaited_id, SEEN, actor=Actor(name="Ben", verified="unverified"))
    store.submit(EndAwaiting(at=later(10))).result(WAIT)
    with pytest.raises(Overtaken, match="correct the result with a comment from its own page"):
        desk.add(second.awaited_id, SEEN, actor=ANA)
    told = [standing(row) for row in map(store.awaited_one, (first.awaited_id, second.awaited_id)) if row]
    assert told[0] == "Ana has added to this strip already. Look at the list again."
    assert told[1].startswith("Its time was over")
    with pytest.raises(RefusedAction, match="There is no such strip"):
        desk.add(99, SEEN, actor=ANA)


def test_what_a_receiver_cannot_be_told_is_not_kept(store: SqliteStore) -> None:
    """It is tried at every destination first."""

    def says(_: CodedResult) -> None:
        raise RejectError("render.unplanned", "It cannot be said.", remedy="Leave it out.")

    waiting(store, "W1")
    with pytest.raises(RefusedAction, match=r"It cannot be said\. Leave it out\."):
        AdditionDesk(store, asking(), lambda: NOW, says=says).add(1, SEEN, actor=ANA)
    assert one(store).state == "open"


def test_a_held_strip_takes_what_its_analyzer_is_asked_for(store: SqliteStore, desk: AdditionDesk) -> None:
    """Only where that is what it lacks."""
    for number, rule in (("1", "addition.missing"), ("2", "copy.possible")):
        of = s.reading(number, analyzer="bench-b")
        s.record(store, of, s.held(of, s.finding(rule, Severity.HOLD, releasable=True)))
    other, lacks = store.stops()
    assert (desk.asked_of(lacks), desk.asked_of(other)) == (tuple(Addable), ())
    with pytest.raises(RefusedAction, match="Nothing is to be added to this strip"):
        desk.add_to_held(other, SEEN, actor=ANA)
    desk.add_to_held(lacks, {**SEEN, Addable.SPECIMEN_TYPE: "catheter"}, actor=ANA)
    closed = store.stop(lacks.stop_id)
    assert closed is not None
    assert closed.closed_reason == "colour: red; clarity: left out; specimen type: catheter"
    assert desk.is_asked
    assert [each.word for each in desk.choices(Addable.SPECIMEN_TYPE)] == ["urine", "clean-catch", "catheter"]
