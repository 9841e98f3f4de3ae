"""What a person may say and decide about controls, against a real store and the real judging."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import replace
from functools import partial
from pathlib import Path

import pytest

from bridge.bench.gate import Cause, Gate
from bridge.bench.look_back import Verdict
from bridge.desk.gates import GateDesk
from bridge.errors import Overtaken, RefusedAction
from bridge.model import Actor, GateState
from bridge.store.sqlite import SqliteStore
from bridge.tables.hold_table import HoldTable, ReleasePolicy
from tests.bench.judged import KEY, Bench, with_policy
from tests.judging_for_tests import NOW
from tests.tables.shipped_tables import tables

ANA, NOBODY = Actor(name="Ana", verified="unverified"), Actor(name=" ", verified="unverified")
S = GateState


@pytest.fixture
def bench(tmp_path: Path) -> Iterator[Bench]:
    """Give an analyzer whose patients' results wait for controls."""
    made = Bench(SqliteStore(tmp_path, now=lambda: NOW), with_policy())
    yield made
    made.store.close()


@pytest.fixture
def desk(bench: Bench) -> GateDesk:
    """Give the desk beside it; its clock goes with the bench's."""
    return GateDesk(bench.store, bench.tables, lambda: bench.at)


def gate(bench: Bench) -> Gate:
    """Give the one gate."""
    return bench.store.gates()[0].gate


def test_an_explained_repeat_lets_what_waits_be_judged(bench: Bench, desk: GateDesk) -> None:
    """The reason is kept with the name; results that were read before the failure wait for a decision each."""
    bench.read(bench.control("1"))
    bench.read(bench.control("2", blood=0))
    bench.read(bench.control("2"))
    assert gate(bench).state is S.REPEATED
    desk.explain_repeat(KEY, reason=" a drop missed a pad ", actor=ANA)
    assert gate(bench).state is S.OPEN
    event = bench.store.gate_events()[0]
    assert (event.what, event.actor, event.verified, event.reason) == ("explain", "Ana", "unverified", "a drop missed a pad")
    with pytest.raises(Overtaken, match="The controls stand otherwise by now"):
        desk.explain_repeat(KEY, reason="again", actor=ANA)


def test_a_repair_is_noted_with_cause_and_action(bench: Bench, desk: GateDesk) -> None:
    """42 CFR 493.1282: corrective action is documented; then a new full set."""
    bench.read(bench.control("2", blood=0))
    bench.read(bench.control("2", blood=0))
    desk.note_repair(KEY, cause="strips left open", action="new container", actor=ANA)
    assert gate(bench).state is S.MENDED
    assert bench.store.gate_events()[0].reason == "strips left open; new container"


@pytest.mark.parametrize("cause", list(Cause))
def test_a_new_container_and_a_service_shut_the_gate(bench: Bench, desk: GateDesk, cause: Cause) -> None:
    """Controls are due at once."""
    bench.read(bench.control("1"))
    bench.read(bench.control("2"))
    desk.begin_anew(KEY, cause=cause, actor=ANA)
    assert (gate(bench).state, bench.store.gate_events()[0].reason) == (S.START, cause.value)
    assert bench.read(bench.patient()) == ["waiting"]


def test_one_waiting_result_is_released_and_one_given_up(bench: Bench, desk: GateDesk) -> None:
    """By name and reason; a strip that does not wait any more is nobody's to release."""
    for _ in range(2):
        bench.read(bench.patient())
    second, first = bench.store.strips(outcome="waiting")
    desk.release(first.strip_id, reason="theatre waits", actor=ANA)
    bench.work_off()
    assert bench.sent == ["1"]
    assert [strip.number for strip in bench.store.sent_in_spite(since=NOW)] == ["1"]
    desk.discard(second.strip_id, reason="run again", actor=ANA, specimen="run again")
    assert [strip.number for strip in bench.store.strips(outcome="discarded")] == ["2"]
    for action in (desk.release, partial(desk.discard, specimen="run again")):
        with pytest.raises(Overtaken, match="does not wait any more"):
            action(second.strip_id, reason="theatre waits", actor=ANA)


def test_a_waiting_strip_is_given_up_with_a_word_on_its_specimen(bench: Bench, desk: GateDesk) -> None:
    """Only patients' strips wait: somebody stands behind each, and is not forgotten."""
    bench.read(bench.patient())
    (waiting,) = bench.store.strips(outcome="waiting")
    with pytest.raises(RefusedAction, match="Say what becomes of the specimen"):
        desk.discard(waiting.strip_id, reason="r", actor=ANA, specimen="")
    desk.discard(waiting.strip_id, reason="r", actor=ANA, specimen="order cancelled")
    said = [(event.what, event.after) for event in bench.store.events(f"strip:{waiting.strip_id}")]
    assert said[-2:] == [("strip.discarded", "discarded"), ("specimen.next", "order cancelled")]


def test_an_emergency_release_follows_the_terms_for_controls_that_are_due(bench: Bench) -> None:
    """A site that asks for two persons asks for them here too, and keeps both names."""
    terms = {"controls.due": ReleasePolicy(persons=2)}
    desk = GateDesk(bench.store, replace(bench.tables, holds=HoldTable(policies=terms)), lambda: bench.at)
    bench.read(bench.patient())
    (waiting,) = bench.store.strips(outcome="waiting")
    with pytest.raises(RefusedAction, match="needs two persons"):
        desk.release(waiting.strip_id, reason="theatre waits", actor=ANA)
    desk.release(waiting.strip_id, reason="theatre waits", actor=ANA, second="Ben")
    bench.work_off()
    assert bench.sent == ["1"]
    said = [(event.what, event.actor) for event in bench.store.events(f"strip:{waiting.strip_id}")]
    assert ("release.agreed", "Ben") in said


def test_a_result_of_a_look_back_is_decided_once(bench: Bench, desk: GateDesk) -> None:
    """That it stands is final; one that does not stand is the desk's for corrections (test_corrections.py)."""
    bench.read(bench.control("1"))
    bench.read(bench.control("2"))
    bench.read(bench.patient())
    bench.read(bench.control("1", blood=3))
    (row,) = bench.store.look_backs(is_open=True)
    with pytest.raises(RefusedAction, match="reason"):
        desk.let_stand(row.row_id, reason=" ", actor=ANA)
    with pytest.raises(RefusedAction, match="Say who you are"):
        desk.let_stand(row.row_id, reason="negative there", actor=NOBODY)
    desk.let_stand(row.row_id, reason=" negative there ", actor=ANA)
    (done,) = bench.store.look_backs(is_open=False)
    assert (done.verdict, done.actor, done.reason, done.decided_at) == (Verdict.STANDS, "Ana", "negative there", bench.at)
    with pytest.raises(Overtaken, match="Somebody has decided"):
        desk.let_stand(row.row_id, reason="no", actor=ANA)


def test_nothing_is_done_without_name_and_reason(bench: Bench, desk: GateDesk) -> None:
    """And nothing is changed by asking."""
    bench.read(bench.patient())
    bench.read(bench.control("2", blood=0))
    (waiting,) = bench.store.strips(outcome="waiting")
    before = bench.store.gate_events()
    nameless: list[Callable[[], None]] = [
        lambda: desk.explain_repeat(KEY, reason="r", actor=NOBODY),
        lambda: desk.note_repair(KEY, cause="c", action="a", actor=NOBODY),
        lambda: desk.begin_anew(KEY, cause=Cause.SERVICE, actor=NOBODY),
        lambda: desk.release(waiting.strip_id, reason="r", actor=NOBODY),
        lambda: desk.discard(waiting.strip_id, reason="r", actor=NOBODY, specimen="run again"),
    ]
    for act in nameless:
        with pytest.raises(RefusedAction, match="Say who you are"):
            act()
    silent: list[Callable[[], None]] = [
        lambda: desk.explain_repeat(KEY, reason=" ", actor=ANA),
        lambda: desk.note_repair(KEY, cause="", action="a", actor=ANA),
        lambda: desk.note_repair(KEY, cause="c", action="", actor=ANA),
        lambda: desk.release(waiting.strip_id, reason="", actor=ANA),
        lambda: desk.discard(waiting.strip_id, reason="", actor=ANA, specimen="run again"),
    ]
    for act in silent:
        with pytest.raises(RefusedAction, match="Give a reason"):
            act()
    assert bench.store.gate_events() == before
    assert bench.store.strips(outcome="waiting") == (waiting,)


def test_without_a_policy_there_is_nothing_to_say(bench: Bench) -> None:
    """No gate, no word."""
    with pytest.raises(RefusedAction, match="no policy for controls"):
        GateDesk(bench.store, tables(), lambda: NOW).explain_repeat(KEY, reason="r", actor=ANA)
