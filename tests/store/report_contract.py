"""What every store must tell reports: whose result went when, what arrived, what was stopped; by arrival, and nothing of another time."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from datetime import timedelta

import pytest

from bridge.bench.stop_figures import Stopped
from bridge.bench.turnaround import Travelled, Went
from bridge.bench.workload import Handled
from bridge.lifecycle.states import StopEnd
from bridge.model import Answer, Coded, Priority, Purpose
from bridge.store.api import Store
from bridge.store.commands import NoteRefusedFile
from tests.store import strips as s
from tests.store.contract import Opened
from tests.store.strips import NOW, later

DAY = {"since": NOW - timedelta(hours=1), "until": NOW + timedelta(hours=1)}
LATER = {"since": NOW + timedelta(microseconds=1), "until": NOW + timedelta(hours=1)}


class ReportContract:
    """The suite. Each test opens an empty store of its own."""

    @pytest.fixture
    def opened(self, make: Callable[[], Store]) -> Iterator[Opened]:
        opened = Opened(make)
        yield opened
        opened.store.close()

    def test_a_result_s_way_by_receiver(self, opened: Opened) -> None:
        """When it was let go, first sent, and acknowledged; what nobody has answered has no such time."""
        store = opened.store
        made = s.post(store, "R1", priority=Priority.STAT, destinations=("records", "ward"))
        records, ward = made.delivery_ids
        s.end(store, records, s.begin(store, records, at=later(1)), Answer.TRY_AGAIN, at=later(2), due_at=later(3))
        s.end(store, records, s.begin(store, records, at=later(4)), Answer.ACCEPTED, at=later(5))
        assert ward
        store = opened.restart()
        assert store.travelled(**DAY) == (
            Travelled("brook-1", "stat", NOW, NOW, NOW, (Went("records", later(1), later(5), True), Went("ward", None, None, False))),
        )  # fmt: skip
        assert store.travelled(**LATER) == ()

    def test_what_was_held_is_let_go_later(self, opened: Opened) -> None:
        """The strip is the one that arrived then, judged again: its way begins when a person let it go."""
        store, of = opened.store, s.reading("7")
        held = s.record(store, of, s.held(of))
        assert store.travelled(**DAY) == ()
        assert held.stop_id is not None
        s.close(store, held.stop_id, StopEnd.RELEASED, at=later(30))
        made = s.result("R7")
        capture_id = store.strip(held.strip_id).capture_id  # type: ignore[union-attr]  # it was just recorded
        s.record(
            store, of, Coded(checked=s.checked(of), result=made), deliveries=[s.delivery(s.message(made, "C7"))], capture_id=capture_id, at=later(31),
        )  # fmt: skip
        assert store.travelled(**DAY) == (
            Travelled("brook-1", "routine", NOW, NOW, later(31), (Went("records", None, None, False),)),
        )
        assert [each.outcome for each in store.handled(**DAY)] == ["coded"]

    def test_every_strip_as_it_was_understood_last(self, opened: Opened) -> None:
        """Patients' and others, with what was found of each; a copy too."""
        store = opened.store
        s.post(store, "R1")
        of = s.reading("2")
        s.record(store, of, s.held(of))
        s.record(store, s.reading("3"), s.rejected(None, "patient.missing", "time.future"))
        s.post_control(store, "R4")
        s.record(store, s.unreadable(), None)
        store = opened.restart()
        rule = frozenset
        assert store.handled(**DAY) == (
            Handled("brook-1", "OP7", Purpose.PATIENT, "coded", NOW, NOW, rule()),
            Handled("brook-1", "OP7", Purpose.PATIENT, "held", NOW, NOW, rule({"copy.possible"})),
            Handled("brook-1", "OP7", Purpose.PATIENT, "rejected", NOW, NOW, rule({"patient.missing", "time.future"})),
            Handled("brook-1", "OP7", Purpose.CONTROL, "non_patient", NOW, NOW, rule()),
            Handled("brook-1", "", Purpose.PATIENT, "unreadable", NOW, NOW, rule({"read.unreadable"})),
        )
        assert store.handled(**LATER) == ()

    def test_what_was_found_of_a_strip_before_is_not_forgotten(self, opened: Opened) -> None:
        """It was held for one thing and let go with another: both were found of it, and it is one strip."""
        store, of = opened.store, s.reading("7")
        held = s.record(store, of, s.held(of))
        assert held.stop_id is not None
        s.close(store, held.stop_id, StopEnd.RELEASED, at=later(30))
        capture_id = store.strip(held.strip_id).capture_id  # type: ignore[union-attr]  # it was just recorded
        s.record(store, of, s.held(of, s.finding("time.future")), capture_id=capture_id, at=later(31))
        (only,) = store.handled(**DAY)
        assert only.rules == {"copy.possible", "time.future"}

    def test_what_a_receiver_turned_away_was_turned_away_for_ever(self, opened: Opened) -> None:
        """Also when it took the same message later."""
        store = opened.store
        (delivery,) = s.post(store, "R1").delivery_ids
        s.end(store, delivery, s.begin(store, delivery, at=later(1)), Answer.REFUSED, at=later(2))
        (went,) = store.travelled(**DAY)[0].ways
        assert went == Went("records", later(1), None, False, was_refused=True)
        s.close(store, store.stops()[0].stop_id, StopEnd.SENT_AGAIN, at=later(3))
        s.end(store, delivery, s.begin(store, delivery, at=later(4)), Answer.ACCEPTED, at=later(5))
        (went,) = store.travelled(**DAY)[0].ways
        assert (went.acknowledged_at, went.is_over, went.was_refused) == (later(5), True, True)

    def test_stops_by_the_arrival_of_their_strip(self, opened: Opened) -> None:
        """As they stand now; open ones have no end, and what is of no strip counts by when it was stopped."""
        store, of = opened.store, s.reading("2")
        held = s.record(store, of, s.held(of))
        s.record(store, s.reading("3"), s.rejected(None, "patient.missing"), at=later(90))
        store.submit(
            NoteRefusedFile(
                source="drops", name="a", digest="f" * 64, size=9, beginning=b"x", sentence="S.", remedy="R.", at=later(7)
            )
        ).result(s.WAIT)
        assert held.stop_id is not None
        s.close(store, held.stop_id, StopEnd.DISCARDED, at=later(9))
        store = opened.restart()
        assert store.stopped(**DAY) == (
            Stopped("held", "copy.possible", "brook-1", NOW, later(9), "discarded", "Bo (unverified)"),
            Stopped("rejected", "patient.missing", "brook-1", later(90), None, "", ""),
            Stopped("rejected", "receive.refused", "", later(7), None, "", ""),
        )
        assert [each.rule for each in store.stopped(**LATER)] == ["receive.refused"]
        assert store.stopped(since=later(8), until=later(91)) == ()

    def test_what_is_new_says_which_day_it_is_of(self, opened: Opened) -> None:
        """Figures that were kept are looked at anew for a strip that is judged again, whenever it arrived."""
        store = opened.store
        first = s.post(store, "R1").strip_id
        assert store.arrivals_behind(0, limit=5) == ((first, NOW),)
        second = s.post(store, "R2").strip_id
        assert store.arrivals_behind(first, limit=5) == ((second, NOW),)
        assert store.arrivals_behind(0, limit=1) == ((first, NOW),)
        assert store.arrivals_behind(second, limit=5) == ()
