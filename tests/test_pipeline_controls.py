"""Judging where a site's policy asks for controls: what goes, waits, is held, and what a control strip says."""

from __future__ import annotations

from dataclasses import replace
from datetime import date

import pytest

from bridge import pipeline
from bridge.bench.controls import ControlRun, Flaw, RunVerdict, Unmatched
from bridge.model import (
    Actor,
    Coded,
    Decisions,
    Facts,
    GateFacts,
    GateState,
    Held,
    NonPatient,
    Outcome,
    Reading,
    Rejected,
    Severity,
    Waiting,
)
from bridge.pipeline import Moment
from bridge.tables.control_table import ControlLot, ControlTable, ExpectedPad, GatePolicy, ShutDoes
from bridge.tables.types import Tables
from tests.check.tables_for_tests import ARRIVED, TABLES, ZONE, printed, reading

SUND = Actor(name="A. Sund", verified="unverified")
MOMENT = Moment(arrived_at=ARRIVED, live=True, now=ARRIVED)
S = GateState
NEGATIVE_LOT = ControlLot(
    material="birch",
    level="1",
    lot="B1-0771",
    labels=frozenset(),
    expires=date(2027, 3, 31),
    strip_type="fern-3",
    expected=tuple(ExpectedPad(pad=pad, ranks=(0,)) for pad in ("glucose", "protein", "nitrite")),
    entered_by="R. Holm",
    signed_by="T. Vance",
)


def tables(shut: ShutDoes) -> Tables:
    """Give the hand-made tables with a policy that needs one level."""
    policy = GatePolicy(levels=frozenset({"1"}), zone=ZONE, shut=shut)
    return replace(TABLES, controls=ControlTable(policy=policy, lots=(NEGATIVE_LOT,)))


def judged(
    of: Reading,
    state: GateState | None,
    shut: ShutDoes = ShutDoes.WAIT,
    *,
    in_doubt: bool = False,
    accepted: tuple[str, ...] = (),
) -> Outcome:
    """Judge one strip while its gate stands so."""
    facts = Facts(
        gate=GateFacts(state=state, in_doubt=in_doubt) if state else None,
        decisions=Decisions(accepted_by=dict.fromkeys(accepted, SUND)),
    )
    return pipeline.judge(of, facts, tables(shut), moment=MOMENT, result_id="T1R1")


@pytest.mark.parametrize(
    ("state", "shut", "kind", "rules"),
    [
        (S.OPEN, ShutDoes.WAIT, Coded, []),
        (S.DUE, ShutDoes.HOLD, Coded, []),
        (S.START, ShutDoes.NOTE, Coded, ["controls.due"]),
        (S.LOCKED, ShutDoes.NOTE, Coded, ["controls.failed"]),
        (S.START, ShutDoes.WAIT, Waiting, ["controls.due"]),
        (S.MENDED, ShutDoes.WAIT, Waiting, ["controls.due"]),
        (S.START, ShutDoes.HOLD, Held, ["controls.due"]),
        (S.FAILED, ShutDoes.WAIT, Held, ["controls.failed"]),
        (S.LOCKED, ShutDoes.HOLD, Held, ["controls.failed"]),
    ],
)
def test_what_a_shut_gate_does(state: GateState, shut: ShutDoes, kind: type, rules: list[str]) -> None:
    """Note, wait or hold, as the site says; what was read between a failure and its repair never goes by itself."""
    outcome = judged(reading(), state, shut)
    assert isinstance(outcome, kind)
    assert [finding.rule for finding in outcome.findings] == rules


def test_a_strip_in_doubt_is_held_though_the_gate_is_open() -> None:
    """It waited while its controls failed; those that passed later say nothing of it."""
    outcome = judged(reading(), S.OPEN, in_doubt=True)
    assert isinstance(outcome, Held)
    assert [finding.rule for finding in outcome.findings] == ["controls.failed"]


def test_who_releases_one_thing_releases_no_controls() -> None:
    """A strip without a number that also lacks its controls is held for the number alone; released, it waits for the controls."""
    held = judged(reading(number=None), S.START)
    assert isinstance(held, Held)
    assert [finding.rule for finding in held.findings if finding.severity is Severity.HOLD] == ["number.missing"]
    assert isinstance(judged(reading(number=None), S.START, accepted=("number.missing",)), Waiting)


@pytest.mark.parametrize("shut", [ShutDoes.WAIT, ShutDoes.HOLD])
def test_an_emergency_release_is_told_on_the_report(shut: ShutDoes) -> None:
    """Whoever reads the result sees that its controls were not right, and who let it go."""
    outcome = judged(reading(), S.START, shut, accepted=("controls.due",))
    assert isinstance(outcome, Coded)
    assert outcome.result.comments == ("Released before the analyzer's controls were right, by A. Sund.",)
    assert [(finding.rule, finding.severity) for finding in outcome.findings] == [("controls.due", Severity.NOTE)]


def test_each_is_named_for_what_that_person_did() -> None:
    """Who let an entered strip go before its controls has not compared it with the slip, and says nothing of the kind in the record."""
    ben = Actor(name="Ben", verified="unverified")
    facts = Facts(
        gate=GateFacts(state=S.START),
        decisions=Decisions(accepted_by={"controls.due": SUND, "entry.unconfirmed": ben, "number.missing": SUND}),
    )
    entered = replace(reading(number=None), entered_by=printed("Ana"))
    outcome = pipeline.judge(entered, facts, tables(ShutDoes.WAIT), moment=MOMENT, result_id="T1R1")
    assert isinstance(outcome, Coded)
    assert outcome.result.comments == (
        "Released before the analyzer's controls were right, by A. Sund.",
        "Typed in from the analyzer's slip by Ana, compared by Ben.",
    )


def test_a_release_that_was_not_needed_leaves_no_comment() -> None:
    """The controls passed before it was judged again: it went as any other."""
    for state, accepted in ((S.OPEN, ("controls.due",)), (S.OPEN, ("number.missing",))):
        outcome = judged(reading(number="7"), state, accepted=accepted)
        assert isinstance(outcome, Coded)
        assert outcome.result.comments == ()


def test_without_a_policy_nothing_is_asked() -> None:
    """Facts of a gate change nothing where the site has no policy."""
    outcome = pipeline.judge(reading(), Facts(gate=GateFacts(state=S.LOCKED)), TABLES, moment=MOMENT, result_id="T1R1")
    assert isinstance(outcome, Coded)
    control = pipeline.judge(reading(number="C7"), Facts(), TABLES, moment=MOMENT, result_id="T1R1")
    assert pipeline.control_run(control, TABLES, (NEGATIVE_LOT,), arrived_at=ARRIVED) is None


# --- control strips -----------------------------------------------------------------------------


def run_of(of: Reading) -> ControlRun | None:
    """Judge a control strip, and by its lot."""
    outcome = judged(of, None)
    return pipeline.control_run(outcome, tables(ShutDoes.WAIT), (NEGATIVE_LOT,), arrived_at=ARRIVED)


def control(number: str = "C7", lot: str = "B1-0771", pads: tuple[tuple[str, str], ...] = ()) -> Reading:
    """Give a control strip, negative on every pad unless told otherwise."""
    values = {"GLU": "NEG", "PRO": "NEG", "NIT": "NEG", **dict(pads)}
    return reading(number=number, patient=lot, pads=tuple((label, value) for label, value in values.items() if value))


def test_a_control_is_judged_by_its_lot() -> None:
    """The lot stands in the patient's place, as some analyzers print it."""
    for pads, verdict in (((), RunVerdict.PASSED), ((("PRO", "TR"),), RunVerdict.FAILED)):
        run = run_of(control(pads=pads))
        assert run is not None
        assert (run.lot, run.flaws, run.verdict) == (NEGATIVE_LOT, (), verdict)
    unknown = run_of(control(lot="B1-0770"))
    assert unknown is not None
    assert (unknown.unmatched, unknown.verdict) == (Unmatched.NOT_KNOWN, RunVerdict.NOT_COUNTED)


def test_a_control_that_is_rejected_can_fail_and_never_pass() -> None:
    """A missing pad stops the record, and it fails the run; a record that is stopped for its time has proved nothing yet."""
    missing = control(pads=(("NIT", ""),))
    assert isinstance(judged(missing, None), Rejected)
    run = run_of(missing)
    assert run is not None
    assert (run.flaws, run.verdict) == ((Flaw.STOPPED,), RunVerdict.FAILED)
    ahead = replace(control(), printed_time=printed("11:00"))  # an hour ahead of its arrival
    assert isinstance(judged(ahead, None), Held)
    run = run_of(ahead)
    assert run is not None
    assert (run.flaws, run.verdict) == ((Flaw.STOPPED,), RunVerdict.NOT_COUNTED)


def test_no_other_strip_is_a_control() -> None:
    """Patients' and training strips are judged by no lot, and a control is never held by a gate."""
    assert run_of(reading()) is None
    assert run_of(reading(number="T7")) is None
    assert isinstance(judged(control(), S.LOCKED, ShutDoes.HOLD), NonPatient)
