"""What is kept of lanes: who heads each, how urgent it is, who waits for another, recomputed here from the states alone."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from bridge.lifecycle.states import DELIVERY_STEPS, OPEN_DELIVERY, OVER_DELIVERY, DeliveryEvent
from bridge.model import SERVICE, Acknowledgement, Answer, Coded, DeliveryState, Priority
from bridge.store.apply import apply
from bridge.store.commands import BeginAttempt, EndAttempt, KeepCapture, RecordOutcome
from bridge.store.database import SqliteDb
from bridge.store.lanes import ROUTINE_RANK, STAT_RANK, Moved, hold_lanes, is_over, join_lane, keep_lane
from bridge.store.sqlite import FILE, SqliteStore
from bridge.store.statements import move_delivery
from tests.store import strips as s

D = DeliveryState
E = DeliveryEvent


def _put(file: SqliteDb, number: int, state: DeliveryState, *, is_head: int = 0, lane: str = "A", **more: object) -> None:
    """Put a delivery there as it stands."""
    row = {
        "id": number, "destination": "records", "lane": lane, "priority": "routine", "result_id": f"R{number}", "version": 1, "format": "", "state": state,
        "attempts": 0, "born_at": "x", "last_code": "", "is_head": is_head, **more,
    }  # fmt: skip
    file.execute(f"INSERT INTO deliveries ({', '.join(row)}) VALUES ({', '.join('?' * len(row))})", tuple(row.values()))


def _kept(file: SqliteDb) -> dict[int, tuple[int, int]]:
    """Give (is_head, is_blocked) of every delivery."""
    return {row[0]: row[1:] for row in file.execute("SELECT id, is_head, is_blocked FROM deliveries ORDER BY id")}


def test_what_is_open_or_stopped_is_not_over(file: SqliteDb) -> None:
    """A stopped one waits for a person, and a later version with it; what is named by ``after`` and does not exist holds up nothing."""
    for number, state in enumerate(D):
        _put(file, number, state)
        assert is_over(file, number) is (state in {D.ACCEPTED, D.SUPERSEDED, D.DISCARDED})
    assert is_over(file, 999)


@pytest.mark.parametrize(("state", "event"), sorted(DELIVERY_STEPS), ids=lambda each: each.name)
def test_the_head_after_each_step_of_the_state_table(file: SqliteDb, state: DeliveryState, event: DeliveryEvent) -> None:
    """Every allowed (state, event): the one of three that moves stands first, in the middle, or last; a fourth waits for it."""
    for place in (1, 2, 3):
        file.execute("DELETE FROM deliveries")
        states = dict.fromkeys((1, 2, 3), D.QUEUED) | {place: state}
        sending = [number for number in states if states[number] is D.SENDING]
        opened = [number for number in states if states[number] in OPEN_DELIVERY]
        head = (sending or opened)[0]
        for number, each in states.items():
            _put(file, number, each, is_head=int(number == head))
        _put(file, 9, D.UNBORN, lane="B", is_head=1, after=place, is_blocked=int(state not in OVER_DELIVERY))
        if event is E.BEGIN and place != head:
            continue  # begin_attempt lets none but a head begin
        after = move_delivery(file, place, event, s.NOW, s.BO)
        states[place] = after
        sending = [number for number in states if states[number] is D.SENDING]
        opened = [number for number in states if states[number] in OPEN_DELIVERY]
        expected = {number: (int(number == (sending or opened)[0]), 0) for number in states}
        assert _kept(file) == {**expected, 9: (1, int(after not in OVER_DELIVERY))}


def test_the_end_of_a_lane_has_no_head(file: SqliteDb) -> None:
    """Nothing is left: nothing is looked at."""
    _put(file, 1, D.SENDING, is_head=1)
    assert move_delivery(file, 1, E.ACCEPT, s.NOW, s.BO) is D.ACCEPTED
    assert _kept(file) == {1: (0, 0)}


def test_a_stat_message_hurries_what_stands_before_it_and_no_longer_than_it_waits(file: SqliteDb) -> None:
    """The head of its lane takes its rank; once the STAT message is over, whoever heads the lane is routine again."""
    assert join_lane(file, "records", "A", Priority.ROUTINE) == (True, ROUTINE_RANK)
    _put(file, 1, D.QUEUED, is_head=1)
    assert join_lane(file, "records", "A", Priority.ROUTINE) == (False, ROUTINE_RANK)
    _put(file, 2, D.QUEUED)
    assert file.execute("SELECT rank FROM deliveries WHERE is_head = 1").fetchone() == (ROUTINE_RANK,)
    assert join_lane(file, "records", "A", Priority.STAT) == (False, STAT_RANK)
    _put(file, 3, D.REFUSED, priority="stat")
    assert file.execute("SELECT id, rank FROM deliveries WHERE is_head = 1").fetchone() == (1, STAT_RANK)
    keep_lane(file, Moved(delivery_id=3, destination="records", lane="A", before=D.SENDING, after=D.REFUSED))
    assert file.execute("SELECT id, rank FROM deliveries WHERE is_head = 1").fetchone() == (1, ROUTINE_RANK)
    assert join_lane(file, "records", "B", Priority.STAT) == (True, STAT_RANK)
    assert join_lane(file, "chart", "A", Priority.ROUTINE) == (True, ROUTINE_RANK)


class _Heard(SqliteDb):
    """A connection that writes down what it held and told."""

    def __init__(self, *args: Any, **more: Any) -> None:
        super().__init__(*args, **more)
        self.held: list[str] = []
        self.told: list[str] = []

    def hold(self, name: str) -> None:
        self.held.append(name)

    def tell(self, name: str) -> None:
        self.told.append(name)


@pytest.fixture
def heard(store: SqliteStore, tmp_path: Path) -> Iterator[_Heard]:
    """Give such a connection to the store's file."""
    assert store.fault == ""
    connection = sqlite3.connect(tmp_path / FILE, isolation_level=None, factory=_Heard)
    yield connection
    connection.close()


def test_lanes_are_held_as_one(heard: _Heard) -> None:
    """One name for all: two groups that held lanes one by one in different order would wait for each other."""
    hold_lanes(heard)
    assert heard.held == ["lanes"]


def test_lanes_are_held_before_anything_of_them_is_read_or_moved(heard: _Heard) -> None:
    """By every command that makes, begins, ends or moves a delivery."""
    apply(heard, KeepCapture(capture=s.capture(), analyzer="brook-1", profile="p"))
    assert heard.held == []
    of, made = s.reading(), s.result("R1")
    recorded = apply(
        heard,
        RecordOutcome(
            intake_id=1, capture_id=1, reading=of, outcome=Coded(checked=s.checked(of), result=made), tables_digest="t", at=s.NOW, ends_intake=True,
            deliveries=(s.delivery(s.message(made, "M1")),),
        ),
    )  # fmt: skip
    (number,) = recorded.delivery_ids
    assert heard.held == ["lanes"]
    attempt = apply(heard, BeginAttempt(delivery_id=number, at=s.NOW))
    assert heard.held[:2] == ["lanes"] * 2
    before = len(heard.held)
    ended = EndAttempt(
        delivery_id=number, attempt=attempt, at=s.NOW, acknowledgement=Acknowledgement(answer=Answer.ACCEPTED, code="AA")
    )
    assert apply(heard, ended) is D.ACCEPTED
    assert set(heard.held[before:]) == {"lanes"}


def test_who_waits_elsewhere_hears_of_what_is_over(heard: _Heard) -> None:
    """A successor at another destination may go now: its queue, in whichever process, is told; of its own moves a queue needs no news."""
    _put(heard, 1, D.QUEUED, is_head=1)
    _put(heard, 2, D.QUEUED, lane="B", destination="chart", is_head=1, after=1, is_blocked=1)
    move_delivery(heard, 1, E.BEGIN, s.NOW, SERVICE)
    assert heard.told == []
    move_delivery(heard, 1, E.REFUSE, s.NOW, SERVICE)
    assert heard.told == []
    move_delivery(heard, 1, E.DISCARD, s.NOW, s.BO)
    assert heard.told == ["destination:chart", "destination:records"]
