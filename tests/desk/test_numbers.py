"""What a person may say of missing numbers, and on which terms a day is signed, against a real store."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from datetime import date, timedelta
from pathlib import Path
from typing import Any

import pytest

from bridge.bench.answered import GapEnd
from bridge.bench.gaps import Gap
from bridge.desk.actions import Desk
from bridge.desk.numbers import NumberDesk, missing_numbers
from bridge.errors import Overtaken, RefusedAction
from bridge.model import Actor
from tests.facts.test_shifts import Row, opened
from tests.pages.stocked import LISBON, NOW, SCHEME, Stocked

ANA = Actor(name=" Ana ", verified="unverified")
NOBODY = Actor(name="  ", verified="unverified")
SCHEMES = {"bench-a": SCHEME}
GAP = Gap(analyzer="bench-a", mode="all", series="2026-11-25", first=41, last=43)
DAY = date(2026, 11, 25)


@pytest.fixture
def shelf(tmp_path: Path) -> Iterator[Stocked]:
    """Give a real store in which 1 to 40 and 44 arrived, in two pieces."""
    stocked = Stocked(tmp_path)
    for number in (*range(1, 41), 44):
        stocked.coded(number=str(number))
    yield stocked
    stocked.close()


@pytest.fixture
def desk(shelf: Stocked) -> NumberDesk:
    """Give the desk over it."""
    return NumberDesk(shelf.store, SCHEMES, LISBON, lambda: shelf.now)


def test_a_gap_is_closed_by_arrival_by_a_slip_or_by_a_reason(shelf: Stocked, desk: NumberDesk) -> None:
    """Each with its name; what arrives is no gap, whatever was said of it."""
    assert missing_numbers(shelf.store, SCHEMES, now=NOW) == (GAP,)
    desk.answer(replace(GAP, first=42, last=42), GapEnd.TYPED_IN, reason=" slip 42, patient's record at 12:10 ", actor=ANA)
    desk.answer(replace(GAP, first=43), GapEnd.NO_READING, reason="strip fell", actor=ANA)
    assert [(each.gap.first, each.end, each.by.name, each.reason, each.at) for each in shelf.store.gap_answers([GAP])] == [
        (42, GapEnd.TYPED_IN, "Ana", "slip 42, patient's record at 12:10", NOW),
        (43, GapEnd.NO_READING, "Ana", "strip fell", NOW),
    ]
    shelf.coded(number="41"), shelf.coded(number="42")
    assert missing_numbers(shelf.store, SCHEMES, now=NOW) == (replace(GAP, first=43),)


@pytest.mark.parametrize(
    "numbers",
    [
        replace(GAP, first=40),
        replace(GAP, last=44),
        replace(GAP, first=45, last=400),
        replace(GAP, series="2026-11-24"),
        replace(GAP, analyzer="bench-b"),
        replace(GAP, first=43, last=41),
    ],
)
def test_only_what_is_missing_can_be_accounted_for(shelf: Stocked, desk: NumberDesk, numbers: Gap) -> None:
    """Nobody explains ahead what may go missing tomorrow."""
    with pytest.raises(RefusedAction, match="not missing any more, or never were"):
        desk.answer(numbers, GapEnd.EXPLAINED, reason="r", actor=ANA)
    assert shelf.store.gap_answers([GAP, numbers]) == ()


def test_an_answer_has_a_name_and_a_reason_and_is_given_once(desk: NumberDesk) -> None:
    """The second of two people at the same row is told."""
    with pytest.raises(RefusedAction, match="Say who you are"):
        desk.answer(GAP, GapEnd.EXPLAINED, reason="r", actor=NOBODY)
    with pytest.raises(RefusedAction, match="Give a reason"):
        desk.answer(GAP, GapEnd.EXPLAINED, reason=" ", actor=ANA)
    desk.answer(GAP, GapEnd.EXPLAINED, reason="paper jam", actor=ANA)
    with pytest.raises(Overtaken):
        desk.answer(GAP, GapEnd.NO_READING, reason="r", actor=ANA)


def test_a_month_is_listed(shelf: Stocked) -> None:
    """A gap stays on the list for 31 days from the next number."""
    assert missing_numbers(shelf.store, SCHEMES, now=NOW + timedelta(days=31)) == (GAP,)
    assert missing_numbers(shelf.store, SCHEMES, now=NOW + timedelta(days=31, seconds=1)) == ()


def test_a_day_is_signed_by_a_named_person(shelf: Stocked, desk: NumberDesk) -> None:
    """What is not settled asks for a remark; a day that has not begun is signed by nobody."""
    with pytest.raises(RefusedAction, match="Say who you are"):
        desk.sign(DAY, content="{}", left=(), remark="", actor=NOBODY)
    with pytest.raises(RefusedAction, match="has not begun"):
        desk.sign(DAY + timedelta(days=1), content="{}", left=(), remark="", actor=ANA)
    with pytest.raises(RefusedAction, match="Not everything of this day is settled: 3 missing numbers; 1 file not taken"):
        desk.sign(DAY, content="{}", left=("3 missing numbers", "1 file not taken"), remark=" ", actor=ANA)
    assert shelf.store.day_signatures(since=DAY, until=DAY) == ()
    desk.sign(DAY, content="{}", left=("3 missing numbers",), remark=" the paper is with us ", actor=ANA)
    (signed,) = shelf.store.day_signatures(since=DAY, until=DAY)
    assert (signed.day, signed.content, signed.by, signed.remark, signed.at) == (DAY, "{}", "Ana", "the paper is with us", NOW)


# --- held runs


@pytest.fixture
def row(tmp_path: Path) -> Iterator[Row]:
    """Give an analyzer that was fed a list: 1 went, 2 never came, 3 to 5 are held."""
    made = opened(tmp_path / "row")
    made.patients(1)
    made.skip()
    made.patients(3)
    yield made
    made.store.close()


def confirm(row: Row, **more: Any) -> int:
    """Confirm the held run as a careful person does, but for what the test gives."""
    run = row.held
    given = {"first": run.strips[0].patient_id, "last": run.strips[-1].patient_id, "last_strip": run.strips[-1].strip_id, **more}
    desk = Desk(row.store, row.tables.policy, lambda: row.at, zone=LISBON)
    return desk.confirm_run(run.shift_id, **{"reason": "labels compared", "actor": ANA, **given})


def test_a_run_goes_once_its_first_and_last_label_were_compared(row: Row) -> None:
    """HZ-A10: one confirmed action for the whole run; it goes in its order."""
    assert confirm(row) == 3
    row.work_off()
    assert row.sent == ["1", "3", "4", "5"]
    assert row.store.events("run:1")[0].reason == "labels compared"


@pytest.mark.parametrize(
    ("given", "said"),
    [
        (
            {"first": "40718802"},
            "The label of the first specimen is not what strip 3 carries: the run may have shifted. Nothing goes.",
        ),
        ({"last": ""}, "The label of the last specimen is not what strip 5 carries"),
        ({"last_strip": 1}, "The run has changed since you opened the page"),
        ({"reason": " "}, "Give a reason"),
        ({"actor": NOBODY}, "Say who you are"),
    ],
)
def test_a_label_that_does_not_agree_lets_nothing_go(row: Row, given: dict[str, Any], said: str) -> None:
    """A shift by one shows at both ends: then the specimens are run again."""
    with pytest.raises(RefusedAction, match=said):
        confirm(row, **given)
    row.work_off()
    assert (row.sent, len(row.held.strips)) == (["1"], 3)


def test_a_run_is_confirmed_once(row: Row) -> None:
    """The second of two people is told."""
    seen = row.held
    confirm(row)
    desk = Desk(row.store, row.tables.policy, lambda: row.at, zone=LISBON)
    with pytest.raises(Overtaken, match="confirmed already"):
        desk.confirm_run(seen.shift_id, first="x", last="x", last_strip=1, reason="r", actor=ANA)


def test_no_single_strip_of_a_run_is_released_and_any_may_be_discarded(row: Row) -> None:
    """A release of one says nothing of its neighbours."""
    desk = Desk(row.store, row.tables.policy, lambda: row.at, zone=LISBON)
    stops = row.store.stops()
    with pytest.raises(RefusedAction, match="On Numbers, scan the labels"):
        desk.release(stops[0].stop_id, reason="r", actor=ANA)
    desk.discard(stops[0].stop_id, reason="run again", actor=ANA, specimen="run again")
    assert [strip.number for strip in row.held.strips] == ["3", "4"]
