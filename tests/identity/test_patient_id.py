"""The site's policy on a patient ID, exactly as the ID stands."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bridge.identity.patient_id import IdFault, id_fault, names_patient
from bridge.tables.types import PatientIdPolicy

POLICY = PatientIdPolicy(
    pattern=r"[1-9][0-9]{4,9}",
    check_digit="luhn",
    denied=frozenset({"79927398713"[:10], "QC-LEVEL-1"}),
    denied_patterns=(r"9{3,}", r"LOT.*"),
)


@pytest.mark.parametrize(
    ("patient_id", "fault"),
    [
        ("1234566", None),  # Luhn sum 30
        ("", IdFault.MISSING),
        ("   ", IdFault.MISSING),
        ("QC-LEVEL-1", IdFault.DENIED),
        ("99999", IdFault.DENIED),
        ("LOT4711", IdFault.DENIED),
        ("01234566", IdFault.MALFORMED),  # a leading zero is not dropped to make it fit
        (" 1234566", IdFault.MALFORMED),  # nor a blank
        ("1234566\n", IdFault.MALFORMED),  # nor a line end, which "$" in a pattern would let pass
        ("1234566|X", IdFault.MALFORMED),
        ("1234567", IdFault.CHECK_DIGIT),
        ("1243566", IdFault.CHECK_DIGIT),
    ],
)
def test_each_fault_is_named(patient_id: str, fault: IdFault | None) -> None:
    """The technician is told what is wrong, and nothing is trimmed or padded to make an ID fit. HZ-A01, HZ-A05, HZ-A06, HZ-A07, HZ-A08."""
    assert id_fault(patient_id, POLICY) is fault


def test_the_strips_own_lot_is_not_its_patient() -> None:
    """The wrong label on the bench gets scanned: the lot of the strip in hand is no patient, though it looks like one."""
    assert id_fault("1234566", POLICY, also_denied=frozenset({"1234566"})) is IdFault.DENIED
    assert id_fault("1234566", POLICY, also_denied=frozenset({"1234567"})) is None


@given(st.text(max_size=20))
def test_any_text_gets_an_answer(patient_id: str) -> None:
    """Whatever a line delivers, the policy answers, and only whole IDs of the pattern's own digits pass."""
    if id_fault(patient_id, POLICY) is None:
        assert patient_id.isascii()
        assert patient_id.isdigit()
        assert 5 <= len(patient_id) <= 10


@pytest.mark.parametrize(
    ("text", "names"),
    [
        ("Call the ward about 1234566.", True),
        ("(1234567)", True),  # mistyped: a patient's all the same
        ("Run 41 again at 08:42", False),
        ("lot 12345", False),  # as short as many a lot or strip number
        ("QC-LEVEL-1 again, LOT4711, 999999", False),  # never a patient's here
        ("", False),
    ],
)
def test_a_sentence_that_names_a_patient(text: str, names: bool) -> None:
    """By the site's own pattern, word by word; what is never a patient's ID here is none in a sentence either."""
    assert names_patient(text, POLICY) is names
