"""What every store must do, whatever it keeps its rows in.

A store joins by a subclass of StoreContract with a fixture ``make`` that gives a function opening the same store each
time it is called (test_sqlite.py). Only commands and rows are used here; what is SQLite's own is tested beside its module.
"""

from __future__ import annotations

import threading
from collections.abc import Callable, Iterator
from concurrent.futures import Future
from dataclasses import replace
from datetime import timedelta
from typing import Any

import pytest

from bridge.errors import Overtaken, RefusedAction
from bridge.lifecycle.states import DestinationState, SpecimenNext, StopEnd, StopGroup, StopState
from bridge.model import Answer, Coded, DeliveryState, Needs, Neighbour, NonPatient, Priority, PriorResult, Purpose, Severity
from bridge.store.api import Store
from bridge.store.commands import (
    BearMessage,
    CloseStop,
    EndIntake,
    HeldLeases,
    HoldLeases,
    HurryWaiting,
    KeepCapture,
    KeepPlanCheck,
    KeepTables,
    LeaveLeases,
    NoteRefusedFile,
    RecordOutcome,
    RecoverDeliveries,
    ReserveNumbers,
    SetDestination,
    WithholdDelivery,
)
from bridge.store.rows import AttemptRow, RefusedFileRow
from tests.store import strips as s
from tests.store.strips import BO, EDA, NOW, WAIT, later

HOUR = timedelta(hours=1)
D = DeliveryState


def _seat(store: Store, strip_id: int) -> tuple[int, int]:
    strip = store.strip(strip_id)
    assert strip is not None
    return strip.capture_id, strip.index


def _number(found: Neighbour | None) -> str:
    return found.number if found else ""


class Opened:
    """A store that can be restarted in the middle of a test."""

    def __init__(self, make: Callable[[], Store]) -> None:
        self._make = make
        self.store = make()

    def restart(self) -> Store:
        """Close the store and open it again, as a restart of the service does."""
        self.store.close()
        self.store = self._make()
        return self.store


def _two_stopped(store: Store) -> tuple[int, int, int]:
    """Give a capture of an unreadable stretch and a held strip behind it, with the stops of both."""
    capture_id = s.keep(store)
    first = s.record(store, s.unreadable(index=0), None, capture_id=capture_id, ends=False)
    second = s.record(store, s.reading(index=1), s.held(s.reading(index=1)), capture_id=capture_id)
    assert first.stop_id is not None
    assert second.stop_id is not None
    return capture_id, first.stop_id, second.stop_id


class StoreContract:
    """The suite. Each test opens an empty store of its own."""

    @pytest.fixture
    def opened(self, make: Callable[[], Store]) -> Iterator[Opened]:
        opened = Opened(make)
        yield opened
        opened.store.close()

    @pytest.fixture
    def store(self, opened: Opened) -> Store:
        return opened.store

    # --- captures and judging work

    def test_a_capture_comes_back_byte_for_byte(self, opened: Opened) -> None:
        """The bytes are the evidence: every byte value, and everything known of their arrival, outlives a restart."""
        sent = s.capture(bytes(range(256)) * 40, name="a.txt", torn=True, live=True, source="line-1")
        capture_id = opened.store.submit(KeepCapture(capture=sent, analyzer="brook-1", profile="brook")).result(WAIT)
        kept = opened.restart().capture(capture_id)
        assert (kept.capture_id, kept.analyzer, kept.profile, kept.capture) == (capture_id, "brook-1", "brook", sent)
        with pytest.raises(KeyError):
            opened.store.capture(capture_id + 1)

    def test_the_same_file_is_kept_once(self, opened: Opened) -> None:
        """A crash between commit and move leaves the file in place: found again, it is known by its origin."""
        command = KeepCapture(capture=s.capture(), analyzer="brook-1", profile="brook", origin="a.txt/123")
        first = opened.store.submit(command).result(WAIT)
        store = opened.restart()
        assert store.submit(command).result(WAIT) == first
        other = store.submit(replace(command, origin="b.txt/123")).result(WAIT)
        without = [store.submit(replace(command, origin="")).result(WAIT) for _ in range(2)]
        assert len({first, other, *without}) == 4

    def test_judging_goes_oldest_first_for_each_analyzer(self, store: Store) -> None:
        """One intake lane an analyzer; a capture without a reading ends by itself."""
        one, other, two = s.keep(store, b"1"), s.keep(store, b"x", analyzer="tern-1"), s.keep(store, b"2")
        assert store.analyzers_with_work() == ("brook-1", "tern-1")
        first, foreign = store.next_intake("brook-1"), store.next_intake("tern-1")
        assert first is not None
        assert foreign is not None
        assert (first.capture_id, first.only_index, first.next_index, first.because) == (one, None, 0, "")
        assert foreign.capture_id == other
        store.submit(EndIntake(intake_id=first.intake_id, at=NOW)).result(WAIT)
        following = store.next_intake("brook-1")
        assert following is not None
        assert following.capture_id == two
        store.submit(EndIntake(intake_id=following.intake_id, at=NOW)).result(WAIT)
        assert store.next_intake("brook-1") is None
        assert store.analyzers_with_work() == ("tern-1",)

    def test_fresh_work_is_given_several_at_a_time(self, store: Store) -> None:
        """In order, behind what is under way, as many as are asked for; what a person sent back comes alone, as it does one by one."""

        def ahead(after: int = 0, limit: int = 9) -> list[int]:
            return [work.intake_id for work in store.intake_ahead("brook-1", after=after, limit=limit)]

        assert ahead() == []
        stop = s.record(store, s.reading("1"), s.held(s.reading("1"))).stop_id
        assert stop is not None
        for payload in (b"1", b"2"):
            s.keep(store, payload)
        s.keep(store, b"x", analyzer="tern-1")
        one, two = ahead()
        assert store.intake_ahead("brook-1", after=0, limit=1) == (store.next_intake("brook-1"),)
        s.close(store, stop, StopEnd.RELEASED, accept_rules=frozenset({"copy.possible"}))
        s.keep(store, b"3")
        assert (ahead(), ahead(one)) == ([one, two], [two])
        assert store.intake_ahead("brook-1", after=two, limit=9) == (store.next_intake("brook-1", after=two),)

    def test_a_capture_judged_by_half_goes_on_behind_the_crash(self, opened: Opened) -> None:
        """Three strips, a restart after the first: judging goes on with the second, and ends with the third."""
        capture_id = s.keep(opened.store)
        s.record(opened.store, s.reading("1"), s.rejected(None), capture_id=capture_id, ends=False)
        store = opened.restart()
        intake = store.next_intake("brook-1")
        assert intake is not None
        assert (intake.capture_id, intake.next_index) == (capture_id, 1)
        s.record(store, s.reading("2", index=1), s.rejected(None), capture_id=capture_id, ends=False)
        s.record(store, s.reading("3", index=2), s.rejected(None), capture_id=capture_id)
        assert store.next_intake("brook-1") is None
        assert [row.number for row in store.capture_strips(capture_id)] == ["1", "2", "3"]

    # --- one transaction, all or nothing

    def test_a_failing_command_spoils_no_neighbour(self, store: Store) -> None:
        """Commands share a commit; one that fails is undone alone and only its own future says so."""
        good = KeepCapture(capture=s.capture(), analyzer="brook-1", profile="brook")
        bad = CloseStop(stop_id=99, end=StopEnd.DISCARDED, actor=BO, reason="r", at=NOW)
        futures: list[Future[Any]] = [store.submit(bad if number % 3 == 1 else good) for number in range(30)]
        for number, future in enumerate(futures):
            if number % 3 == 1:
                with pytest.raises(Overtaken):
                    future.result(WAIT)
            else:
                assert store.capture(future.result(WAIT)).capture == s.capture()

    def test_an_outcome_is_recorded_whole_or_not_at_all(self, store: Store) -> None:
        """A control ID that was given before is refused, and with it the strip, the result and the other delivery."""
        s.post(store, "R1")
        of, made = s.reading("2"), s.result("R2")
        twice = [s.delivery(s.message(made, "R2new")), s.delivery(s.message(made, "R1rec", destination="chart"))]
        with pytest.raises(Exception, match="control_id"):
            s.record(store, of, Coded(checked=s.checked(of), result=made), deliveries=twice)
        assert store.deliveries("R2") == ()
        assert store.result("R2") is None
        assert [row.number for row in store.strips()] == ["R1"]
        assert store.analyzers_with_work() == ("brook-1",)  # its judging is still to be done

    def test_many_submitters_each_get_their_own_answer(self, store: Store) -> None:
        """Twenty threads at once: every command is done once and every future gives its own command's result."""
        found: dict[str, int] = {}

        def work(name: str) -> None:
            for number in range(10):
                text = f"{name}-{number}"
                found[text] = s.keep(store, text.encode())

        threads = [threading.Thread(target=work, args=(f"t{n}",)) for n in range(20)]
        for thread in threads:
            thread.start()
        for thread in threads:
            thread.join(WAIT)
        assert len(set(found.values())) == 200
        assert all(store.capture(capture_id).capture.payload == text.encode() for text, capture_id in found.items())

    # --- outcomes

    @pytest.mark.parametrize(
        ("outcome", "word", "group"),
        [
            (s.held(s.reading()), "held", StopGroup.HELD),
            (s.rejected(s.reading()), "rejected", StopGroup.REJECTED),
            (s.rejected(None), "rejected", StopGroup.REJECTED),
            (s.control(s.reading()), "non_patient", None),
        ],
    )
    def test_each_outcome_leaves_its_strip_and_its_stop(
        self, store: Store, outcome: Any, word: str, group: StopGroup | None
    ) -> None:
        """What is stopped has a row with rule, sentence, remedy and place; what is no patient's has none."""
        recorded = s.record(store, s.reading(), outcome)
        strip = store.strip(recorded.strip_id)
        assert strip is not None
        assert (strip.outcome, strip.number, strip.patient_id) == (word, "1", "" if word == "non_patient" else "4711")
        assert strip.pads == (("GLU", "NEG", "", None),)
        if group is None:
            assert recorded.stop_id is None
            assert store.stops() == ()
            return
        (stop,) = store.stops()
        rule = outcome.findings[0].rule
        assert (stop.stop_id, stop.group, stop.state, stop.rule) == (recorded.stop_id, group, StopState.OPEN, rule)
        assert (stop.sentence, stop.remedy, stop.place) == (f"{rule} says.", f"Mend {rule}.", s.PLACE)
        assert (stop.strip_id, stop.capture_id, stop.index, stop.source) == (strip.strip_id, strip.capture_id, 0, "drops")
        assert stop.releasable is (group is StopGroup.HELD)
        assert store.open_stops()[group] == 1
        assert store.open_reasons() == ((group, rule, 1),)

    def test_a_held_strip_is_releasable_only_if_all_its_findings_are(self, store: Store) -> None:
        """One finding that no person may pass over keeps the whole strip."""
        of = s.reading()
        free = s.finding("copy.possible", Severity.HOLD, releasable=True)
        fast = s.finding("patient.missing", Severity.HOLD)
        note = s.finding("time.arrival_used", Severity.NOTE)
        s.record(store, of, s.held(of, free, fast, note))
        (stop,) = store.stops()
        assert (stop.releasable, stop.rules, stop.rule) == (False, ("copy.possible", "patient.missing"), "copy.possible")

    def test_a_coded_strip_has_its_result_and_one_delivery_a_destination(self, opened: Opened) -> None:
        """Result, message bytes, control ID and lane come back as they were made, after a restart too."""
        recorded = s.post(opened.store, "R1", destinations=("records", "chart"))
        store = opened.restart()
        assert recorded.stop_id is None
        assert len(recorded.delivery_ids) == 2
        detail = store.result("R1")
        assert detail is not None
        assert detail.result == s.result("R1")
        assert [message for _, message, _ in detail.deliveries] == [
            s.message(s.result("R1"), "R1rec"),
            s.message(s.result("R1"), "R1cha", destination="chart"),
        ]
        assert [(row.delivery_id, row.state, row.attempts) for row, _, _ in detail.deliveries] == [
            (recorded.delivery_ids[0], D.QUEUED, 0),
            (recorded.delivery_ids[1], D.QUEUED, 0),
        ]
        (listed,) = store.results()
        assert (listed.result_id, listed.states) == ("R1", (("records", D.QUEUED), ("chart", D.QUEUED)))

    def test_a_control_that_is_sent_has_its_result_and_delivery(self, opened: Opened) -> None:
        """It stays a control: no stop, no patient, its own delivery; all as it was made, after a restart too."""
        recorded = s.post_control(opened.store, "R1")
        store = opened.restart()
        assert (recorded.stop_id, len(recorded.delivery_ids)) == (None, 1)
        detail = store.result("R1")
        assert detail is not None
        assert detail.result == s.control_result("R1")
        assert (detail.strip.outcome, detail.strip.purpose, detail.strip.result_id) == ("non_patient", Purpose.CONTROL, "R1")
        ((row, message, tries),) = detail.deliveries
        assert (row.destination, row.lane, row.state, tries) == ("qc", "analyzer:brook-1", D.QUEUED, ())
        assert message.payload == b"MSH|R1qc\r"
        assert s.heads(store, destination="qc") == ["R1"]
        assert s.heads(store, destination="records") == []

    def test_a_sent_control_is_among_the_results_and_no_patients(self, store: Store) -> None:
        """Whoever looks for a message or for what waits finds it; whoever looks for a patient does not."""
        s.post(store, "R1", patient="CTRL-LOW")
        s.post_control(store, "R2")
        s.record(store, s.reading("R3"), s.control(s.reading("R3")))  # nobody asked for it
        rows = store.results()
        assert [(row.result_id, row.purpose, row.patient_id) for row in rows] == [
            ("R2", Purpose.CONTROL, ""),
            ("R1", Purpose.PATIENT, "CTRL-LOW"),
        ]
        assert [row.result_id for row in store.results(search="R2qc")] == ["R2"]
        assert [row.result_id for row in store.results(search="CTRL-LOW")] == ["R1"]
        assert [row.result_id for row in store.results(states=frozenset({D.QUEUED}))] == ["R2", "R1"]

    def test_a_refused_control_opens_a_stop_and_goes_again(self, store: Store) -> None:
        """As any other: sent again as it was; or read again, under the next version, with the first set aside."""
        (first,) = s.post_control(store, "R1").delivery_ids
        s.attempt(store, first, Answer.REFUSED)
        (stop,) = store.stops()
        assert (stop.group, stop.rule, stop.destination, stop.purpose) == (
            StopGroup.REFUSED,
            "deliver.refused",
            "qc",
            Purpose.CONTROL,
        )
        s.close(store, stop.stop_id, StopEnd.SENT_AGAIN)
        assert s.heads(store, destination="qc") == ["R1"]
        s.attempt(store, first, Answer.REFUSED)
        (stop,) = store.stops()
        s.close(store, stop.stop_id, StopEnd.READ_AGAIN)
        of = s.reading("R1", patient="CTRL-LOW")
        assert store.reading_facts(1, 0, record_digest=of.record_digest).prior == PriorResult(result_id="R1", version=1)
        made = s.control_result("R1", version=2)
        going = s.delivery(s.message(made, "R1qc2", destination="qc", lane="analyzer:brook-1"))
        s.record(store, of, s.control(of, made), deliveries=[going], capture_id=1)
        assert [(row.version, row.state) for row in store.deliveries("R1")] == [(1, D.SUPERSEDED), (2, D.QUEUED)]
        assert [(row.result_id, row.version) for row in store.results()] == [("R1", 2)]

    def test_an_unborn_control_is_ended_where_it_is_asked_for_no_more(self, store: Store) -> None:
        """It was never made: it is over, its lane is free, and it is nobody's stop. What is made cannot be withheld."""
        (unborn,) = s.post_control(store, "R1", born=False).delivery_ids
        (born,) = s.post_control(store, "R2").delivery_ids
        assert s.heads(store, destination="qc") == []
        store.submit(WithholdDelivery(delivery_id=unborn, at=NOW)).result(WAIT)
        assert [row.state for row in store.deliveries("R1")] == [D.DISCARDED]
        assert (s.heads(store, destination="qc"), store.stops()) == (["R2"], ())
        with pytest.raises(ValueError, match="cannot meet"):
            store.submit(WithholdDelivery(delivery_id=born, at=NOW)).result(WAIT)

    def test_the_same_rejected_bytes_are_one_row_with_a_counter(self, store: Store) -> None:
        """A sender that repeats a bad record fills no page: one row, and how often it came again."""
        first = s.record(store, s.reading(), s.rejected(s.reading()))
        again = [s.record(store, s.reading(), s.rejected(s.reading()), at=later(n)) for n in (1, 2)]
        assert [(each.stop_id, each.repeat) for each in again] == [(first.stop_id, True)] * 2
        (stop,) = store.stops()
        assert (stop.repeats, stop.last_repeat_at) == (2, later(2))
        other = s.record(store, s.reading(), s.rejected(s.reading(), "time.missing"))
        assert (other.repeat, other.stop_id == first.stop_id) == (False, False)

    def test_unreadable_bytes_are_counted_and_undated_strips_are_not(self, store: Store) -> None:
        """Bytes that nothing could be read of are the same thing again; a record without a date may be a second strip."""
        one = s.record(store, s.unreadable(), None)
        two = s.record(store, s.unreadable(), None)
        assert (two.stop_id, two.repeat) == (one.stop_id, True)
        undated = replace(s.reading(digest="e" * 64), printed_date=None)
        stops = {s.record(store, undated, s.rejected(undated)).stop_id for _ in range(2)}
        assert len(stops) == 2

    def test_a_copy_of_a_stopped_strip_is_counted_there(self, store: Store) -> None:
        """The stop stands for the strip; a copy of one that went is noted and joins nothing."""
        original = s.record(store, s.reading("1"), s.held(s.reading("1")))
        copy = s.record(store, s.reading("1"), s.copy(s.reading("1"), original.strip_id))
        assert (copy.stop_id, copy.repeat) == (original.stop_id, True)
        went = s.post(store, "R2")
        other = s.record(store, s.reading("R2"), s.copy(s.reading("R2"), went.strip_id))
        assert (other.stop_id, other.repeat, other.delivery_ids) == (None, False, ())
        strip = store.strip(other.strip_id)
        assert strip is not None
        assert (strip.outcome, strip.copy_of) == ("copy", went.strip_id)

    def test_a_refused_file_is_kept_by_its_beginning_and_counted(self, store: Store) -> None:
        """A file that was not captured leaves name, hash, size and beginning; put there again it is the same row."""
        noted = NoteRefusedFile(
            source="drops", name="big.bin", digest="f" * 64, size=10**9, beginning=b"\x00MZ", sentence="Too large.", remedy="Split it.", at=NOW
        )  # fmt: skip
        stop_id = store.submit(noted).result(WAIT)
        assert store.submit(replace(noted, at=later(1))).result(WAIT) == stop_id
        row = store.stop(stop_id)
        assert row is not None
        assert (row.group, row.rule, row.repeats, row.capture_id) == (StopGroup.REJECTED, "receive.refused", 1, None)
        assert store.refused_file(stop_id) == RefusedFileRow(name="big.bin", digest="f" * 64, size=10**9, beginning=b"\x00MZ")
        assert store.refused_file(stop_id + 1) is None

    # --- lanes

    def test_a_lane_goes_strictly_by_birth(self, store: Store) -> None:
        """One head a lane: a patient's second result waits for the first, other patients' do not. HZ-H06."""
        s.post(store, "A1", patient="A")
        s.post(store, "A2", patient="A")
        s.post(store, "B1", patient="B")
        assert s.heads(store) == ["A1", "B1"]
        assert s.heads(store, limit=1) == ["A1"]
        assert s.heads(store, destination="chart") == []

    def test_stat_overtakes_other_patients_and_never_its_own_earlier_result(self, store: Store) -> None:
        """The lane with the most urgent waiting message goes first, its own routine strip before the STAT one."""
        s.post(store, "A1", patient="A")
        s.post(store, "B1", patient="B")
        s.post(store, "C1", patient="C")
        s.post(store, "C2", patient="C", priority=Priority.STAT)
        assert s.heads(store) == ["C1", "A1", "B1"]
        (head, *_) = store.lane_heads("records", now=NOW, limit=9)
        s.attempt(store, head.delivery_id, Answer.ACCEPTED)
        assert s.heads(store) == ["C2", "A1", "B1"]
        s.attempt(store, store.lane_heads("records", now=NOW, limit=1)[0].delivery_id, Answer.ACCEPTED)
        assert s.heads(store) == ["A1", "B1"]

    def test_of_more_lanes_than_may_go_a_fair_choice_is_given(self, store: Store) -> None:
        """STAT first, each eighth turn routine; lanes that were tried before and lanes that were not take turns."""
        for patient, priority in (("A", Priority.ROUTINE), ("B", Priority.ROUTINE), ("S", Priority.STAT)):
            (tried,) = s.post(store, f"{patient}1", patient=patient, priority=priority).delivery_ids
            s.attempt(store, tried, Answer.TRY_AGAIN, due_at=NOW)
        for patient, priority in (("C", Priority.ROUTINE), ("D", Priority.ROUTINE), ("T", Priority.STAT)):
            s.post(store, f"{patient}1", patient=patient, priority=priority)

        def first(turn: int, limit: int = 1) -> list[str]:
            heads = store.lane_heads("records", now=NOW, limit=limit, turn=turn)
            return [head.message.result_id for head in heads]

        assert [first(turn) for turn in (0, 1, 7, 15)] == [["S1"], ["T1"], ["C1"], ["A1"]]
        assert first(0, limit=3) == ["S1", "T1", "A1"]
        assert first(1, limit=4) == ["S1", "T1", "A1", "C1"]
        assert first(0, limit=9) == ["S1", "T1", "A1", "B1", "C1", "D1"]

    def test_a_head_that_waits_blocks_its_lane_only(self, store: Store) -> None:
        """Being sent, or due later: the lane stands still, the others go on; when it is due it goes."""
        (first,) = s.post(store, "A1", patient="A").delivery_ids
        s.post(store, "A2", patient="A")
        s.post(store, "B1", patient="B")
        attempt = s.begin(store, first)
        assert s.heads(store) == ["B1"]
        assert store.next_due("records") is None
        assert s.end(store, first, attempt, Answer.TRY_AGAIN, due_at=later(5)) is D.RETRYING
        assert s.heads(store, now=later(4.99)) == ["B1"]
        assert store.next_due("records") == later(5)
        assert s.heads(store, now=later(5)) == ["A1", "B1"]

    def test_only_the_head_of_a_lane_may_begin(self, store: Store) -> None:
        """Whoever asks: the second of a lane, one that is being sent, one that is over, and one that never was may not."""
        (first,) = s.post(store, "A1", patient="A").delivery_ids
        (second,) = s.post(store, "A2", patient="A").delivery_ids
        assert not s.begin(store, second)
        attempt = s.begin(store, first)
        assert not s.begin(store, first)
        assert s.end(store, first, attempt, Answer.ACCEPTED) is D.ACCEPTED
        assert not s.begin(store, first)
        assert not s.begin(store, 999)
        assert s.begin(store, second)

    def test_a_try_begins_with_its_delivery(self, opened: Opened) -> None:
        """One commit: made and begun are two events of it, the try is counted and can be ended, and a crash finds it under way."""
        store = opened.store
        made = s.post(store, "A1", patient="A", destinations=("records", "chart"), begins=True)
        records, chart = made.delivery_ids
        assert len(set(made.attempts)) == 2
        assert [(event.what, event.before, event.after) for event in store.events(f"delivery:{records}")] == [
            ("delivery.made", "", "queued"),
            ("delivery.begin", "queued", "sending"),
        ]
        (row, _) = store.deliveries("A1")
        assert (row.state, row.attempts, row.due_at) == (D.SENDING, 1, None)
        assert s.heads(store) == []
        assert not s.begin(store, records)
        assert s.end(store, records, made.attempts[0], Answer.TRY_AGAIN, due_at=later(5)) is D.RETRYING
        (head,) = store.lane_heads("records", now=later(5), limit=9)
        assert (head.attempts, head.first_attempt_at) == (1, NOW)
        store = opened.restart()
        store.submit(RecoverDeliveries(destination="chart", at=NOW)).result(WAIT)
        detail = store.result("A1")
        assert detail is not None
        ((row, _, tries),) = [way for way in detail.deliveries if way[0].delivery_id == chart]
        assert (row.state, row.attempts) == (D.RETRYING, 1)
        assert [(one.started_at, one.code) for one in tries] == [(NOW, "unknown")]

    def test_a_try_begins_with_its_delivery_only_where_it_may_begin(self, store: Store) -> None:
        """Behind an earlier one of its lane, before what it waits for, without a message: it is made, and waits like any other."""
        (first,) = s.post(store, "A1", patient="A").delivery_ids
        waiting = [
            s.post(store, "A2", patient="A", begins=True),
            s.post(store, "B1", patient="B", after=first, begins=True),
            s.post(store, "C1", patient="C", born=False, begins=True),
        ]
        assert [made.attempts for made in waiting] == [(None,)] * 3
        assert [row.state for made in ("A2", "B1", "C1") for row in store.deliveries(made)] == [D.QUEUED, D.QUEUED, D.UNBORN]
        assert [len(store.events(f"delivery:{made.delivery_ids[0]}")) for made in waiting] == [1, 1, 1]
        detail = store.result("A2")
        assert detail is not None
        assert [tries for _, _, tries in detail.deliveries] == [()]
        assert s.heads(store) == ["A1"]

    def test_a_try_begins_with_its_delivery_only_under_its_destinations_newest_lease(self, store: Store) -> None:
        """The outcome is recorded whoever has the destination; who has it no more begins nothing there."""
        hold = HoldLeases(
            owner="one", roles=frozenset(), host="h", pid=1, wishes=frozenset({"destination:records"}), wound_up=frozenset(), length_s=60, at=NOW
        )  # fmt: skip
        (lease,) = store.submit(hold).result(WAIT).held
        assert s.post(store, "A1", patient="A", begins=True, lease=lease).attempts != (None,)
        store.submit(LeaveLeases(owner="one")).result(WAIT)
        assert s.post(store, "B1", patient="B", begins=True, lease=lease).attempts == (None,)
        assert s.heads(store) == ["B1"]

    def test_who_stands_back_is_told_to_leave_it_to_who_does_not(self, store: Store) -> None:
        """And to nobody while it is alone, or the other stands back as far; what is given back is the other's with its next heartbeat."""
        name = "destination:records"

        def beat(owner: str, steps: int, *wound_up: str) -> HeldLeases:
            hold = HoldLeases(
                owner=owner, roles=frozenset(), host="h", pid=1, wishes=frozenset({name}), wound_up=frozenset(wound_up),
                length_s=3600, at=NOW, steps_back={name: steps},
            )  # fmt: skip
            told: HeldLeases = store.submit(hold).result(WAIT)
            return told

        assert beat("one", 0).give_back == frozenset()
        assert beat("one", 1).give_back == frozenset()
        assert beat("two", 1).held == ()
        assert beat("one", 1).give_back == frozenset()
        assert beat("two", 0).held == ()
        assert beat("one", 1).give_back == {name}
        assert beat("one", 1, name).held == ()
        ((token, given),) = [(lease.token, lease.name) for lease in beat("two", 0).held]
        assert (given, token) == (name, 3)  # taken, given back, taken
        store.submit(LeaveLeases(owner="two")).result(WAIT)
        assert [lease.name for lease in beat("one", 1).held] == [name]

    def test_after_holds_a_delivery_on_another_lane(self, store: Store) -> None:
        """A successor's message is born and goes only once the named delivery is over: one that was turned away waits for a person first."""
        (first,) = s.post(store, "A1", patient="A").delivery_ids
        (held,) = s.post(store, "B1", patient="B", after=first).delivery_ids
        (unborn,) = s.post(store, "C1", patient="C", born=False, after=first).delivery_ids
        assert s.heads(store) == ["A1"]
        assert not s.begin(store, held)
        assert store.unborn("records", limit=9) == ()
        s.attempt(store, first, Answer.REFUSED)
        assert (s.heads(store), store.unborn("records", limit=9)) == ([], ())
        s.close(store, store.stops()[0].stop_id, StopEnd.DISCARDED)
        assert s.heads(store) == ["B1"]
        assert store.unborn("records", limit=9) == ((unborn, s.result("C1", patient="C")),)

    def test_an_unborn_delivery_holds_its_lane_until_it_is_born(self, store: Store) -> None:
        """No message yet: nothing of that patient may overtake it; once born it goes with the bytes it was given."""
        (unborn,) = s.post(store, "A1", patient="A", born=False).delivery_ids
        s.post(store, "A2", patient="A")
        assert s.heads(store) == []
        assert not s.begin(store, unborn)
        made = s.message(s.result("A1", patient="A"), "X1")
        store.submit(BearMessage(delivery_id=unborn, message=made, at=NOW)).result(WAIT)
        (head,) = store.lane_heads("records", now=NOW, limit=9)
        assert (head.delivery_id, head.message, head.attempts, head.first_attempt_at) == (unborn, made, 0, None)
        with pytest.raises(ValueError, match="queued cannot meet: its message is made"):
            store.submit(BearMessage(delivery_id=unborn, message=made, at=NOW)).result(WAIT)

    def test_what_waits_names_the_tables_that_coded_it(self, store: Store) -> None:
        """Born or not, tried or not; what is over, or goes elsewhere, is not asked about. HZ-G07."""
        assert store.waiting_tables("records") == frozenset()
        (first,) = s.post(store, "A1", patient="A").delivery_ids
        (second,) = s.post(store, "B1", patient="B", born=False, tables_digest="u").delivery_ids
        s.post(store, "C1", patient="C", destinations=("chart",), tables_digest="v")
        assert store.waiting_tables("records") == {"t", "u"}
        s.attempt(store, first, Answer.TRY_AGAIN, due_at=NOW)
        assert store.waiting_tables("records") == {"t", "u"}
        s.attempt(store, first, Answer.ACCEPTED)
        assert store.waiting_tables("records") == {"u"}
        made = s.message(s.result("B1", patient="B"), "X1")
        store.submit(BearMessage(delivery_id=second, message=made, at=NOW)).result(WAIT)
        assert store.waiting_tables("records") == {"u"}

    # --- tries

    def test_the_tries_of_a_delivery_are_counted_and_kept(self, store: Store) -> None:
        """Begun durably, answered or not: each try has its times, its code and the receiver's words."""
        (one,) = s.post(store, "A1").delivery_ids
        assert s.attempt(store, one, Answer.TRY_AGAIN, "timeout", at=later(1), due_at=later(2)) is D.RETRYING
        attempt = s.begin(store, one, at=later(2))
        assert s.end(store, one, attempt, Answer.ACCEPTED, "AA", at=later(3)) is D.ACCEPTED
        detail = store.result("A1")
        assert detail is not None
        ((row, _, tries),) = detail.deliveries
        assert (row.attempts, row.accepted_at, row.due_at, row.last_code) == (2, later(3), None, "AA")
        assert tries == (
            AttemptRow(started_at=NOW, ended_at=later(1), code="timeout", text="words of try again"),
            AttemptRow(started_at=later(2), ended_at=later(3), code="AA", text="words of accepted"),
        )

    def test_what_would_wait_longer_than_any_wait_is_made_due(self, store: Store) -> None:
        """The clock was set back since: neither what is due within the time, nor what is on its way, nor another receiver's is touched."""
        ids = {name: s.post(store, name, patient=name).delivery_ids[0] for name in ("A1", "B1", "C1")}
        (other,) = s.post(store, "D1", destinations=("chart",)).delivery_ids
        s.attempt(store, ids["A1"], Answer.TRY_AGAIN, due_at=later(60))
        s.attempt(store, ids["B1"], Answer.TRY_AGAIN, due_at=later(24 * 60))
        s.begin(store, ids["C1"])
        s.attempt(store, other, Answer.TRY_AGAIN, due_at=later(24 * 60))
        hurry = HurryWaiting(destination="records", beyond=later(60), at=NOW)
        assert store.submit(hurry).result(WAIT) == 1
        assert s.heads(store) == ["B1"]
        assert store.submit(hurry).result(WAIT) == 0
        assert store.next_due("chart") == later(24 * 60)
        s.attempt(store, ids["B1"], Answer.ACCEPTED)
        assert store.next_due("records") == later(60)

    def test_answers_are_waited_for_anew_where_the_clock_was_set(self, store: Store) -> None:
        """All of a receiver's, whether the clock went ahead or back; at a start only what would be waited for longer than any wait."""
        ids = {name: s.post(store, name, patient=name).delivery_ids[0] for name in ("A1", "B1", "C1")}
        (other,) = s.post(store, "D1", destinations=("chart",)).delivery_ids
        for delivery_id, minutes in ((ids["A1"], 15), (ids["B1"], 24 * 60), (other, 24 * 60)):
            s.attempt(store, delivery_id, Answer.COMMITTED, "CA", due_at=later(minutes))
        s.attempt(store, ids["C1"], Answer.TRY_AGAIN, due_at=later(30))
        begun = HurryWaiting(destination="records", beyond=later(60), at=NOW, answers_until=later(20))
        assert store.submit(begun).result(WAIT) == 1
        assert store.unanswered("records", now=later(15), limit=9) == (ids["A1"],)
        assert store.unanswered("records", now=later(20), limit=9) == (ids["A1"], ids["B1"])
        step = HurryWaiting(destination="records", beyond=later(60), at=NOW, answers_until=later(40), was_set=True)
        assert store.submit(step).result(WAIT) == 2
        assert store.next_unanswered("records") == later(40)
        assert store.next_unanswered("chart") == later(24 * 60)
        assert store.next_due("records") == later(30)

    def test_a_closed_door_counts_no_try(self, store: Store) -> None:
        """The receiver has nothing of it: neither the count nor the age of the tries goes on."""
        (one,) = s.post(store, "A1").delivery_ids
        assert s.attempt(store, one, Answer.CLOSED, due_at=later(1)) is D.RETRYING
        (head,) = store.lane_heads("records", now=later(1), limit=1)
        assert (head.attempts, head.first_attempt_at) == (0, None)
        s.end(store, one, s.begin(store, one, at=later(1)), Answer.TRY_AGAIN, due_at=later(2))
        (head,) = store.lane_heads("records", now=later(2), limit=1)
        assert (head.attempts, head.first_attempt_at) == (1, later(1))

    @pytest.mark.parametrize(
        ("expire", "state", "rule"), [(False, D.REFUSED, "deliver.refused"), (True, D.EXPIRED, "deliver.expired")]
    )
    def test_a_delivery_that_ends_badly_opens_a_stop_and_frees_its_lane(
        self, store: Store, expire: bool, state: DeliveryState, rule: str
    ) -> None:
        """Turned away or given up: a row with the receiver's words, and the patient's next result goes."""
        (one,) = s.post(store, "A1", patient="A").delivery_ids
        s.post(store, "A2", patient="A")
        answer = Answer.TRY_AGAIN if expire else Answer.REFUSED
        assert s.attempt(store, one, answer, expire=expire, due_at=later(9)) is state
        (stop,) = store.stops(group=StopGroup.REFUSED)
        assert (stop.rule, stop.delivery_id, stop.destination, stop.patient_id) == (rule, one, "records", "A")
        assert (stop.sentence, stop.remedy) == ("It was turned away.", "Look there.")
        assert stop.receiver_words == f"words of {answer.value}"
        assert s.heads(store) == ["A2"]
        assert store.next_due("records") is None

    def test_an_answer_to_an_attempt_that_never_was_is_refused(self, store: Store) -> None:
        """No attempt, or another delivery's: a defect of ours, told to the one who asked; nothing changes."""
        (one,) = s.post(store, "A1", patient="A").delivery_ids
        (two,) = s.post(store, "B1", patient="B").delivery_ids
        other = s.begin(store, two)
        assert other is not None
        for attempt in (other, other + 1):
            with pytest.raises(ValueError, match=f"delivery {one} has no attempt {attempt}"):
                s.end(store, one, attempt, Answer.ACCEPTED)
        assert s.states(store, "A1") == {"records": D.QUEUED}
        assert s.states(store, "B1") == {"records": D.SENDING}

    @pytest.mark.parametrize("again", [Answer.ACCEPTED, Answer.REFUSED, Answer.CLOSED])
    def test_the_end_of_an_attempt_may_be_told_twice(self, store: Store, again: Answer) -> None:
        """Who lost the connection at the commit says it again: the first end stands, whatever the second says, and none is counted twice."""
        (one,) = s.post(store, "A1").delivery_ids
        first = s.begin(store, one)
        assert s.end(store, one, first, Answer.TRY_AGAIN, "timeout", due_at=later(1)) is D.RETRYING
        before = store.result("A1"), store.events(f"delivery:{one}"), store.stops()
        assert s.end(store, one, first, again, at=later(2)) is D.RETRYING
        assert (store.result("A1"), store.events(f"delivery:{one}"), store.stops()) == before
        second = s.begin(store, one, at=later(3))
        assert s.end(store, one, first, again, at=later(4)) is D.SENDING
        assert s.end(store, one, second, Answer.ACCEPTED, at=later(5)) is D.ACCEPTED
        assert s.end(store, one, second, again, at=later(6)) is D.ACCEPTED

    def test_an_older_message_that_is_sent_again_heads_its_lane_behind_the_one_on_its_way(self, store: Store) -> None:
        """Two messages of one patient are never on their way at once; then the older goes first again, by its number."""
        (first,) = s.post(store, "A1", patient="A").delivery_ids
        (second,) = s.post(store, "A2", patient="A").delivery_ids
        s.attempt(store, first, Answer.REFUSED)
        attempt = s.begin(store, second)
        s.close(store, store.stops()[0].stop_id, StopEnd.SENT_AGAIN)
        assert s.heads(store) == []
        assert not s.begin(store, first)
        s.end(store, second, attempt, Answer.TRY_AGAIN, due_at=NOW)
        assert s.heads(store) == ["A1"]
        assert not s.begin(store, second)
        s.attempt(store, first, Answer.ACCEPTED)
        assert s.heads(store) == ["A2"]

    def test_a_successor_waits_again_where_what_it_waits_for_is_sent_again(self, store: Store) -> None:
        """``after`` is over, or it is not: a yes that was silence and is taken back, or a person's decision, holds up the one behind it again."""
        (first,) = s.post(store, "A1", patient="A").delivery_ids
        (held,) = s.post(store, "B1", patient="B", after=first).delivery_ids
        s.post(store, "C1", patient="C", born=False, after=first)
        s.attempt(store, first, Answer.REFUSED)
        s.close(store, store.stops()[0].stop_id, StopEnd.SENT_AGAIN)
        assert s.heads(store, now=later(1)) == ["A1"]
        assert store.unborn("records", limit=9) == ()
        assert not s.begin(store, held)
        s.attempt(store, first, Answer.ACCEPTED)
        assert s.heads(store, now=later(1)) == ["B1"]
        assert len(store.unborn("records", limit=9)) == 1

    # --- restarts

    def test_what_was_being_sent_is_due_again_after_a_restart(self, opened: Opened) -> None:
        """Its fate is unknown: the same bytes under the same control ID go again, first in their lane."""
        (one,) = s.post(opened.store, "A1", patient="A").delivery_ids
        s.post(opened.store, "A2", patient="A")
        assert s.begin(opened.store, one)
        store = opened.restart()
        for _ in range(2):  # as the queue that has the destination now does; a store of one process has done it itself
            store.submit(RecoverDeliveries(destination="records", at=later(60))).result(WAIT)
        detail = store.result("A1")
        assert detail is not None
        ((row, message, tries),) = detail.deliveries
        assert (row.state, row.attempts, row.control_id) == (D.RETRYING, 1, "A1rec")
        assert [(each.code, each.ended_at is not None) for each in tries] == [("unknown", True)]
        (head,) = store.lane_heads("records", now=later(24 * 60), limit=9)
        assert (head.delivery_id, head.message) == (one, message)

    def test_a_restart_changes_nothing_else(self, opened: Opened) -> None:
        """Everything that was not in the middle of a try stands as it stood, twice over."""
        (one, two) = s.post(opened.store, "A1", destinations=("records", "chart")).delivery_ids
        s.attempt(opened.store, one, Answer.ACCEPTED)
        s.attempt(opened.store, two, Answer.TRY_AGAIN, due_at=later(7))
        stopped = s.record(opened.store, s.reading("2"), s.held(s.reading("2")))
        before = (opened.store.result("A1"), opened.store.stops(), opened.store.strips(), opened.store.next_due("chart"))
        opened.restart()
        store = opened.restart()
        assert (store.result("A1"), store.stops(), store.strips(), store.next_due("chart")) == before
        assert stopped.stop_id is not None
        assert [event.what for event in store.events(f"stop:{stopped.stop_id}")] == ["stop.opened"]

    def test_reserved_numbers_never_come_twice(self, opened: Opened) -> None:
        """Blocks follow each other over restarts, and the epoch stays: no identifier is ever given again."""
        epoch = opened.store.epoch
        assert len(epoch) == 5
        assert epoch.isalnum()
        assert epoch == epoch.upper()
        blocks = []
        for _ in range(3):
            blocks += [opened.store.submit(ReserveNumbers(count=count)).result(WAIT) for count in (500, 1, 7)]
            assert opened.restart().epoch == epoch
        assert blocks == [1, 501, 502, 509, 1009, 1010, 1017, 1517, 1518]

    # --- a person at the desk

    def test_the_second_person_is_overtaken(self, store: Store) -> None:
        """Two persons press at the same moment: one decides, the other is told, and nothing is done twice."""
        of = s.reading()
        stop_id = s.record(store, of, s.held(of)).stop_id
        assert stop_id is not None
        commands = [
            CloseStop(stop_id=stop_id, end=end, actor=who, reason="r", at=NOW, accept_rules=rules)
            for who, end, rules in (
                (BO, StopEnd.RELEASED, frozenset({"copy.possible"})),
                (EDA, StopEnd.DISCARDED, frozenset[str]()),
            )
        ]
        ready = threading.Barrier(2)
        told: list[str] = []

        def press(command: CloseStop) -> None:
            ready.wait(WAIT)
            try:
                store.submit(command).result(WAIT)
                told.append("done")
            except Overtaken:
                told.append("overtaken")

        threads = [threading.Thread(target=press, args=(command,)) for command in commands]
        for thread in threads:
            thread.start()
        for thread in threads:
            thread.join(WAIT)
        assert sorted(told) == ["done", "overtaken"]
        stop = store.stop(stop_id)
        assert stop is not None
        assert stop.state is StopState.CLOSED
        assert (stop.closed_by, stop.closed_how) in {("Bo (unverified)", "released"), ("Eda (unverified)", "discarded")}
        assert [event.what for event in store.events(f"stop:{stop_id}")] == ["stop.opened", "stop.closed"]

    @pytest.mark.parametrize("end", list(StopEnd))
    def test_a_closed_stop_takes_no_second_end(self, store: Store, end: StopEnd) -> None:
        """Whatever the second person wants, it is too late; a row that never was is answered alike."""
        of = s.reading()
        stop_id = s.record(store, of, s.held(of)).stop_id
        assert stop_id is not None
        s.close(store, stop_id, StopEnd.DISCARDED)
        for wanted in (stop_id, 999):
            with pytest.raises(Overtaken, match="dealt with this already"):
                s.close(store, wanted, end, who=EDA)

    def test_a_corrected_patient_id_judges_the_strip_again(self, opened: Opened) -> None:
        """The decision is the person's, kept with the reading; the strip's own index alone is judged again."""
        of = s.reading("2", index=1)
        capture_id = s.keep(opened.store)
        s.record(opened.store, s.reading("1"), s.control(s.reading("1")), capture_id=capture_id, ends=False)
        stopped = s.record(opened.store, of, s.rejected(of, "patient.malformed"), capture_id=capture_id)
        assert stopped.stop_id is not None
        s.close(opened.store, stopped.stop_id, StopEnd.ID_CORRECTED, patient_id="40718823")
        store = opened.restart()
        intake = store.next_intake("brook-1")
        assert intake is not None
        assert (intake.capture_id, intake.only_index, intake.because) == (capture_id, 1, "patient ID corrected")
        decisions = store.reading_facts(capture_id, 1, record_digest=of.record_digest).decisions
        assert (decisions.patient_id, decisions.corrected_by, decisions.accepted_rules) == ("40718823", BO, frozenset())
        for index, digest in ((0, of.record_digest), (1, "0" * 64)):  # another place, or other bytes at the place
            assert store.reading_facts(capture_id, index, record_digest=digest).decisions.patient_id is None
        made = s.result("R1", patient="40718823")
        fixed = s.checked(of, patient_id="40718823", corrected_by=BO)
        again = s.record(
            store, of, Coded(checked=fixed, result=made), deliveries=[s.delivery(s.message(made, "M1"))], capture_id=capture_id
        )
        old, new = store.strip(stopped.strip_id), store.strip(again.strip_id)
        assert old is not None
        assert new is not None
        assert (old.outcome, new.outcome, new.patient_id) == ("superseded", "coded", "40718823")
        assert [row.strip_id for row in store.capture_strips(capture_id)][1:] == [again.strip_id]

    def test_a_release_accepts_the_rules_that_held_it(self, store: Store) -> None:
        """The rules that a person passed over are known when the strip is judged again."""
        of = s.reading()
        stopped = s.record(store, of, s.held(of))
        assert stopped.stop_id is not None
        s.close(store, stopped.stop_id, StopEnd.RELEASED, accept_rules=frozenset({"copy.possible", "copy.doubt"}))
        intake = store.next_intake("brook-1")
        assert intake is not None
        decisions = store.reading_facts(intake.capture_id, 0, record_digest=of.record_digest).decisions
        assert decisions.accepted_by == {"copy.possible": BO, "copy.doubt": BO}

    def test_a_second_person_and_the_specimen_are_kept(self, store: Store) -> None:
        """In the row and in the history, the second person's word in that name; "" where nobody was asked."""
        ends: tuple[tuple[StopEnd, dict[str, Any]], ...] = (
            (StopEnd.DISCARDED, {"specimen": SpecimenNext.COLLECT_AGAIN}),
            (StopEnd.DISCARDED, {}),
            (StopEnd.RELEASED, {"accept_rules": frozenset({"copy.possible"}), "second": "Eda"}),
        )
        kept = []
        for number, (end, terms) in enumerate(ends):
            of = s.reading(str(number + 1))
            stop_id = s.record(store, of, s.held(of)).stop_id
            assert stop_id is not None
            s.close(store, stop_id, end, **terms)
            row = store.stop(stop_id)
            assert row is not None
            said = [(event.what, event.actor, event.after) for event in store.events(f"stop:{stop_id}")]
            kept.append((row.closed_with, row.specimen, said[2:]))
        assert kept == [
            ("", "collected again", [("specimen.next", "Bo", "collected again")]),
            ("", "", []),
            ("Eda", "", [("release.agreed", "Eda", "agreed")]),
        ]

    def test_discarding_ends_the_strip_and_keeps_its_bytes(self, store: Store) -> None:
        """Nothing is judged again; the strip says discarded, and who said why is kept."""
        of = s.reading()
        stopped = s.record(store, of, s.held(of))
        assert stopped.stop_id is not None
        s.close(store, stopped.stop_id, StopEnd.DISCARDED, at=later(3))
        strip, stop = store.strip(stopped.strip_id), store.stop(stopped.stop_id)
        assert strip is not None
        assert stop is not None
        assert strip.outcome == "discarded"
        assert (stop.closed_at, stop.closed_by, stop.closed_how, stop.closed_reason) == (
            later(3),
            "Bo (unverified)",
            "discarded",
            "because",
        )
        assert store.next_intake("brook-1") is None
        assert store.capture(strip.capture_id).capture.payload == of.record_digest.encode()
        assert [(e.what, e.actor, e.reason) for e in store.events(f"strip:{strip.strip_id}")] == [
            ("strip.judged", "padpost", ""),
            ("strip.discarded", "Bo", "because"),
        ]

    def test_sending_again_keeps_the_bytes_and_the_identity(self, store: Store) -> None:
        """A refused message goes again as it was, behind nothing; its age is counted anew."""
        (one,) = s.post(store, "A1").delivery_ids
        s.attempt(store, one, Answer.REFUSED)
        (stop,) = store.stops()
        s.close(store, stop.stop_id, StopEnd.SENT_AGAIN)
        (head,) = store.lane_heads("records", now=NOW, limit=9)
        assert (head.delivery_id, head.message, head.attempts) == (one, s.message(s.result("A1"), "A1rec"), 1)
        assert head.first_attempt_at is None
        assert store.open_stops()[StopGroup.REFUSED] == 0
        held = s.record(store, s.reading("2"), s.held(s.reading("2")))
        assert held.stop_id is not None
        with pytest.raises(RefusedAction, match="Nothing of this was ever sent"):
            s.close(store, held.stop_id, StopEnd.SENT_AGAIN)

    def test_a_refused_result_may_be_judged_again_where_no_receiver_has_it(self, store: Store) -> None:
        """Refused here, not yet sent there: both are set aside, and the result keeps its identity for the next version."""
        recorded = s.post(store, "A1", destinations=("records", "chart"))
        strip = store.strip(recorded.strip_id)
        assert strip is not None
        assert store.reading_facts(strip.capture_id, 0, record_digest=strip.record_digest).prior is None  # it is on its way
        s.attempt(store, recorded.delivery_ids[0], Answer.REFUSED)
        (stop,) = store.stops()
        s.close(store, stop.stop_id, StopEnd.ID_CORRECTED, patient_id="40718823")
        assert s.states(store, "A1") == {"records": D.SUPERSEDED, "chart": D.SUPERSEDED}
        assert s.heads(store, destination="chart") == []
        facts = store.reading_facts(strip.capture_id, 0, record_digest=strip.record_digest)
        assert facts.prior == PriorResult(result_id="A1", version=1)
        assert store.reading_facts(strip.capture_id, 0, record_digest="0" * 64).prior is None

    @pytest.mark.parametrize("there", [D.ACCEPTED, D.SENDING, D.RETRYING])
    def test_a_result_that_a_receiver_may_have_is_not_moved_to_another_patient(self, store: Store, there: DeliveryState) -> None:
        """It would stand in two records: the person is told to have it withdrawn there first, and nothing changes."""
        recorded = s.post(store, "A1", destinations=("records", "chart"))
        s.attempt(store, recorded.delivery_ids[0], Answer.REFUSED)
        attempt = s.begin(store, recorded.delivery_ids[1])
        if there is not D.SENDING:
            answer = Answer.ACCEPTED if there is D.ACCEPTED else Answer.TRY_AGAIN
            s.end(store, recorded.delivery_ids[1], attempt, answer, due_at=later(1))
        (stop,) = store.stops()
        with pytest.raises(RefusedAction, match="chart has this result as it was, or may have it"):
            s.close(store, stop.stop_id, StopEnd.ID_CORRECTED, patient_id="40718823")
        assert s.states(store, "A1") == {"records": D.REFUSED, "chart": there}
        assert store.stops() == (stop,)
        assert store.next_intake("brook-1") is None

    def test_a_result_whose_answer_never_came_counts_as_maybe_there(self, store: Store) -> None:
        """The receiver has taken it in, and nobody knows whether it is filed."""
        (one,) = s.post(store, "A1").delivery_ids
        assert s.attempt(store, one, Answer.COMMITTED, "CA", due_at=later(1)) is D.COMMITTED
        assert s.end_wait(store, one, at=later(2)) is D.EXPIRED
        (stop,) = store.stops()
        with pytest.raises(RefusedAction, match="or may have it"):
            s.close(store, stop.stop_id, StopEnd.READ_AGAIN)

    @pytest.mark.parametrize(("code", "may"), [("timeout", False), ("no connection", True), ("host name unknown", True)])
    def test_a_result_given_up_without_an_answer_counts_as_maybe_there(self, store: Store, code: str, may: bool) -> None:
        """A message that left us and was never answered may be filed; one that never left is nowhere."""
        (one,) = s.post(store, "A1").delivery_ids
        assert s.attempt(store, one, Answer.TRY_AGAIN, code, expire=True) is D.EXPIRED
        (stop,) = store.stops()
        if may:
            s.close(store, stop.stop_id, StopEnd.ID_CORRECTED, patient_id="40718823")
            assert s.states(store, "A1") == {"records": D.SUPERSEDED}
            return
        with pytest.raises(RefusedAction, match="or may have it"):
            s.close(store, stop.stop_id, StopEnd.ID_CORRECTED, patient_id="40718823")
        s.close(store, stop.stop_id, StopEnd.SENT_AGAIN)
        assert s.attempt(store, one, Answer.REFUSED) is D.REFUSED  # now it has answered: it has nothing
        (stop,) = store.stops()
        s.close(store, stop.stop_id, StopEnd.ID_CORRECTED, patient_id="40718823")
        assert s.states(store, "A1") == {"records": D.SUPERSEDED}

    def test_a_discarded_message_ends_at_its_destination_only(self, store: Store) -> None:
        """The other receiver still gets the result."""
        recorded = s.post(store, "A1", destinations=("records", "chart"))
        s.attempt(store, recorded.delivery_ids[0], Answer.REFUSED)
        (stop,) = store.stops()
        s.close(store, stop.stop_id, StopEnd.DISCARDED)
        assert s.states(store, "A1") == {"records": D.DISCARDED, "chart": D.QUEUED}
        strip = store.strip(recorded.strip_id)
        assert strip is not None
        assert strip.outcome == "coded"

    def test_reading_an_unreadable_stretch_again_reads_the_whole_capture(self, store: Store) -> None:
        """A mended profile may cut it otherwise; a rejected strip is read at its own place alone."""
        one = s.record(store, s.unreadable(), None)
        assert one.stop_id is not None
        s.close(store, one.stop_id, StopEnd.READ_AGAIN)
        intake = store.next_intake("brook-1")
        assert intake is not None
        assert (intake.only_index, intake.next_index, intake.because) == (None, 0, "read again")
        s.record(store, s.reading(), s.rejected(s.reading()), capture_id=intake.capture_id)
        (stop,) = store.stops()
        s.close(store, stop.stop_id, StopEnd.READ_AGAIN)
        intake = store.next_intake("brook-1")
        assert intake is not None
        assert (intake.only_index, intake.next_index) == (0, 0)

    def test_a_file_that_was_not_kept_cannot_be_read_again(self, store: Store) -> None:
        """There are no bytes; the person is told what to do instead, and may discard the row."""
        noted = NoteRefusedFile(
            source="drops", name="big.bin", digest="f" * 64, size=9, beginning=b"x", sentence="Too large.", remedy="Split it.", at=NOW
        )  # fmt: skip
        stop_id = store.submit(noted).result(WAIT)
        with pytest.raises(RefusedAction, match="Put it into the folder again"):
            s.close(store, stop_id, StopEnd.READ_AGAIN)
        s.close(store, stop_id, StopEnd.DISCARDED)
        assert store.stops() == ()

    # --- tables, plans, destinations

    def test_a_table_set_is_kept_by_its_digest(self, opened: Opened) -> None:
        """The content is kept, not its name alone; a content that is not the digest's is refused."""
        content = b'{"catalogue":{}}' * 1_000
        digest = "c4b5ec2f3d7b33bf8b2a6ae5d8ec7bf5b0b8d9f40ad3ab0f56e3df0e1c8a2c6b"
        with pytest.raises(ValueError, match="other content than its digest says"):
            opened.store.submit(KeepTables(digest=digest, content=content, at=NOW)).result(WAIT)
        assert opened.store.table_set(digest) is None
        digest = s.digest_of(content)
        for _ in range(2):
            opened.store.submit(KeepTables(digest=digest, content=content, at=NOW)).result(WAIT)
        assert opened.restart().table_set(digest) == content

    def test_a_plans_verdict_is_kept_and_may_change(self, opened: Opened) -> None:
        """None: never asked. Empty: passed. Words: what is wrong."""
        assert opened.store.plan_check("p") is None
        opened.store.submit(KeepPlanCheck(digest="p", fault="OBX-2 is wrong", at=NOW)).result(WAIT)
        assert opened.store.plan_check("p") == "OBX-2 is wrong"
        opened.store.submit(KeepPlanCheck(digest="p", fault="", at=NOW)).result(WAIT)
        assert opened.restart().plan_check("p") == ""

    def test_a_destinations_state_is_noted_once_a_change(self, store: Store) -> None:
        """The row says since when; the same word again is no event."""
        for at, state in ((0, DestinationState.OPEN), (1, DestinationState.CLOSED), (2, DestinationState.CLOSED)):
            store.submit(SetDestination(name="records", state=state, reason="", at=later(at))).result(WAIT)
        s.post(store, "A1")
        s.attempt(store, s.post(store, "B1", patient="B").delivery_ids[0], Answer.ACCEPTED)
        s.attempt(store, s.post(store, "C1", patient="C", destinations=("chart",)).delivery_ids[0], Answer.REFUSED)
        chart, records = store.destinations()
        assert (records.name, records.state, records.since) == ("records", DestinationState.CLOSED, later(1))
        assert (records.waiting, records.oldest, records.accepted, records.refused) == (1, NOW, 1, 0)
        assert (chart.name, chart.state, chart.since, chart.waiting, chart.refused) == (
            "chart",
            DestinationState.OPEN,
            None,
            0,
            1,
        )
        assert [(e.before, e.after) for e in store.events("destination:records")] == [("", "open"), ("open", "closed")]

    # --- facts of identity

    def test_a_second_result_of_a_reading_is_refused_without_a_version(self, store: Store) -> None:
        """The same result and version twice is a defect: refused, never a second message."""
        s.post(store, "A1")
        of, made = s.reading("9"), s.result("A1")
        with pytest.raises(Exception, match="result_id"):
            s.record(store, of, Coded(checked=s.checked(of), result=made), deliveries=[s.delivery(s.message(made, "other"))])

    def test_a_strip_never_meets_itself_its_copies_or_what_was_set_aside(self, store: Store) -> None:
        """Judged again, it would else be taken for a copy of its own copy, and both would be lost."""
        original = s.record(store, s.reading("1"), s.held(s.reading("1")))
        s.record(store, s.reading("1"), s.copy(s.reading("1"), original.strip_id))
        strip = store.strip(original.strip_id)
        assert strip is not None
        needs = Needs(
            analyzer="brook-1", mode="all", number="1", record_digest=strip.record_digest, patient_id="4711", printed_at=NOW
        )
        own = store.seen_strips(needs, now=NOW, window=HOUR, apart_from=(strip.capture_id, 0))
        assert (own.same_number, own.same_record, own.same_patient) == ((), (), ())
        others = store.seen_strips(needs, now=NOW, window=HOUR, apart_from=(999, 0))
        for found in (others.same_number, others.same_record, others.same_patient):
            assert [each.strip_id for each in found] == [original.strip_id]
            assert (found[0].open_stop, found[0].discarded) == (True, False)

    def test_the_strip_before_is_the_analyzers_last_patient_strip(self, store: Store) -> None:
        """In the order in which they came, whatever was judged later; copies, controls, what was set aside and other analyzers' are passed over."""
        assert store.strip_before("brook-1", (99, 0)) is None
        first = s.record(store, s.reading("1"), s.held(s.reading("1")))
        seat = _seat(store, first.strip_id)
        s.record(store, s.reading("1"), s.copy(s.reading("1"), first.strip_id))
        s.record(store, s.reading("2"), NonPatient(checked=replace(s.checked(s.reading("2")), purpose=Purpose.CONTROL)))
        other = s.reading("3", analyzer="brook-2")
        s.record(store, other, s.held(other))
        of = s.reading("1")
        assert store.strip_before("brook-1", (99, 0)) == Neighbour(
            number="1", patient_id="4711", content=s.checked(of).content, printed_at=NOW, arrived_at=NOW
        )
        assert store.strip_before("brook-1", seat) is None
        last = s.record(store, s.reading("4"), s.held(s.reading("4")))
        assert first.stop_id is not None
        s.close(store, first.stop_id, StopEnd.READ_AGAIN)
        s.record(store, of, s.held(of), capture_id=seat[0])  # judged again behind strip 4, and still before it
        assert _number(store.strip_before("brook-1", (99, 0))) == "4"
        assert _number(store.strip_before("brook-1", _seat(store, last.strip_id))) == "1"
        assert store.strip_before("brook-1", (seat[0] + 9_999, 0)) is None  # too long ago to be a neighbour

    def test_a_second_outcome_of_a_reading_replaces_the_first(self, store: Store) -> None:
        """One reading has one newest interpretation and at most one open stop."""
        of = s.reading()
        recorded = s.record(store, of, s.held(of))
        strip = store.strip(recorded.strip_id)
        assert strip is not None
        assert recorded.stop_id is not None
        s.close(store, recorded.stop_id, StopEnd.READ_AGAIN)
        replaced = s.record(store, of, s.held(of), capture_id=strip.capture_id)
        assert [row.strip_id for row in store.capture_strips(strip.capture_id)] == [replaced.strip_id]
        assert store.open_stops()[StopGroup.HELD] == 1

    @pytest.mark.parametrize("ends", [False, True])
    def test_an_outcome_that_is_recorded_already_is_not_recorded_again(self, store: Store, ends: bool) -> None:
        """Who lost the connection at the commit, or its lease, judges with what is there: the second command changes nothing."""
        capture_id = s.keep(store)
        first, second = s.reading("1", index=0), s.reading("2", index=1)
        command = RecordOutcome(
            intake_id=1, capture_id=capture_id, reading=first, outcome=s.held(first), deliveries=(), tables_digest="t", at=NOW, ends_intake=ends
        )  # fmt: skip
        recorded = store.submit(command).result(WAIT)
        before = store.stops(), store.strips(), store.events(f"strip:{recorded.strip_id}"), store.next_intake("brook-1")
        for again in (command, replace(command, outcome=s.control(first), ends_intake=True)):
            with pytest.raises(Overtaken, match="judged already"):
                store.submit(again).result(WAIT)
        assert (store.stops(), store.strips(), store.events(f"strip:{recorded.strip_id}"), store.next_intake("brook-1")) == before
        if not ends:
            s.record(store, second, s.control(second), capture_id=capture_id)
            assert store.next_intake("brook-1") is None

    @pytest.mark.parametrize("known", [True, False])
    def test_a_judgement_of_work_that_is_over_or_never_was_is_overtaken(self, store: Store, known: bool) -> None:
        """One strip judged again is judged once; an ended or unknown piece of work takes nothing, and ending it twice is no fault."""
        of = s.reading()
        recorded = s.record(store, of, s.held(of))
        strip = store.strip(recorded.strip_id)
        assert strip is not None
        assert recorded.stop_id is not None
        s.close(store, recorded.stop_id, StopEnd.RELEASED)
        intake = store.next_intake("brook-1")
        assert intake is not None
        s.record(store, of, s.control(of), capture_id=strip.capture_id)
        again = RecordOutcome(
            intake_id=intake.intake_id if known else 999, capture_id=strip.capture_id, reading=of, outcome=s.control(of), deliveries=(),
            tables_digest="t", at=NOW, ends_intake=True,
        )  # fmt: skip
        with pytest.raises(Overtaken, match="judged already"):
            store.submit(again).result(WAIT)
        store.submit(EndIntake(intake_id=again.intake_id, at=NOW)).result(WAIT)
        assert [row.outcome for row in store.capture_strips(strip.capture_id)] == ["non_patient"]

    # --- a person decides while a capture is read again

    def test_what_a_person_discards_while_its_capture_is_read_again_stays_discarded(self, store: Store) -> None:
        """The judge looked before the person did: it looks again, and what was given up goes nowhere."""
        capture_id, unreadable, held = _two_stopped(store)
        s.close(store, unreadable, StopEnd.READ_AGAIN)
        s.close(store, held, StopEnd.DISCARDED)
        of = s.reading(index=1)
        with pytest.raises(Overtaken):
            s.record(store, of, Coded(checked=s.checked(of), result=s.result("R1")), capture_id=capture_id)
        assert [(row.index, row.outcome) for row in store.capture_strips(capture_id)] == [(0, "unreadable"), (1, "discarded")]
        assert store.next_intake("brook-1") is not None

    def test_a_strip_that_a_person_decided_about_is_judged_once_and_by_its_own_piece_of_work(self, store: Store) -> None:
        """Its capture is to be read again as well: judged by both, it would be posted twice, once perhaps without the correction."""
        capture_id, unreadable, held = _two_stopped(store)
        s.close(store, unreadable, StopEnd.READ_AGAIN)
        of = s.reading(index=1)
        coded = Coded(checked=s.checked(of), result=s.result("R1"))
        whole = store.next_intake("brook-1")
        assert whole is not None
        s.close(store, held, StopEnd.ID_CORRECTED, patient_id="40718823")
        command = RecordOutcome(
            intake_id=whole.intake_id, capture_id=capture_id, reading=of, outcome=coded, deliveries=(), tables_digest="t", at=s.NOW,
            ends_intake=True,
        )  # fmt: skip
        with pytest.raises(Overtaken):
            store.submit(command).result(s.WAIT)
        own = store.next_intake("brook-1")
        assert own is not None
        assert (own.only_index, own.because) == (1, "patient ID corrected")
        s.record(store, of, coded, capture_id=capture_id)
        again = store.next_intake("brook-1")
        assert again == whole
        with pytest.raises(Overtaken):
            store.submit(command).result(s.WAIT)
        assert [row.outcome for row in store.capture_strips(capture_id)] == ["unreadable", "coded"]

    def test_a_piece_of_work_that_ends_early_leaves_what_it_has_found_unreadable_again(self, store: Store) -> None:
        """The rest of the capture was settled meanwhile: the stretch that it could not read this time either still waits for a person."""
        capture_id, unreadable, held = _two_stopped(store)
        s.close(store, unreadable, StopEnd.READ_AGAIN)
        anew = s.record(store, s.unreadable("e" * 64, index=0), None, capture_id=capture_id, ends=False)
        s.close(store, held, StopEnd.DISCARDED)
        piece = store.next_intake("brook-1")
        assert piece is not None
        store.submit(EndIntake(intake_id=piece.intake_id, at=s.NOW)).result(s.WAIT)
        assert [stop.stop_id for stop in store.stops()] == [anew.stop_id]
        assert store.next_intake("brook-1") is None
