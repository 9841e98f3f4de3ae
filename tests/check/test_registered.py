"""What a registered identifier does to a strip: it is no patient's, or waits for a person; never sent as it is."""

from __future__ import annotations

from dataclasses import replace

import pytest

from bridge.check.registered import not_registered, purpose_of
from bridge.life import RegisteredAs
from bridge.model import Purpose

EQ = RegisteredAs(purpose="proficiency", scheme="round 4", text="EQ-26-01", is_pattern=True, is_specimen=False, is_signed=True)
P = Purpose


@pytest.mark.parametrize(
    ("registered", "patient_id", "is_patients", "doubt"),
    [
        (EQ, "EQ-26-01", False, ""),
        (replace(EQ, is_pattern=False), "40700007", True, ""),
        (replace(EQ, is_specimen=True), "", False, ""),
        (EQ, "40700007", True, "it is built like a patient ID of this site"),
        (replace(EQ, is_signed=False), "EQ-26-01", False, "nobody has signed that yet"),
        (replace(EQ, is_specimen=True, is_pattern=False), "40700007", True, "the strip has a patient ID beside it"),
    ],
)
def test_it_is_no_patients_or_it_is_held(registered: RegisteredAs, patient_id: str, is_patients: bool, doubt: str) -> None:
    """Hazard HZ-K07: one or the other, always, and what is held nobody may release."""
    purpose = purpose_of(P.PATIENT, registered, patient_id=patient_id, is_patients=is_patients)
    found = not_registered(registered, patient_id=patient_id, is_patients=is_patients)
    assert (purpose is P.PATIENT) is bool(found) is bool(doubt)
    assert [each.sentence for each in found] == (
        [f"EQ-26-01 is registered for proficiency (round 4), and {doubt}."] if doubt else []
    )
    assert not any(each.releasable for each in found)


def test_what_the_analyzer_says_itself_stands() -> None:
    """A control stays one; without a registration nothing is different."""
    for printed in (P.CONTROL, P.TRAINING, P.COMPARISON):
        assert purpose_of(printed, EQ, patient_id="EQ-26-01", is_patients=False) is printed
    assert purpose_of(P.PATIENT, None, patient_id="EQ-26-01", is_patients=False) is P.PATIENT
    assert not_registered(None, patient_id="EQ-26-01", is_patients=False) == ()
