"""What every store must do with containers and lots of strips: entered once, asked for controls, and every strip of a lot found again."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import replace
from datetime import date
from typing import Any

import pytest

from bridge.bench.containers import ContainerEnd
from bridge.bench.controls import RunVerdict
from bridge.bench.lots import LotReading, LotUse
from bridge.errors import Overtaken, RefusedAction
from bridge.lifecycle.states import StopEnd
from bridge.model import (
    Actor,
    Answer,
    CheckedReading,
    Coded,
    Container,
    DeliveryState,
    GateState,
    NonPatient,
    Purpose,
    Severity,
    StripContent,
)
from bridge.store.api import Store
from bridge.store.commands import AcceptLot, CloseContainer, OpenContainer, SignAcceptedLot, WithdrawLot
from bridge.store.rows import AcceptedLot, ContainerRow
from tests.store import gate_contract as g
from tests.store import strips as s
from tests.store.contract import Opened
from tests.store.strips import BO, EDA, NOW, WAIT, later

S = GateState
EXPIRES = date(2027, 3, 31)


class Bench(g.Bench):
    """The bench of the gates, whose strips are read in the minute in which they arrive."""

    def _checked(self, **more: Any) -> CheckedReading:
        return super()._checked(at=self.at, **more)

    def opens(self, lot: str = "L1", *, opened: float | None = None, expires: date = EXPIRES, gated: bool = True) -> int:
        """Enter a container a while after the strip that came last; ``opened`` is the minute of its opening."""
        at = later(self.count + 0.5)
        command = OpenContainer(
            analyzer="brook-1",
            strip_type="plover-12",
            strip_lot=lot,
            expires=expires,
            opened_at=at if opened is None else later(opened),
            policy=self.policy if gated else None,
            actor=EDA,
            at=at,
        )
        made: int = self.store.submit(command).result(WAIT)
        return made

    def closes(self, container_id: int, how: ContainerEnd = ContainerEnd.USED_UP) -> None:
        """Take a container out of use."""
        at = later(self.count + 0.75)
        command = CloseContainer(container_id=container_id, how=how, actor=BO, reason="empty", at=at)
        self.store.submit(command).result(WAIT)

    def accepts(self, lot: str = "L1") -> None:
        """Accept a lot."""
        command = AcceptLot(strip_type="plover-12", strip_lot=lot, actor=BO, reason="20 pairs", at=NOW)
        self.store.submit(command).result(WAIT)

    def signs(self, lot: str = "L1", by: Actor = EDA) -> None:
        """Sign as a second person that a lot is accepted."""
        self.store.submit(SignAcceptedLot(strip_type="plover-12", strip_lot=lot, actor=by, at=later(0.5))).result(WAIT)

    def withdraws(self, lot: str = "L1") -> None:
        """Take back that a lot is accepted."""
        command = WithdrawLot(strip_type="plover-12", strip_lot=lot, actor=EDA, reason="false low", at=later(1))
        self.store.submit(command).result(WAIT)

    def held(self, *rules: str, lot: str = "L1") -> tuple[int, int]:
        """Record a patient's strip that is held by these rules; give its capture and its stop."""
        self.count += 1
        capture_id = s.keep(self.store, arrived_at=self.at)
        of = s.reading(str(self.count))
        findings = (s.finding(rule, Severity.HOLD, releasable=True) for rule in rules)
        made = s.record(
            self.store,
            of,
            s.held(of, *findings, at=self.at, strip_lot=lot),
            capture_id=capture_id,
            at=self.at,
        )
        assert made.stop_id is not None
        return capture_id, made.stop_id


def _row(container_id: int, **more: Any) -> ContainerRow:
    container = Container(
        container_id=container_id, strip_lot="L1", expires=EXPIRES, opened_at=later(0.5), closed_at=more.pop("closed_at", None)
    )
    return ContainerRow(
        **{
            "analyzer": "brook-1",
            "strip_type": "plover-12",
            "container": container,
            "entered_by": "Eda",
            "entered_at": later(0.5),
            "closed_by": "",
            "closed_how": None,
            **more,
        }
    )


class LotContract:
    """The suite. Each test opens an empty store of its own."""

    @pytest.fixture
    def opened(self, make: Callable[[], Store]) -> Iterator[Opened]:
        opened = Opened(make)
        yield opened
        opened.store.close()

    @pytest.fixture
    def bench(self, opened: Opened) -> Bench:
        return Bench(opened.store)

    def test_a_container_outlives_a_restart_and_ends_once(self, opened: Opened) -> None:
        """Who entered it, who took it out of use and why: all of it stays, whatever becomes of it."""
        bench = Bench(opened.store)
        one = bench.opens()
        assert bench.store.containers() == (_row(one),)
        bench.closes(one)
        store = opened.restart()
        ended = _row(one, closed_at=later(0.75), closed_by="Bo", closed_how=ContainerEnd.USED_UP)
        assert store.containers() == (ended,)
        assert ended.is_mistake is False
        assert [(e.what, e.actor, e.before, e.after, e.reason) for e in store.events(f"container:{one}")] == [
            ("container.opened", "Eda", "", "in use", ""),
            ("container.closed", "Bo", "in use", "used up or given up", "empty"),
        ]
        bench.store = store
        with pytest.raises(Overtaken, match="out of use already"):
            bench.closes(one)

    def test_containers_stand_in_the_order_of_opening(self, bench: Bench) -> None:
        """Not in that of entering: one may be entered late."""
        numbers = [bench.opens(opened=minute) for minute in (7, 3, 5)]
        assert [row.container.container_id for row in bench.store.containers()] == [numbers[1], numbers[2], numbers[0]]

    def test_a_lot_has_one_last_day(self, bench: Bench) -> None:
        """Typed a second time otherwise, one of the two is wrong: nobody guesses which. A mistake is out of the way."""
        one = bench.opens()
        with pytest.raises(RefusedAction, match=r"Lot L1 is entered with the last day 2027-03-31\. Compare the labels\."):
            bench.opens(expires=date(2027, 8, 31))
        bench.opens("L2", expires=date(2027, 8, 31))
        bench.closes(one, ContainerEnd.MISTAKE)
        again = bench.opens(expires=date(2027, 8, 31))
        assert [row.is_mistake for row in bench.store.containers() if row.container.strip_lot == "L1"] == [True, False]
        assert again in {row.container.container_id for row in bench.store.containers()}

    def test_a_new_container_asks_for_its_controls(self, bench: Bench) -> None:
        """HZ-E01: the gate of its lot begins anew, and says who opened the container; a new lot has a gate to be opened."""
        bench.control("1")
        bench.control("2")
        before = bench.state
        bench.opens()
        assert (before, bench.state) == (S.OPEN, S.START)
        newest = bench.store.gate_events()[0]
        assert (newest.what, newest.actor, newest.reason) == ("begin_anew", "Eda", "a new container was opened")
        bench.opens("L2")
        assert {row.key.strip_lot: row.gate.state for row in bench.store.gates()} == {"L1": S.START, "L2": S.START}

    def test_controls_that_passed_on_it_already_count(self, bench: Bench) -> None:
        """Entered after its controls: they were read since it was opened, every level, so none is asked for twice."""
        bench.control("1")
        bench.control("2")
        bench.opens(opened=0.5)
        assert bench.state is S.OPEN

    def test_controls_of_the_container_before_do_not_count(self, bench: Bench) -> None:
        """One level was read before it was opened: the set is not the new container's."""
        bench.control("1")
        bench.control("2")
        bench.opens(opened=1.5)
        assert bench.state is S.START

    def test_a_failure_is_not_forgotten_with_a_new_container(self, bench: Bench) -> None:
        """HZ-E02: a failed control outlives the container that it failed on."""
        bench.control("1", RunVerdict.FAILED)
        bench.opens()
        assert bench.state is S.FAILED

    def test_a_site_without_a_gate_has_none_after_a_container(self, bench: Bench) -> None:
        """Nothing begins that nobody asked for."""
        bench.opens(gated=False)
        assert bench.store.gates() == ()

    def test_strips_without_a_lot_have_their_gate_begin_anew_too(self, opened: Opened) -> None:
        """An analyzer that prints no lot has one gate, whatever the container; without such a gate none comes to be."""
        bench = Bench(opened.store)
        bench.opens()
        assert [row.key.strip_lot for row in bench.store.gates()] == ["L1"]
        bench.key = replace(g.KEY, strip_lot="")
        bench.control("1")
        bench.control("2")
        states = {row.key.strip_lot: row.gate.state for row in bench.store.gates()}
        assert states == {"": S.OPEN, "L1": S.START}
        bench.opens()
        assert {row.gate.state for row in bench.store.gates()} == {S.START}

    def test_what_was_held_for_it_is_judged_again(self, bench: Bench) -> None:
        """Those of this lot that lack nothing else, in their order; others stay with a person."""
        first, one = bench.held("container.unknown")
        _, other_lot = bench.held("container.unknown", lot="L9")
        _, more = bench.held("container.unknown", "time.future")
        _, old = bench.held("container.unknown")
        unlabelled, bare = bench.held("container.unknown", lot="")
        bench.opens(opened=24 * 60 + 3.5)  # more than a day after the first two
        assert [stop.stop_id for stop in bench.store.stops(is_open=False)] == [bare, old]
        bench.opens(opened=0)
        assert bench.waiting_work() == [(4, "container entered"), (unlabelled, "container entered"), (first, "container entered")]
        assert {stop.stop_id for stop in bench.store.stops()} == {other_lot, more}
        closed = bench.store.stop(one)
        assert closed is not None
        assert (closed.closed_by, closed.closed_how, closed.closed_reason) == (
            "Eda (unverified)",
            "read again",
            "container entered",
        )

    def test_a_lot_is_accepted_once_until_it_is_taken_back(self, opened: Opened) -> None:
        """HZ-C05: who, when and why stay, also of what was taken back; every container of the lot says how it stands."""
        bench = Bench(opened.store)
        bench.opens()
        bench.opens("L2")
        bench.accepts()
        with pytest.raises(Overtaken, match="accepted already"):
            bench.accepts()
        unsigned = AcceptedLot(accepted_by="Bo", accepted_at=NOW, reason="20 pairs", signed_by="", signed_at=None)
        assert bench.store.accepted_lot("plover-12", "L1") == unsigned
        assert [row.container.is_accepted for row in bench.store.containers()] == [False, False]
        with pytest.raises(RefusedAction, match="You accepted this lot yourself"):
            bench.signs(by=Actor(name=" bo", verified="unverified"))
        bench.signs()
        with pytest.raises(Overtaken, match="signed already"):
            bench.signs()
        bench.store = opened.restart()
        signed = replace(unsigned, signed_by="Eda", signed_at=later(0.5))
        assert bench.store.accepted_lot("plover-12", "L1") == signed
        assert bench.store.accepted_lot("plover-12", "L2") is None
        assert {row.container.strip_lot: row.container.is_accepted for row in bench.store.containers()} == {
            "L1": True,
            "L2": False,
        }
        bench.withdraws()
        with pytest.raises(Overtaken, match="not accepted any more"):
            bench.withdraws()
        assert bench.store.accepted_lot("plover-12", "L1") is None
        assert [row.container.is_accepted for row in bench.store.containers()] == [False, False]
        with pytest.raises(Overtaken, match="not accepted any more"):
            bench.signs()
        bench.accepts()
        assert [(e.what, e.actor, e.before, e.after, e.reason) for e in bench.store.events("strip_lot:plover-12 L1")] == [
            ("strip_lot.accepted", "Bo", "", "accepted", "20 pairs"),
            ("strip_lot.signed", "Eda", "accepted", "signed", ""),
            ("strip_lot.withdrawn", "Eda", "accepted", "not accepted", "false low"),
            ("strip_lot.accepted", "Bo", "", "accepted", "20 pairs"),
        ]

    def test_what_was_held_for_a_new_lot_is_judged_again(self, bench: Bench) -> None:
        """Those that lack nothing else, of this lot, in their order; others stay with a person."""
        first, one = bench.held("container.new_lot")
        _, other = bench.held("container.new_lot", lot="L9")
        _, more = bench.held("container.open_too_long", "container.new_lot")
        second, _ = bench.held("container.new_lot", lot="")
        bench.accepts()
        assert bench.waiting_work() == []
        bench.signs()
        assert bench.waiting_work() == [(first, "lot accepted"), (second, "lot accepted")]
        assert {stop.stop_id for stop in bench.store.stops()} == {other, more}
        closed = bench.store.stop(one)
        assert closed is not None
        assert (closed.closed_by, closed.closed_reason) == ("Eda (unverified)", "lot accepted")

    def test_every_strip_of_a_lot_is_found_with_where_it_went(self, opened: Opened) -> None:
        """A recall: results of two receivers, a held strip, a control and a copy; none of another lot."""
        store = opened.store
        one = s.post(store, "A1", destinations=("records", "chart"))
        s.end(store, one.delivery_ids[0], s.begin(store, one.delivery_ids[0]), Answer.ACCEPTED)
        held = s.record(store, s.reading("2"), s.held(s.reading("2")))
        control = s.post_control(store, "C1")
        other = s.reading("9")
        s.record(store, other, s.held(other, strip_lot="L2"))
        uses = opened.restart().lot_uses("plover-12", "L1")
        assert uses == (
            LotUse(
                strip_id=one.strip_id, analyzer="brook-1", number="A1", purpose=Purpose.PATIENT, outcome="coded", patient_id="4711",
                specimen_id="UA1", read_at=NOW, result_id="A1",
                ways=(("chart", DeliveryState.QUEUED), ("records", DeliveryState.ACCEPTED)),
            ),
            LotUse(
                strip_id=held.strip_id, analyzer="brook-1", number="2", purpose=Purpose.PATIENT, outcome="held", patient_id="4711",
                specimen_id="U2", read_at=NOW, result_id="", ways=(),
            ),
            LotUse(
                strip_id=control.strip_id, analyzer="brook-1", number="C1", purpose=Purpose.CONTROL, outcome="non_patient", patient_id="",
                specimen_id="UC1", read_at=NOW, result_id="C1", ways=(("qc", DeliveryState.QUEUED),),
            ),
        )  # fmt: skip
        assert opened.store.lot_uses("plover-12", "L3") == ()
        assert opened.store.lot_uses("quill-10", "L1") == ()

    def test_a_lot_that_is_written_otherwise_is_found_beside(self, opened: Opened) -> None:
        """HZ-C02: a recall of 24a01 must not end with no strip where the analyzer prints 24A01."""
        store = opened.store
        for number, lot in (("1", "24A01"), ("2", "24A01"), ("3", "24a-01"), ("4", "24A02"), ("5", "")):
            of = s.reading(number)
            s.record(store, of, s.held(of, strip_lot=lot))
        alike = opened.restart().lots_alike
        assert alike("plover-12", "24a01") == (("24A01", 2), ("24a-01", 1))
        assert alike("plover-12", "24A01") == (("24a-01", 1),)
        assert alike("quill-10", "24a01") == ()
        assert alike("plover-12", "") == ()

    def test_what_strips_of_a_lot_showed(self, opened: Opened) -> None:
        """Pads as ranks, of patients and of others apart; what was discarded, or is a copy, shows nothing."""
        store = opened.store
        pads = (("nitrite", 1), ("leukocytes", 0))
        of = s.reading("1")
        content = StripContent(patient_id="4711", operator="OP7", strip_type="plover-12", strip_lot="L1", pads=pads)
        one = s.record(store, of, Coded(checked=s.checked(of, content=content, specimen_id=""), result=s.result("A1")))
        s.record(store, of, s.copy(of, one.strip_id))
        gone = s.record(store, s.reading("3"), s.held(s.reading("3")))
        s.close(store, gone.stop_id or 0, StopEnd.DISCARDED)
        control = s.reading("2")
        two = s.record(store, control, NonPatient(checked=s.checked(control, purpose=Purpose.COMPARISON, at=None)))
        s.record(store, s.reading("4"), s.rejected(s.reading("4")))
        plain = LotReading(
            strip_id=one.strip_id,
            analyzer="brook-1",
            strip_lot="L1",
            purpose=Purpose.PATIENT,
            read_at=NOW,
            said="4711",
            pads=pads,
        )
        rejected = replace(plain, strip_id=two.strip_id + 1, said="U4", pads=(("glucose", 0),))
        assert list(store.patient_readings("plover-12", "L1", since=NOW)) == [plain, rejected]
        assert list(store.patient_readings("plover-12", "L1", since=later(1))) == []
        assert list(store.patient_readings("plover-12", "L2", since=NOW)) == []
        assert list(store.compared_readings("plover-12", "L1")) == [
            replace(plain, strip_id=two.strip_id, purpose=Purpose.COMPARISON, said="U2", pads=(("glucose", 0),))
        ]
        assert list(store.compared_readings("plover-12", "L2")) == []
