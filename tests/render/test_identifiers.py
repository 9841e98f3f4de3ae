"""What an analyzer printed as an identifier stands in the record sign by sign: from the bytes of a transmission to the messages."""

from __future__ import annotations

import json
from dataclasses import replace
from datetime import timedelta

import pytest

from bridge import pipeline
from bridge.check import Moment
from bridge.demo.printers import Play, framed, printed
from bridge.model import Capture, Coded, Facts, Format, Reading, Way
from bridge.render import compile_plan
from tests.judging_for_tests import NOW
from tests.render.every_sample import terms_for
from tests.render.results_for_tests import MADE_AT
from tests.render.second_decoder import components
from tests.tables.shipped_tables import ZONE, tables

BROOK = tables().profiles["brook"]
# of a site whose IDs may be anything: here only the way from end to end is looked at
ANY = replace(tables(), policy=replace(tables().policy, patient_id=replace(tables().policy.patient_id, pattern=r"[\w -]{1,20}")))


def message(patient_id: str, fmt: Format) -> bytes:
    """Send one strip of this patient through reading, judging and rendering."""
    play = Play(number=7, at=NOW.astimezone(ZONE) - timedelta(minutes=1), word="N", strip_type="sedge-5", patient_id=patient_id)
    capture = Capture(source="line", way=Way.SERIAL, arrived_at=NOW, payload=framed(printed([play], BROOK, ANY), BROOK))
    (reading,) = pipeline.understand(capture, BROOK, analyzer="bench-a")
    assert isinstance(reading, Reading)
    outcome = pipeline.judge(reading, Facts(), ANY, moment=Moment(arrived_at=NOW, live=True, now=NOW), result_id="TESTAR1")
    assert isinstance(outcome, Coded), outcome
    plan = compile_plan(terms_for(fmt, "text"), "brook", "sedge-5", ANY)
    return plan.render(outcome.result, control_id="TESTAM1", made_at=MADE_AT).payload


@pytest.mark.parametrize("patient_id", ["00012345", "12345", "ab-17", "AB-17", "7  7"])
def test_an_id_arrives_as_it_was_printed(patient_id: str) -> None:
    """HZ-A07: leading zeros, case and inner blanks in PID-3 (read by python-hl7) and in FHIR's identifier: no two IDs become one."""
    (pid,) = components(message(patient_id, Format.ORU_R01), "PID")
    assert pid[3][0] == patient_id
    bundle = json.loads(message(patient_id, Format.FHIR))
    subjects = [each["resource"]["subject"] for each in bundle["entry"] if "subject" in each["resource"]]
    assert {each["identifier"]["value"] for each in subjects} == {patient_id}


def test_a_result_without_an_order_is_nobodys_answer() -> None:
    """HZ-A13: it goes unsolicited: no placer's number in ORC-2 or OBR-2, nothing that it is based on; no order is looked for by guess."""
    sent = message("00012345", Format.ORU_R01)
    for segment in ("ORC", "OBR"):
        for each in components(sent, segment):
            assert each[2] == [""]
    bundle = json.loads(message("00012345", Format.FHIR))
    assert [each["resource"]["resourceType"] for each in bundle["entry"] if "basedOn" in each["resource"]] == []
