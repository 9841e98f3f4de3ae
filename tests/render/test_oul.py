"""OUL^R22: exact bytes, and what of a strip that is no patient's may stand in a message.

Outside the project: PyPI ``hl7`` (second_decoder.py), hl7apy, and golden/, written by hand.
"""

from __future__ import annotations

from dataclasses import replace

import pytest

from bridge.errors import RejectError
from bridge.model import Format, Purpose
from bridge.render import compile_plan
from bridge.render.conformance import faults
from bridge.render.oracles import oracle_faults
from bridge.tables.types import Orders
from tests.render.results_for_tests import MADE_AT, control_result, ordered_result, stat_result
from tests.render.second_decoder import components, decoded, fields
from tests.render.tables_for_tests import LABORATORY, PROVIDER, STRIP, hand_made, terms
from tests.render.written import golden, written

OUL = replace(terms(Format.OUL_R22), order_authority="WARDS")


def names(payload: bytes) -> str:
    """Give the segments' names."""
    return " ".join(str(segment[0]) for segment in decoded(payload))


def test_an_ordered_patients_message_is_exactly_this() -> None:
    """PID, then the specimen, then OBR before ORC, and the strip's lot in SID after each OBX."""
    assert written(replace(ordered_result(), pads=ordered_result().pads[:3]), OUL) == golden("oul_ordered.hl7")


def test_a_controls_message_is_exactly_this() -> None:
    """No PID; SPM-11 Q, SAC-3 the material's number, INV right after SAC; no word of a collection."""
    assert written(replace(control_result(), pads=control_result().pads[:2]), OUL) == golden("oul_control.hl7")


def test_without_a_lot_there_is_no_sid() -> None:
    """What was not printed is not said."""
    payload = written(replace(stat_result(), strip_lot=""), OUL)
    assert names(payload) == "MSH PID SPM OBR ORC NTE NTE TQ1 OBX OBX OBX NTE OBX NTE OBX NTE OBX"


@pytest.mark.parametrize(
    ("purpose", "role", "segments"),
    [
        (Purpose.CONTROL, "Q", "MSH SPM SAC INV OBR ORC"),
        (Purpose.PROFICIENCY, "F", "MSH SPM SAC OBR ORC"),
        (Purpose.COMPARISON, "R", "MSH SPM SAC OBR ORC"),
        (Purpose.TRAINING, "O", "MSH SPM SAC OBR ORC"),
    ],
)
def test_each_purpose_has_its_role_and_only_a_control_its_material(purpose: Purpose, role: str, segments: str) -> None:
    """Table 0369 of 2.5.1: Q control, F organization's proficiency, R replicate, O operator proficiency (decision 0014)."""
    payload = written(replace(control_result(), purpose=purpose, pads=control_result().pads[:1]), OUL)
    assert names(payload) == f"{segments} OBX SID"
    (spm,) = components(payload, "SPM")
    assert (spm[2], spm[11][0], spm[11][2]) == (["CM-2"], role, "HL70369")
    assert (faults(Format.OUL_R22, payload), oracle_faults(Format.OUL_R22, payload)) == ((), ())


def test_nothing_of_a_patient_is_in_a_message_of_no_patient() -> None:
    """Whatever stood in a patient's place on the slip of a control or a comparison: number, name, birth date and orderer stay here."""
    for purpose in (Purpose.CONTROL, Purpose.COMPARISON):
        result = replace(ordered_result(), purpose=purpose, order_number="", comments=())
        payload = written(result, replace(OUL, provider=PROVIDER, laboratory=LABORATORY))
        for text in (b"1002003", b"Silva", b"19610704", b"Heron"):
            assert text not in payload
        assert b"Test Bench" in payload


def test_material_without_a_number_is_told_by_the_results_own() -> None:
    """SAC-3 is then our number under our name, and INV-1 says in words that none was printed."""
    payload = written(replace(control_result(), specimen_id=""), OUL)
    assert components(payload, "SAC")[0][3] == ["TESTAR42", "PADPOST"]
    assert components(payload, "INV")[0][1] == ["", "Control material, no number printed"]
    assert components(payload, "SPM")[0][2] == [""]
    assert (faults(Format.OUL_R22, payload), oracle_faults(Format.OUL_R22, payload)) == ((), ())


def test_a_control_is_not_said_to_be_collected() -> None:
    """OBR-7 is the time of analysis, whatever the option for patients' strips is, and no note explains it."""
    for option in ("analysis", "empty"):
        payload = written(control_result(), replace(OUL, observed_at=option))
        assert fields(payload, "OBR")[0][7] == "20261125081530+0000"
        assert all(nte[3].startswith("As printed") for nte in fields(payload, "NTE"))


def test_the_orders_of_one_specimen_stand_below_it() -> None:
    """Single orders share one SPM."""
    payload = written(replace(control_result(), pads=control_result().pads[:2]), replace(OUL, orders=Orders.SINGLE))
    assert names(payload) == "MSH SPM SAC INV OBR ORC OBX SID OBR ORC OBX SID"


@pytest.mark.parametrize("fmt", Format)
@pytest.mark.parametrize("purpose", [purpose for purpose in Purpose if purpose is not Purpose.PATIENT])
def test_no_other_message_carries_a_strip_of_no_patient(fmt: Format, purpose: Purpose) -> None:
    """Only OUL^R22, and only where the destination asked for it."""
    for asked in (True, False):
        plan = compile_plan(replace(terms(fmt), non_patient=asked), "testing", STRIP.name, hand_made())
        result = replace(control_result(), purpose=purpose)
        if fmt is Format.OUL_R22 and asked:
            message = plan.render(result, control_id="TESTAM1", made_at=MADE_AT)
            assert (message.lane, message.payload.count(b"PID|")) == ("analyzer:bench-2", 0)
            continue
        with pytest.raises(RejectError) as found:
            plan.render(result, control_id="TESTAM1", made_at=MADE_AT)
        assert found.value.rule == "render.purpose"
