"""What the rules say of a patient's strip whose controls are not right."""

from __future__ import annotations

from dataclasses import replace

import pytest

from bridge.check.controls import ControlKnown, controls_right, not_a_patients
from bridge.model import GateFacts, GateState, Severity
from bridge.tables.control_table import GatePolicy, ShutDoes
from tests.tables.shipped_tables import ZONE

S = GateState
UNKNOWN = ControlKnown(patient_id="", specimen_id="")
POLICIES = {shut: GatePolicy(levels=frozenset({"1"}), zone=ZONE, shut=shut) for shut in ShutDoes}


@pytest.mark.parametrize("state", list(S))
@pytest.mark.parametrize("shut", list(ShutDoes))
def test_what_a_gate_says_of_a_strip(state: GateState, shut: ShutDoes) -> None:
    """Open and due say nothing; a failure says so until it is put right; all else is that controls are still to pass."""
    rules = {S.OPEN: [], S.DUE: [], S.START: ["controls.due"], S.MENDED: ["controls.due"]}
    found = controls_right(GateFacts(state=state), POLICIES[shut], analyzer="bench-1")
    assert [each.rule for each in found] == rules.get(state, ["controls.failed"])
    assert {each.severity for each in found} <= {Severity.NOTE if shut is ShutDoes.NOTE else Severity.HOLD}
    assert all(each.releasable for each in found)


def test_a_strip_in_doubt_is_not_cleared_by_later_controls() -> None:
    """Read after the last controls that passed and before the failed ones: an open gate of today says nothing of it."""
    (found,) = controls_right(GateFacts(state=S.OPEN, in_doubt=True), POLICIES[ShutDoes.WAIT], analyzer="bench-1")
    assert (found.rule, found.sentence) == (
        "controls.failed",
        "Controls of bench-1 failed, and this strip was read before that was put right.",
    )


def test_the_remedy_says_whether_it_goes_by_itself() -> None:
    """A person at the bench is told to release only what does not go without that."""
    waiting, held = (
        controls_right(GateFacts(state=S.START), POLICIES[shut], analyzer="b")[0] for shut in (ShutDoes.WAIT, ShutDoes.HOLD)
    )
    assert waiting.remedy == "Run every level of the controls. This result goes by itself once all of them have passed."
    assert (
        held.remedy == "Run every level of the controls. If they pass, release this strip; if not, put the analyzer right first."
    )


def test_without_a_policy_no_gate_is_asked() -> None:
    """As before: results go."""
    assert controls_right(None, POLICIES[ShutDoes.HOLD], analyzer="b") == ()
    assert controls_right(GateFacts(state=S.LOCKED), None, analyzer="b") == ()


@pytest.mark.parametrize(
    ("known", "is_patients", "held"),
    [
        (UNKNOWN, True, True),
        (UNKNOWN, False, False),  # no patient's ID, as a vial's text mostly is
        (replace(UNKNOWN, patient_id="a lot of control material"), True, False),
        (replace(UNKNOWN, specimen_id="a lot of control material"), True, False),
        (replace(UNKNOWN, is_registered=True), True, False),
    ],
)
def test_a_control_with_a_patients_id_and_no_lot_is_asked_about(known: ControlKnown, is_patients: bool, held: bool) -> None:
    """HZ-E07: a patient's specimen that was run as a control would be in nobody's record, and nobody would know."""
    found = not_a_patients(known, POLICIES[ShutDoes.WAIT], is_patients=is_patients)
    assert [(each.rule, each.severity, each.releasable) for each in found] == [
        ("purpose.like_patient", Severity.HOLD, True)
    ] * held
    assert not_a_patients(known, None, is_patients=is_patients) == ()
