"""What every store must keep and tell of what is stopped: whose it is, notes, and which of them a list is narrowed to."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from typing import Any

import pytest

from bridge.errors import Overtaken, RefusedAction
from bridge.lifecycle.states import StopEnd, StopGroup, StopState
from bridge.model import Answer, Priority, Severity
from bridge.store.api import Store
from bridge.store.commands import NoteRefusedFile
from bridge.store.rows import StopCount, StopSearch, Turns
from bridge.store.stop_commands import AssignStop, NoteStop
from tests.store import strips as s
from tests.store.contract import Opened
from tests.store.strips import BO, EDA, NOW, WAIT, later


def held(store: Store, number: str, rule: str = "copy.possible", **more: Any) -> int:
    """Hold a strip; ``more``: analyzer, priority, and at for minutes after NOW."""
    of = s.reading(number, analyzer=more.get("analyzer", "brook-1"))
    priority = more.get("priority", Priority.ROUTINE)
    outcome = s.held(of, s.finding(rule, Severity.HOLD, releasable=True), priority=priority)
    stop_id = s.record(store, of, outcome, at=later(more.get("at", 0))).stop_id
    assert stop_id is not None
    return stop_id


def refused(store: Store, result_id: str) -> int:
    """Have a receiver turn a result away."""
    (sent,) = s.post(store, result_id).delivery_ids
    s.attempt(store, sent, Answer.REFUSED)
    (stop,) = store.stops(group=StopGroup.REFUSED)
    return stop.stop_id


def assign(store: Store, stop_id: int, owner: str, before: str = "", **more: object) -> None:
    """Say whose it is, as Bo."""
    command = AssignStop(**{"stop_id": stop_id, "owner": owner, "before": before, "actor": BO, "at": NOW, **more})  # type: ignore[arg-type] # its own fields
    store.submit(command).result(WAIT)


class StopContract:
    """The suite. Each test opens an empty store of its own."""

    @pytest.fixture
    def opened(self, make: Callable[[], Store]) -> Iterator[Opened]:
        opened = Opened(make)
        yield opened
        opened.store.close()

    def test_whose_it_is_outlives_a_restart(self, opened: Opened) -> None:
        """Taken, handed on and given back, each with its event."""
        stop_id = held(opened.store, "1")
        assign(opened.store, stop_id, "Bo")
        assign(opened.store, stop_id, "Eda", "Bo")
        store = opened.restart()
        row = store.stop(stop_id)
        assert row is not None
        assert row.owner == "Eda"
        assign(store, stop_id, "", "Eda", actor=EDA)
        assert [each.owner for each in store.stops()] == [""]
        told = [(e.actor, e.before, e.after) for e in store.events(f"stop:{stop_id}") if e.what == "stop.assigned"]
        assert told == [("Bo", "", "Bo"), ("Bo", "Bo", "Eda"), ("Eda", "Eda", "")]

    def test_of_two_who_take_it_one_has_it(self, opened: Opened) -> None:
        """Hazard HZ-K03: the second one is told whose it is, and that holds for who gives it back twice too."""
        stop_id = held(opened.store, "1")
        assign(opened.store, stop_id, "Bo")
        with pytest.raises(Overtaken, match="Bo has taken this meanwhile"):
            assign(opened.store, stop_id, "Eda", actor=EDA)
        assign(opened.store, stop_id, "", "Bo")
        with pytest.raises(Overtaken, match="given back meanwhile"):
            assign(opened.store, stop_id, "Eda", "Bo")
        s.close(opened.store, stop_id, StopEnd.DISCARDED)
        with pytest.raises(Overtaken, match="dealt with this already"):
            assign(opened.store, stop_id, "Eda")
        with pytest.raises(Overtaken, match="dealt with this already"):
            assign(opened.store, 999, "Eda")

    def test_a_note_is_kept_before_and_after_the_end(self, opened: Opened) -> None:
        """It changes nothing else; of what is not there none is kept."""
        stop_id = held(opened.store, "1")
        before = opened.store.stop(stop_id)
        opened.store.submit(NoteStop(stop_id=stop_id, text="Ward 3 looks.", actor=EDA, at=NOW)).result(WAIT)
        assert opened.store.stop(stop_id) == before
        s.close(opened.store, stop_id, StopEnd.DISCARDED)
        opened.store.submit(NoteStop(stop_id=stop_id, text="Told Bo.", actor=EDA, at=later(1))).result(WAIT)
        notes = [(e.actor, e.at, e.reason) for e in opened.store.events(f"stop:{stop_id}") if e.what == "stop.note"]
        assert notes == [("Eda", NOW, "Ward 3 looks."), ("Eda", later(1), "Told Bo.")]
        with pytest.raises(RefusedAction):
            opened.store.submit(NoteStop(stop_id=999, text="x", actor=EDA, at=NOW)).result(WAIT)

    def test_a_list_is_narrowed_by_each_and_by_all(self, opened: Opened) -> None:
        """Group, reason, analyzer or source, receiver, owner, time of opening."""
        store = opened.store
        one, two = held(store, "1"), held(store, "2", "time.missing", priority=Priority.STAT, at=10)
        three, four = held(store, "3", analyzer="brook-2", at=20), refused(store, "R4")
        noted = NoteRefusedFile(
            source="drops", name="a.bin", digest="f" * 64, size=9, beginning=b"x", sentence="S.", remedy="R.", at=later(30)
        )
        five = store.submit(noted).result(WAIT)
        assign(store, three, "Bo")

        def found(**asked: object) -> list[int]:
            return [stop.stop_id for stop in store.urgent_stops(StopSearch(**asked))]  # type: ignore[arg-type]  # the fields vary by row

        assert found() == [two, one, three, four, five]
        assert found(group=StopGroup.HELD) == [two, one, three]
        assert found(rule="copy.possible") == [one, three]
        assert found(priority=Priority.STAT) == [two]
        assert found(analyzer="brook-2") == [three]
        assert found(analyzer="drops") == [five]
        assert found(destination="records") == [four]
        assert found(owner="Bo") == [three]
        assert found(owner="") == [two, one, four, five]
        assert found(opened_after=NOW, opened_until=later(20)) == [two, three]
        assert found(rule="copy.possible", owner="") == [one]
        assert found(rule="copy.possible", analyzer="brook-2", owner="") == []
        assert [each.stop_id for each in store.urgent_stops(StopSearch(owner=""), after=one, limit=1)] == [four]
        assert [each.stop_id for each in store.newer_stops(StopSearch(owner=""), after=one, limit=2)] == [five, four]

    def test_what_is_open_is_counted_by_all_that_narrows(self, opened: Opened) -> None:
        """By the ages that the edges part; what is over counts no more."""
        store = opened.store
        one, two = held(store, "1"), held(store, "2", at=10)
        held(store, "3", at=11)
        gone = held(store, "4", at=12)
        assign(store, one, "Bo")
        s.close(store, gone, StopEnd.DISCARDED)
        alike = {"group": StopGroup.HELD, "rule": "copy.possible", "analyzer": "brook-1", "destination": ""}
        assert store.stop_counts((later(10), later(5))) == (
            StopCount(**alike, owner="", age=0, count=1, oldest=later(11)),  # type: ignore[arg-type]  # its own fields
            StopCount(**alike, owner="", age=1, count=1, oldest=later(10)),  # type: ignore[arg-type]  # as above
            StopCount(**alike, owner="Bo", age=2, count=1, oldest=NOW),  # type: ignore[arg-type]  # as above
        )
        assert sum(each.count for each in store.stop_counts(())) == 3
        assert two

    def test_what_stops_again_is_still_whose_it_was(self, opened: Opened) -> None:
        """Hazard HZ-K03: judged again and stopped again, or sent again and turned away again, it is no new row that nobody knows of."""
        store = opened.store
        first = held(store, "1")
        assign(store, first, "Eda")
        store.submit(NoteStop(stop_id=first, text="Ward 3 looks.", actor=EDA, at=NOW)).result(WAIT)
        s.close(store, first, StopEnd.READ_AGAIN)
        again = s.held(s.reading("1"), s.finding("copy.possible", Severity.HOLD, releasable=True))
        row = store.stop(first)
        assert row is not None
        second = s.record(store, s.reading("1"), again, capture_id=row.capture_id).stop_id
        assert second is not None
        row = opened.restart().stop(second)
        assert row is not None
        assert (row.owner, row.state) == ("Eda", StopState.OPEN)
        told = [(e.subject, e.what, e.actor, e.after, e.reason) for e in opened.store.stop_events(second)]
        assert [each for each in told if each[1] != "stop.opened"] == [
            (f"stop:{first}", "stop.assigned", "Bo", "Eda", ""),
            (f"stop:{first}", "stop.note", "Eda", "", "Ward 3 looks."),
            (f"stop:{first}", "stop.closed", "Bo", "read again", "because"),
            (f"stop:{second}", "stop.assigned", "padpost", "Eda", ""),
        ]
        assert opened.store.stop_events(first) == opened.store.events(f"stop:{first}")
        assert opened.store.stop_events(999) == ()

    def test_a_message_that_is_turned_away_again_is_still_whose_it_was(self, opened: Opened) -> None:
        """Of one receiver: what another one turns away is nobody's yet."""
        store = opened.store
        first = refused(store, "R4")
        assign(store, first, "Eda")
        s.close(store, first, StopEnd.SENT_AGAIN)
        (sent,) = store.deliveries("R4")
        s.attempt(store, sent.delivery_id, Answer.REFUSED)
        (row,) = store.stops(group=StopGroup.REFUSED)
        assert (row.owner, row.stop_id > first) == ("Eda", True)
        assert next(e.subject for e in store.stop_events(row.stop_id)) == f"stop:{first}"

    def test_turns_are_told_from_behind_an_event(self, opened: Opened) -> None:
        """Who takes, gives back or ends turns a row; who comes or writes a note does not."""
        store = opened.store
        assert store.stop_turns(after=0) == Turns(events=(), last_event=0)
        one, two = held(store, "1"), held(store, "2")
        before = store.stop_turns(after=0)
        assert (before.events, before.last_event > 0) == ((), True)
        store.submit(NoteStop(stop_id=one, text="x", actor=EDA, at=NOW)).result(WAIT)
        assign(store, one, "Bo")
        s.close(store, two, StopEnd.DISCARDED)
        after = store.stop_turns(after=before.last_event)
        assert len(after.events) == 2
        assert store.stop_turns(after=after.events[0]).events == after.events[1:]
        assert store.stop_turns(after=after.last_event) == Turns(events=(), last_event=after.last_event)
