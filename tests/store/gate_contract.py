"""What every store must do with gates: moved with the strip that moves them, once; what waits goes when they open, in order."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import replace
from datetime import datetime, time
from typing import Any
from zoneinfo import ZoneInfo

import pytest

from bridge.bench.controls import ControlRun, RunVerdict, Unmatched
from bridge.bench.gate import BegunAnew, Cause, ControlRead, Gate, GateKey, Mended, PatientRead, RepeatExplained, Seat
from bridge.bench.look_back import Verdict
from bridge.bench.run_text import run_text
from bridge.errors import Overtaken, RefusedAction
from bridge.lifecycle.states import SpecimenNext, StopEnd
from bridge.model import CheckedReading, Coded, GateState, NonPatient, Outcome, Purpose, Severity, Waiting
from bridge.store.api import Store
from bridge.store.commands import (
    CloseLot,
    EndWaiting,
    EnterLot,
    GateWrite,
    JudgeWaiting,
    LetStand,
    NewDelivery,
    RecordedOutcome,
    RecordOutcome,
    SayOfGate,
    SignLot,
)
from bridge.tables.control_table import GatePolicy, ShutDoes
from tests.store import strips as s
from tests.store.contract import Opened
from tests.store.strips import BO, EDA, NOW, WAIT, later

S = GateState
KEY = GateKey(analyzer="brook-1", strip_type="plover-12", strip_lot="L1")
POLICY = GatePolicy(levels=frozenset({"1", "2"}), zone=ZoneInfo("Europe/Lisbon"), shut=ShutDoes.WAIT, day_starts=time(6))
MENDED = Mended(at=NOW, by=EDA, cause="strips left open", action="new container")

RUN = run_text(ControlRun(lot=None, unmatched=Unmatched.NOT_KNOWN, flaws=(), pads=()))  # what a control's line carries


class Bench:
    """Strips of one analyzer, a minute apart, each in a capture of its own."""

    def __init__(self, store: Store, policy: GatePolicy = POLICY, *, key: GateKey = KEY) -> None:
        self.store, self.policy, self.key, self.count = store, policy, key, 0

    @property
    def at(self) -> datetime:
        """Give the minute of the strip that came last."""
        return later(self.count)

    def control(self, level: str, verdict: RunVerdict = RunVerdict.PASSED, *, stopped: bool = False) -> RecordedOutcome:
        """Record a control; a ``stopped`` one stands among the rejected messages too."""
        self.count += 1
        return self._control(s.keep(self.store, arrived_at=self.at), level, verdict, stopped=stopped)

    def control_again(self, stopped: RecordedOutcome, level: str, verdict: RunVerdict) -> RecordedOutcome:
        """Read a stopped control again; this time nothing stops it."""
        assert stopped.stop_id is not None
        strip = self.store.strip(stopped.strip_id)
        assert strip is not None
        s.close(self.store, stopped.stop_id, StopEnd.READ_AGAIN)
        return self._control(strip.capture_id, level, verdict, stopped=False)

    def patient(self, *, waits: bool = False, noted: bool = False, capture_id: int | None = None) -> tuple[int, RecordedOutcome]:
        """Record a patient's strip that goes, or that waits; give its capture. With ``capture_id`` that one is judged again."""
        self.count += 1
        gate = GateWrite(key=self.key, what=PatientRead(at=self.at, seat=(0, 0)), policy=self.policy, counts=capture_id is None)
        if capture_id is None:
            capture_id = s.keep(self.store, arrived_at=self.at)
        checked = self._checked()
        gate = replace(gate, what=PatientRead(at=self.at, seat=(capture_id, 0)))
        if waits:
            waiting = Waiting(checked=checked, findings=(s.finding("controls.due", Severity.HOLD, releasable=True),))
            return capture_id, self.record(capture_id, waiting, gate)
        result = s.result(f"R{self.count}")
        notes = (s.finding("controls.due", Severity.NOTE),) if noted else ()
        return capture_id, self.record(
            capture_id,
            Coded(checked=checked, result=result, findings=notes),
            gate,
            s.delivery(s.message(result, f"M{self.count}")),
        )

    def say(self, word: Any) -> None:
        """Say a word of the gate a while after the strip that came last."""
        self.store.submit(SayOfGate(key=self.key, word=replace(word, at=later(self.count + 0.25)), policy=self.policy)).result(
            WAIT
        )

    def waiting_work(self) -> list[tuple[int, str]]:
        """Give what is to be judged again, in its order: (capture, because)."""
        found, after = [], 0
        while (intake := self.store.next_intake("brook-1", after=after)) is not None:
            found.append((intake.capture_id, intake.because))
            after = intake.intake_id
        return found

    @property
    def state(self) -> GateState:
        """Give the gate's state as it was last moved."""
        return self.gate.state

    @property
    def gate(self) -> Gate:
        """Give the gate as it was last moved."""
        return next((row.gate for row in self.store.gates()), Gate())

    def _checked(self, **more: Any) -> CheckedReading:
        return s.checked(s.reading(str(self.count)), **more)

    def _control(self, capture_id: int, level: str, verdict: RunVerdict, *, stopped: bool) -> RecordedOutcome:
        what = ControlRead(at=self.at, seat=(capture_id, 0), level=level, verdict=verdict)
        checked = self._checked(purpose=Purpose.CONTROL)
        outcome = s.rejected(checked.reading, "pad.missing") if stopped else NonPatient(checked=checked)
        return self.record(capture_id, outcome, GateWrite(key=self.key, what=what, policy=self.policy, run=RUN))

    def record(self, capture_id: int, outcome: Outcome, gate: GateWrite, *deliveries: NewDelivery) -> RecordedOutcome:
        """Record an outcome of a capture's open piece of work."""
        after = 0
        while (intake := self.store.next_intake("brook-1", after=after)) is not None and intake.capture_id != capture_id:
            after = intake.intake_id
        assert intake is not None
        recorded: RecordedOutcome = self.store.submit(
            RecordOutcome(
                intake_id=intake.intake_id,
                capture_id=capture_id,
                reading=s.reading(str(self.count)),
                outcome=outcome,
                deliveries=deliveries,
                tables_digest="t",
                at=self.at,
                ends_intake=True,
                gate=gate,
            )
        ).result(WAIT)
        return recorded


class GateContract:
    """The suite. Each test opens an empty store of its own."""

    @pytest.fixture
    def opened(self, make: Callable[[], Store]) -> Iterator[Opened]:
        opened = Opened(make)
        yield opened
        opened.store.close()

    @pytest.fixture
    def bench(self, opened: Opened) -> Bench:
        return Bench(opened.store)

    def test_a_gate_moves_with_its_controls_and_outlives_a_restart(self, opened: Opened) -> None:
        """Two levels pass and the gate is open; everything that happened to it stands in its history, newest first."""
        bench = Bench(opened.store)
        bench.control("1")
        bench.control("2")
        store = opened.restart()
        (row,) = store.gates()
        assert (row.key, row.waiting) == (KEY, 0)
        assert row.gate == Gate(state=S.OPEN, as_of=later(2), last_set=(2, 0))
        second, first = store.gate_events()
        assert (first.key, first.what, first.before, first.after, first.level, first.run) == (
            KEY,
            "passed",
            S.START,
            S.START,
            "1",
            RUN,
        )
        assert (first.capture_id, first.index, first.at, first.actor) == (1, 0, later(1), "padpost")
        assert (second.before, second.after, second.level) == (S.START, S.OPEN, "2")
        assert store.gate_events(before=second.event_id) == (first,)
        assert store.gate_events(since=later(2)) == (second,)
        assert store.gate_events(until=later(2)) == (first,)
        assert store.gate_events(limit=1) == (second,)

    def test_what_waits_goes_in_its_order_once_the_gate_opens(self, bench: Bench) -> None:
        """Each is judged again once, oldest first, in the commit of the control that opened the gate."""
        first, one = bench.patient(waits=True)
        second, _ = bench.patient(waits=True)
        assert one.stop_id is None
        assert bench.store.strip(one.strip_id).outcome == "waiting"  # type: ignore[union-attr] # it was recorded
        assert [row.waiting for row in bench.store.gates()] == [2]
        bench.control("1")
        assert bench.waiting_work() == []
        bench.control("2")
        assert bench.waiting_work() == [(first, "controls passed"), (second, "controls passed")]
        bench.control("2")  # open already: nothing is put to judging twice
        assert bench.waiting_work() == [(first, "controls passed"), (second, "controls passed")]

    def test_a_strip_that_went_waits_no_more(self, bench: Bench) -> None:
        """Judged again it is sent, and the earlier interpretation is set aside."""
        capture_id, one = bench.patient(waits=True)
        bench.control("1")
        bench.control("2")
        _, again = bench.patient(capture_id=capture_id)
        assert bench.store.strip(one.strip_id).outcome == "superseded"  # type: ignore[union-attr] # it was recorded
        assert bench.store.strip(again.strip_id).outcome == "coded"  # type: ignore[union-attr] # as above
        assert (bench.waiting_work(), [row.waiting for row in bench.store.gates()]) == ([], [0])

    def test_a_strip_judged_as_the_gate_opened_is_not_forgotten(self, bench: Bench) -> None:
        """Between its judgement and its commit a person opened the gate: it is put to judging by its own commit."""
        bench.control("1")
        bench.control("2", RunVerdict.FAILED)
        bench.control("2")
        bench.say(RepeatExplained(at=NOW, by=EDA, reason="a drop missed two pads"))
        capture_id, _ = bench.patient(waits=True)
        assert bench.waiting_work() == [(capture_id, "controls passed")]

    def test_a_failure_shuts_and_lists_what_went_since_the_last_set(self, bench: Bench) -> None:
        """Before the set and after the failure is nobody's business here; a second failure lists nothing twice."""
        bench.patient()
        bench.control("1")
        bench.control("2")
        sent = [bench.patient()[0] for _ in range(3)]
        waiting, _ = bench.patient(waits=True)
        bench.control("1")
        failed = bench.control("2", RunVerdict.FAILED)
        assert (bench.state, bench.gate.passed) == (S.FAILED, frozenset({"1"}))
        rows = bench.store.look_backs(is_open=True)
        assert [row.strip.capture_id for row in rows] == sent
        seat = bench.store.strip(failed.strip_id)
        assert seat is not None
        assert {(row.failed_capture_id, row.failed_index, row.verdict) for row in rows} == {(seat.capture_id, 0, None)}
        bench.control("2", RunVerdict.FAILED)
        assert [row.row_id for row in bench.store.look_backs(is_open=True)] == [row.row_id for row in rows]
        assert bench.waiting_work()[-1:] == [(waiting, "controls passed")]  # by its own commit, while the gate was open

    def test_a_decision_of_a_look_back_is_made_once(self, bench: Bench) -> None:
        """By whom, when and why; the next one sees that somebody was faster."""
        bench.control("1")
        bench.control("2")
        bench.patient()
        bench.patient()
        bench.control("1", RunVerdict.FAILED)
        first, second = bench.store.look_backs(is_open=True)
        command = LetStand(row_id=first.row_id, actor=BO, reason="negative there", at=NOW)
        bench.store.submit(command).result(WAIT)
        (row,) = bench.store.look_backs(is_open=False)
        assert (row.row_id, row.verdict, row.actor, row.verified, row.decided_at, row.reason) == (
            first.row_id, Verdict.STANDS, "Bo", "unverified", NOW, "negative there",
        )  # fmt: skip
        assert bench.store.look_backs(is_open=True) == (second,)
        assert bench.store.look_backs(is_open=True, limit=0) == ()
        with pytest.raises(Overtaken, match="Somebody has decided about this result already"):
            bench.store.submit(command).result(WAIT)
        assert [event.after for event in bench.store.events(f"look_back:{first.row_id}")] == ["stands"]

    def test_a_control_counts_once(self, bench: Bench) -> None:
        """A pad was missing, and its record was stopped and read again: one failure, and not the second that locks the gate."""
        stopped = bench.control("2", RunVerdict.FAILED, stopped=True)
        bench.control_again(stopped, "2", RunVerdict.FAILED)
        assert (bench.state, len(bench.store.gate_events())) == (S.FAILED, 1)

    def test_a_control_that_is_sent_again_once_its_row_is_closed(self, bench: Bench) -> None:
        """HZ-E03: the same bytes are the same strip, also after a person has discarded its record; the next strip is another failure."""
        stopped = bench.control("2", RunVerdict.FAILED, stopped=True)
        assert stopped.stop_id is not None
        s.close(bench.store, stopped.stop_id, StopEnd.DISCARDED)
        bench.count -= 1  # the strip of before, with its own number and bytes
        again = bench.control("2", RunVerdict.FAILED, stopped=True)
        assert (again.repeat, bench.state, len(bench.store.gate_events())) == (False, S.FAILED, 1)
        bench.control("2", RunVerdict.FAILED, stopped=True)
        assert (bench.state, len(bench.store.gate_events())) == (S.LOCKED, 2)

    def test_a_control_that_passed_and_fails_when_it_is_read_again(self, bench: Bench) -> None:
        """Read by a mended profile it is off: the gate shuts, and all that went since the set before is listed, behind it too."""
        bench.control("1")
        bench.control("2")
        between, _ = bench.patient()
        bench.control("1")
        again = bench.control("2", stopped=True)
        behind, _ = bench.patient()
        stood = [bench.state]
        bench.control_again(again, "2", RunVerdict.FAILED)
        assert [*stood, bench.state] == [S.OPEN, S.FAILED]
        assert [row.strip.capture_id for row in bench.store.look_backs(is_open=True)] == [between, behind]

    def test_a_strip_behind_its_patients_waiting_one(self, bench: Bench) -> None:
        """Only an earlier strip of the same patient and the same gate counts, and only while it waits."""
        capture_id, waiting = bench.patient(waits=True)
        strip = bench.store.strip(waiting.strip_id)
        assert strip is not None
        asked: dict[str, Any] = {"patient_id": strip.patient_id, "seat": (capture_id, 1)}
        assert bench.store.is_behind_waiting(KEY, **asked)
        assert not bench.store.is_behind_waiting(KEY, **{**asked, "seat": (capture_id, 0)})
        assert not bench.store.is_behind_waiting(KEY, **{**asked, "patient_id": f"{strip.patient_id}9"})
        assert not bench.store.is_behind_waiting(replace(KEY, strip_lot="L2"), **asked)
        bench.control("1")
        bench.control("2")
        assert bench.store.is_behind_waiting(KEY, **asked)  # it is put to judging again, and has not gone yet
        bench.patient(capture_id=capture_id)
        assert not bench.store.is_behind_waiting(KEY, **asked)

    def test_a_control_that_did_not_count_may_count_later(self, bench: Bench) -> None:
        """Once what stopped it is mended it counts; that it did not at first stays in the history."""
        stopped = bench.control("1", RunVerdict.NOT_COUNTED, stopped=True)
        (event,) = bench.store.gate_events()
        assert (event.what, event.before, event.after) == ("does not count", S.START, S.START)
        bench.control_again(stopped, "1", RunVerdict.PASSED)
        assert bench.gate.passed == {"1"}
        assert [row.what for row in bench.store.gate_events()] == ["passed", "does not count"]

    def test_peoples_words(self, bench: Bench) -> None:
        """A word moves the gate where its state has a use for it; else nothing changes and the person is told."""
        with pytest.raises(Overtaken, match="The controls stand otherwise by now"):
            bench.say(MENDED)
        assert (bench.store.gates(), bench.store.gate_events()) == ((), ())
        bench.control("1", RunVerdict.FAILED)
        bench.control("1", RunVerdict.FAILED)
        bench.say(MENDED)
        waiting, _ = bench.patient(waits=True)
        bench.control("1")
        bench.control("2")
        assert (bench.state, bench.waiting_work()) == (S.OPEN, [(waiting, "controls passed")])
        bench.say(BegunAnew(at=NOW, by=EDA, cause=Cause.CONTAINER))
        assert bench.state is S.START
        words = [
            (row.what, row.after, row.actor, row.verified, row.reason) for row in bench.store.gate_events() if not row.capture_id
        ]
        assert words == [
            ("begin_anew", S.START, "Eda", "unverified", "a new container was opened"),
            ("mend", S.MENDED, "Eda", "unverified", "strips left open; new container"),
        ]

    def test_all_that_waits_is_judged_once_none_may_wait(self, bench: Bench) -> None:
        """The site took its policy back: each is put to judging in its order, and not twice."""
        first, _ = bench.patient(waits=True)
        second, _ = bench.patient(waits=True)
        assert [bench.store.submit(JudgeWaiting()).result(WAIT) for _ in range(2)] == [2, 2]
        assert bench.waiting_work() == [(first, "no strip waits any more"), (second, "no strip waits any more")]

    def test_one_strip_is_released_or_given_up(self, bench: Bench) -> None:
        """In an emergency a named person lets one go: judged again with the finding passed over; another is given up."""
        first, one = bench.patient(waits=True)
        _, two = bench.patient(waits=True)
        release = EndWaiting(
            strip_id=one.strip_id,
            end=StopEnd.RELEASED,
            actor=EDA,
            reason="theatre waits",
            accept_rules=frozenset({"controls.due"}),
            at=NOW,
        )
        bench.store.submit(release).result(WAIT)
        assert bench.waiting_work() == [(first, "released")]
        facts = bench.store.reading_facts(first, 0, record_digest=s.reading("1").record_digest)
        assert facts.decisions.accepted_by == {"controls.due": EDA}
        with pytest.raises(Overtaken, match="on its way already"):
            bench.store.submit(replace(release, end=StopEnd.DISCARDED)).result(WAIT)
        given_up = replace(release, strip_id=two.strip_id, end=StopEnd.DISCARDED, specimen=SpecimenNext.RUN_AGAIN)
        bench.store.submit(given_up).result(WAIT)
        assert bench.store.strip(two.strip_id).outcome == "discarded"  # type: ignore[union-attr] # it was recorded
        with pytest.raises(Overtaken, match="does not wait any more"):
            bench.store.submit(replace(release, strip_id=two.strip_id)).result(WAIT)
        assert [(e.what, e.before, e.reason) for e in bench.store.events(f"strip:{two.strip_id}")][1:] == [
            ("strip.discarded", "waiting", "theatre waits"),
            ("specimen.next", "", ""),
        ]
        bench.control("1")
        bench.control("2")
        assert bench.waiting_work() == [(first, "released")]  # it is on its way, and the other one is over

    def test_what_was_sent_in_spite_of_its_controls(self, bench: Bench) -> None:
        """Listed the next morning, newest first: what a person let go, and what only bears a note."""
        bench.patient()
        first, _ = bench.patient(noted=True)
        second, _ = bench.patient(noted=True)
        bench.patient(waits=True)
        found = bench.store.sent_in_spite(since=NOW)
        assert [strip.capture_id for strip in found] == [second, first]
        assert [strip.capture_id for strip in bench.store.sent_in_spite(since=later(3))] == [second]
        assert len(bench.store.sent_in_spite(since=NOW, limit=1)) == 1

    def test_strips_are_counted_where_the_policy_counts_them(self, opened: Opened) -> None:
        """With controls due every two strips the third finds them due; a strip that is judged again is not counted again."""
        bench = Bench(opened.store, replace(POLICY, every_strips=2))
        bench.control("1")
        bench.control("2")
        bench.patient()
        assert (bench.state, bench.gate.strips) == (S.OPEN, 1)
        bench.patient()
        assert bench.state is S.START
        plain = Bench(opened.store)
        plain.count = bench.count
        plain.patient()
        assert plain.gate.strips == 2  # without a count nothing is written for a patient's strip

    def test_how_a_gate_stood_around_a_strip(self, bench: Bench) -> None:
        """The last thing before it and the first decision after it, by arrival and by the order within a capture."""
        store = bench.store

        def around(minute: float, seat: Seat | None = None) -> tuple[GateState, bool | None]:
            found = store.gate_reading(KEY, arrived_at=later(minute), seat=seat or (int(minute), 9))  # one capture a minute
            return found.at_reading, found.decided_next

        assert around(0) == (S.START, None)
        bench.control("1")
        bench.control("2")  # minute 2
        bench.control("1", RunVerdict.FAILED)  # minute 3
        bench.say(MENDED)
        bench.control("1")
        bench.control("2")  # minute 5
        assert [around(minute) for minute in (0.5, 1.5, 2.5, 3.5, 5.5)] == [
            (S.START, True), (S.START, True), (S.OPEN, False), (S.MENDED, True), (S.OPEN, None),
        ]  # fmt: skip
        failed = next(row for row in store.gate_events() if row.what == "failed")
        assert around(3, (failed.capture_id, 1)) == (S.FAILED, True)  # behind it in the same capture
        assert around(3, (failed.capture_id - 1, 9)) == (S.OPEN, False)
        assert store.gate_reading(replace(KEY, strip_lot="L2"), arrived_at=NOW, seat=(1, 0)).gate == Gate()

    def test_a_clock_that_was_ahead_changes_no_order(self, bench: Bench) -> None:
        """HZ-E10: a control that failed under it came before the strip all the same; what a person said of it since stands behind it."""
        store = bench.store
        bench.control("1"), bench.control("2")
        bench.count = 5_000
        bench.control("1", RunVerdict.FAILED)
        strip = (store.gate_events()[0].capture_id + 1, 0)

        def around(minute: float) -> tuple[GateState, bool | None]:
            found = store.gate_reading(KEY, arrived_at=later(minute), seat=strip)
            return found.at_reading, found.decided_next

        assert around(10) == (S.FAILED, None)
        bench.count = 20
        bench.say(MENDED)
        assert bench.gate.as_of == later(20.25)
        assert (around(10), around(30)) == ((S.FAILED, None), (S.MENDED, None))

    def test_a_failed_control_of_no_lot_shuts_every_lot_in_use(self, opened: Opened) -> None:
        """HZ-E02: which strips failed nobody can say, so results of none go, and each has its look-back; a gate that is shut already is left."""
        first, second = Bench(opened.store), Bench(opened.store, key=replace(KEY, strip_lot="L2"))
        idle, nameless = (
            Bench(opened.store, key=replace(KEY, strip_lot="L3")),
            Bench(opened.store, key=replace(KEY, strip_lot="")),
        )
        for bench in (first, second):
            bench.count = 10 if bench is second else 0
            bench.control("1"), bench.control("2")
        idle.count, nameless.count = 20, 30
        idle.control("1")
        first.count = 25
        first.patient()
        nameless.control("1")
        assert self._states(opened.store) == {"L1": S.OPEN, "L2": S.OPEN, "L3": S.START, "": S.START}
        nameless.control("2", RunVerdict.FAILED)
        assert self._states(opened.store) == {"L1": S.FAILED, "L2": S.FAILED, "L3": S.START, "": S.FAILED}
        assert [row.strip.capture_id for row in opened.store.look_backs(is_open=True)] == [6]
        nameless.control("1"), nameless.control("2")
        assert self._states(opened.store) == {"L1": S.FAILED, "L2": S.FAILED, "L3": S.START, "": S.REPEATED}

    def _states(self, store: Store) -> dict[str, GateState]:
        return {row.key.strip_lot: row.gate.state for row in store.gates()}

    def test_another_lot_is_another_gate(self, bench: Bench) -> None:
        """Controls of one lot free no strip of another."""
        bench.patient(waits=True)
        other = replace(KEY, strip_lot="L2")
        capture_id = s.keep(bench.store, arrived_at=later(5))
        what = ControlRead(at=later(5), seat=(capture_id, 0), level="1", verdict=RunVerdict.PASSED)
        policy = replace(POLICY, levels=frozenset({"1"}))
        outcome = NonPatient(checked=s.checked(s.reading("50"), purpose=Purpose.CONTROL, strip_lot="L2"))
        bench.record(capture_id, outcome, GateWrite(key=other, what=what, policy=policy))
        assert [(row.key.strip_lot, row.gate.state, row.waiting) for row in bench.store.gates()] == [
            ("L1", S.START, 1),
            ("L2", S.OPEN, 0),
        ]
        assert bench.waiting_work() == []

    def test_a_lot_is_entered_by_one_and_signed_by_another(self, opened: Opened) -> None:
        """The name that entered it signs nothing, in whatever spelling; a signature is given once and outlives a restart."""
        store = opened.store
        first = store.submit(EnterLot(content='{"lot":"B1"}', actor=BO, at=NOW)).result(WAIT)
        second = store.submit(EnterLot(content='{"lot":"B2"}', actor=EDA, at=NOW)).result(WAIT)
        for name in ("Bo", " bo ", "BO"):
            with pytest.raises(RefusedAction, match="You entered this lot yourself"):
                store.submit(SignLot(lot_id=first, actor=replace(BO, name=name), at=NOW)).result(WAIT)
        store.submit(SignLot(lot_id=first, actor=EDA, at=later(1))).result(WAIT)
        store = opened.restart()
        with pytest.raises(Overtaken, match="Eda has signed this lot already"):
            store.submit(SignLot(lot_id=first, actor=EDA, at=NOW)).result(WAIT)
        assert [
            (lot.lot_id, lot.content, lot.entered_by, lot.entered_at, lot.signed_by, lot.signed_at)
            for lot in store.control_lots()
        ] == [
            (first, '{"lot":"B1"}', "Bo", NOW, "Eda", later(1)),
            (second, '{"lot":"B2"}', "Eda", NOW, "", None),
        ]
        assert [(event.what, event.actor) for event in store.events(f"lot:{first}")] == [
            ("lot.entered", "Bo"),
            ("lot.signed", "Eda"),
        ]

    def test_a_lot_is_taken_out_of_use(self, opened: Opened) -> None:
        """Typed wrong or used up: it judges nothing any more, and its history stays."""
        store = opened.store
        lot_id = store.submit(EnterLot(content="{}", actor=BO, at=NOW)).result(WAIT)
        store.submit(CloseLot(lot_id=lot_id, actor=EDA, reason="typed wrong", at=NOW)).result(WAIT)
        assert store.control_lots() == ()
        for command in (CloseLot(lot_id=lot_id, actor=EDA, reason="r", at=NOW), SignLot(lot_id=lot_id, actor=EDA, at=NOW)):
            with pytest.raises(Overtaken, match="This lot is out of use already"):
                store.submit(command).result(WAIT)
        assert [event.reason for event in store.events(f"lot:{lot_id}")] == ["", "typed wrong"]
