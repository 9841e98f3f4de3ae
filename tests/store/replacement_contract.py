"""What every store must do where a strip takes the place of another strip's result: never two in the record, and the order of both messages."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import replace

import pytest

from bridge.bench.corrections import REPLACED, Correction, Kind, withdrawn
from bridge.errors import Overtaken
from bridge.lifecycle.states import StopEnd
from bridge.model import Answer, Coded, DeliveryState, Reading, Severity
from bridge.store.api import Store
from bridge.store.commands import CloseStop, CorrectResult, RecordedCorrection, RecordedOutcome, ReplaceResult
from tests.store import strips as s
from tests.store.contract import Opened
from tests.store.correction_contract import bear, states
from tests.store.strips import EDA, NOW, WAIT, later

D = DeliveryState


def again() -> Reading:
    """Give what is read of the second strip."""
    return s.reading("18", patient="A")


def held_again(store: Store) -> RecordedOutcome:
    """Let a result A1 be, and a second strip of its specimen be held."""
    s.post(store, "A1", patient="A", destinations=("records", "chart"))
    second = s.record(store, again(), s.held(again(), s.finding("specimen.run_again", Severity.HOLD), specimen_id="UA1"))
    assert second.stop_id is not None
    return second


def replaced(store: Store, stop_id: int, *, version: int = 1) -> RecordedCorrection:
    """Replace A1 by the second strip, by Eda."""
    taken = withdrawn(store.result_versions("A1")[-1], by=EDA.name, at=NOW, why=REPLACED)
    of = Correction(
        kind=Kind.REPLACED, result_id="A1", version=version, new_result_id="", new_version=None, fields=(), by=EDA, second="Bo",
        reason="first strip torn", at=NOW, is_critical=False, calls_by=later(30),
    )  # fmt: skip
    withdraw = CorrectResult(correction=of, made=None, lane="", withdrawn=taken)
    end = CloseStop(stop_id=stop_id, end=StopEnd.RELEASED, actor=EDA, reason="first strip torn", at=NOW, second="Bo")
    told: RecordedCorrection = store.submit(ReplaceResult(withdraw=withdraw, end=end)).result(WAIT)
    return told


def goes(store: Store, *, lane: str = "A") -> RecordedOutcome:
    """Let the second strip be judged again: it goes as result B1, to both receivers."""
    made = s.result("B1", patient="A")
    going = [s.delivery(s.message(made, f"B1{place[:3]}", destination=place, lane=lane)) for place in ("records", "chart")]
    return s.record(
        store, again(), Coded(checked=s.checked(again(), specimen_id="UA1"), result=made), deliveries=going, capture_id=2
    )


class ReplacementContract:
    """The suite. Each test opens an empty store of its own."""

    @pytest.fixture
    def opened(self, make: Callable[[], Store]) -> Iterator[Opened]:
        opened = Opened(make)
        yield opened
        opened.store.close()

    @pytest.mark.parametrize("lane", ["A", "elsewhere"])
    def test_the_second_goes_once_the_withdrawal_is_acknowledged(self, opened: Opened, lane: str) -> None:
        """HZ-I04: at each receiver by itself; a withdrawal that is turned away holds the second result, as a wrong patient's does."""
        store = opened.store
        second = held_again(store)
        assert second.stop_id is not None
        for delivery in store.deliveries("A1"):
            s.attempt(store, delivery.delivery_id, Answer.ACCEPTED)
        told = replaced(store, second.stop_id)
        goes(store, lane=lane)
        store = opened.restart()
        assert states(store, "B1") == [(1, D.QUEUED), (1, D.QUEUED)]
        assert bear(store) == [("A1", 2, "W")]
        assert s.heads(store) == ["A1"]
        s.attempt(store, told.withdrawals[0], Answer.REFUSED, "AR")
        assert s.heads(store) == []
        assert bear(store, "chart") == [("A1", 2, "W")]
        s.attempt(store, told.withdrawals[1], Answer.ACCEPTED)
        assert s.heads(store, destination="chart") == ["B1"]
        assert [strip.result_id for strip in store.strips(outcome="coded")] == ["B1"]
        assert [strip.result_id for strip in store.strips(outcome="withdrawn")] == ["A1"]

    def test_what_nobody_has_seen_is_set_aside_and_the_second_goes_at_once(self, opened: Opened) -> None:
        """Nothing was sent, so nothing is withdrawn."""
        store = opened.store
        second = held_again(store)
        assert second.stop_id is not None
        assert replaced(store, second.stop_id).withdrawals == ()
        goes(store)
        assert states(store, "A1") == [(1, D.SUPERSEDED), (1, D.SUPERSEDED)]
        assert (s.heads(store), s.heads(store, destination="chart")) == (["B1"], ["B1"])

    def test_both_strips_are_found_from_each_other(self, opened: Opened) -> None:
        """By the printed patient ID and the specimen number; what takes a withdrawn result's place is told apart from the rest."""
        store = opened.store
        second = held_again(store)
        assert second.stop_id is not None
        (first,) = store.specimen_strips(second.strip_id)
        assert first.result_id == "A1"
        assert [strip.strip_id for strip in store.specimen_strips(first.strip_id)] == [second.strip_id]
        assert store.specimen_strips(first.strip_id, limit=0) == ()
        other = s.record(store, replace(again(), patient_id=s.printed("B")), s.held(again(), specimen_id="UA1"))
        assert store.specimen_strips(other.strip_id) == ()
        assert store.replacing("A1") is None
        replaced(store, second.stop_id)
        standing = store.replacing("A1")
        assert standing is not None
        assert standing.strip_id == second.strip_id

    def test_who_comes_second_changes_nothing(self, opened: Opened) -> None:
        """The row was dealt with, or the first result is another version by now: no receiver is told anything."""
        store = opened.store
        second = held_again(store)
        assert second.stop_id is not None
        with pytest.raises(Overtaken):
            replaced(store, second.stop_id, version=2)
        s.close(store, second.stop_id, StopEnd.DISCARDED)
        with pytest.raises(Overtaken, match="Somebody has dealt with this already"):
            replaced(store, second.stop_id)
        assert states(store, "A1") == [(1, D.QUEUED), (1, D.QUEUED)]
        assert store.corrections() == ()
