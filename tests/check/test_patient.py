"""Rules of the patient's identity: each fires, and its near miss does not."""

from __future__ import annotations

from dataclasses import replace

import pytest

from bridge.check.patient import not_registered, patient_identity
from bridge.model import Finding, Place, Severity
from tests.check.tables_for_tests import POLICY, printed


def _ask(patient_id: str, *, check_digit: str = "", strip_lot: str = "L100", operator: str = "12") -> tuple[Finding, ...]:
    policy = replace(POLICY.patient_id, check_digit=check_digit)
    return patient_identity(patient_id, policy, place=printed(patient_id, 30), strip_lot=strip_lot, operator=operator)


@pytest.mark.parametrize(
    ("patient_id", "check_digit", "rule", "sentence"),
    [
        ("", "", "patient.missing", "The strip has no patient ID."),
        ("999", "", "patient.denied", "999 is not a patient's ID: it is a lot, an operator, a control or a placeholder."),
        ("000", "", "patient.denied", "000 is not a patient's ID: it is a lot, an operator, a control or a placeholder."),
        ("12", "", "patient.denied", "12 is not a patient's ID: it is a lot, an operator, a control or a placeholder."),
        ("47A1", "", "patient.malformed", "47A1 is not built like a patient ID of this site."),
        ("<b>{id}</b>", "", "patient.malformed", "<b>{id}</b> is not built like a patient ID of this site."),
        ("4471-83", "luhn", "patient.check_digit", "Patient ID 4471-83 fails its check digit."),
    ],
)
def test_each_fault_is_told_with_the_id_as_it_stands(patient_id: str, check_digit: str, rule: str, sentence: str) -> None:
    """The technician sees what the analyzer printed and is sent to the label; nobody can wave it through. HZ-A01, HZ-A05, HZ-A06 and HZ-A08, as far as a pattern tells."""
    (found,) = _ask(patient_id, check_digit=check_digit)
    assert (found.rule, found.sentence) == (rule, sentence)
    assert (found.severity, found.releasable) == (Severity.REJECT, False)
    assert found.remedy == "Scan the label again and correct the patient ID here."
    assert found.place == Place(start=30, end=30 + len(patient_id))


@pytest.mark.parametrize(("patient_id", "check_digit"), [("4711", ""), ("9990", ""), ("4471-85", "luhn"), ("13", "")])
def test_near_misses_pass(patient_id: str, check_digit: str) -> None:
    """One digit beside a denied ID, or a check digit that agrees, is a patient's."""
    assert _ask(patient_id, check_digit=check_digit) == ()


def test_an_empty_lot_or_operator_denies_nothing() -> None:
    """What the layout does not print is not a deny list."""
    assert _ask("4711", strip_lot="", operator="") == ()


def test_another_labels_text_is_held_with_what_it_is() -> None:
    """HZ-A04. The only way past it is the patient's own label, or a person's word that this is what stands there."""
    (found,) = not_registered("an operator's number", "40718801", place=printed("40718801", 30))
    assert (found.rule, found.sentence) == ("patient.registered", "40718801 is entered here as an operator's number.")
    assert (found.severity, found.releasable) == (Severity.HOLD, True)
    assert found.place == Place(start=30, end=38)
    assert not_registered("", "40718801", place=None) == ()
