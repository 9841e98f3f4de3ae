"""The strip sorrel-14 by both of its profiles, from captured bytes to messages and back: words, ratios, and strips read by eye.

Each profile's worked example is judged and rendered, and what a receiver reads is written out here by hand.
"""

from __future__ import annotations

import json
from datetime import UTC, datetime

import pytest

from bridge import pipeline
from bridge.check import Moment
from bridge.model import Capture, Coded, Facts, Format, Reading, Way
from bridge.render import compile_plan
from bridge.render.conformance import faults
from bridge.render.oracles import oracle_faults
from tests.render.every_sample import terms_for
from tests.render.fhir_check import bundle_faults
from tests.render.results_for_tests import MADE_AT
from tests.render.second_decoder import components
from tests.render.tables_for_tests import shipped

ARRIVED = datetime(2026, 11, 25, 12, 0, tzinfo=UTC)


def first(profile: str, *, old: bytes = b"", new: bytes = b"") -> Coded:
    """Judge the first strip of a profile's worked example, with ``old`` replaced."""
    made = shipped().profiles[profile]
    payload = made.example.payload.replace(old, new, 1) if old else made.example.payload
    capture = Capture(source="files", way=Way.FOLDER, arrived_at=ARRIVED, payload=payload, live=False)
    reading = pipeline.understand(capture, made, analyzer="bench-9")[0]
    assert isinstance(reading, Reading)
    moment = Moment(arrived_at=ARRIVED, live=False, now=ARRIVED)
    outcome = pipeline.judge(reading, Facts(), shipped(), moment=moment, result_id="SORR1")
    assert isinstance(outcome, Coded), outcome
    return outcome


def sent(coded: Coded, fmt: Format, order: str) -> bytes:
    """Render it; both our rules and the library of the format find nothing."""
    plan = compile_plan(terms_for(fmt, order), coded.result.profile, coded.result.strip_type, shipped())
    payload = plan.render(coded.result, control_id="SORM1", made_at=MADE_AT).payload
    assert (faults(fmt, payload), oracle_faults(fmt, payload)) == ((), ())
    return payload


def obx(payload: bytes, code: str) -> list[list[str]]:
    """Give the OBX of a LOINC code, as a second decoder cuts it."""
    (found,) = (each for each in components(payload, "OBX") if each[3][0] == code)
    return found


def observations(payload: bytes) -> dict[str, dict[str, object]]:
    """Give the Observations of a Bundle by LOINC code."""
    assert bundle_faults(payload) == []
    found = [entry["resource"] for entry in json.loads(payload, parse_float=str, parse_int=str)["entry"]]
    return {each["code"]["coding"][0]["code"]: each for each in found if each["resourceType"] == "Observation"}


def test_a_colour_goes_as_its_word() -> None:
    """CWE with our local code, its text and the text as printed; abnormal as the ladder says; expected words beside it."""
    segment = obx(sent(first("wren"), Format.ORU_R01, "grades"), "5778-6")
    assert (segment[2], segment[5]) == (["CWE"], ["PP-COL-O", "Orange", "L", "", "", "", "", "", "orange"])
    assert (segment[7], segment[8]) == (["Colourless, yellow or amber"], ["A"])
    assert segment[17] == ["", "Seen by the analyzer or by eye; the code names no method"]
    found = observations(sent(first("wren"), Format.FHIR, "grades"))["5778-6"]
    coding = {"system": "urn:padpost:local", "code": "PP-COL-O", "display": "Orange"}
    assert found["valueCodeableConcept"] == {"coding": [coding], "text": "orange"}
    assert found["referenceRange"] == [{"text": "Colourless, yellow or amber"}]


def test_a_colour_goes_as_text_where_grades_do() -> None:
    """OBX-2 ST and valueString: the catalogue's text, and the printed one in the note."""
    payload = sent(first("heron"), Format.ORU_R01, "text")
    assert (obx(payload, "5778-6")[2], obx(payload, "5778-6")[5]) == (["ST"], ["Yellow"])
    assert "As written for the strip read by eye: straw" in payload.decode()
    assert observations(sent(first("heron"), Format.FHIR, "text"))["5778-6"]["valueString"] == "Yellow"


def test_a_ratio_goes_marked_and_points_to_its_pads() -> None:
    """Albumin 85 mg/L over creatinine 110 mg/dL: 77 mg/g, high, said to be computed in both formats, and of what."""
    payload = sent(first("wren"), Format.ORU_R01, "numbers")
    segment = obx(payload, "20621-9")
    assert (segment[2], segment[5], segment[6]) == (["NM"], ["77"], ["mg/g{creat}", "mg/g{creat}", "UCUM"])
    assert (segment[7], segment[8], segment[17]) == (["<30"], ["H"], ["", "Computed by Padpost from two pads of one test strip"])
    said = "Computed by Padpost from the numbers that the strip's scales declare for: Albumin 85, Creatinine 110"
    assert said in [nte[3][0] for nte in components(payload, "NTE")]
    found = observations(sent(first("wren"), Format.FHIR, "si"))
    ratio = found["30001-2"]
    assert ratio["valueQuantity"] == {
        "value": "8.7", "unit": "mg/mmol{creat}", "system": "http://unitsofmeasure.org", "code": "mg/mmol{creat}",
    }  # fmt: skip
    assert ratio["method"] == {"text": "Computed by Padpost from two pads of one test strip"}
    assert len(ratio["derivedFrom"]) == 2  # type: ignore[arg-type]  # JSON
    assert ratio["note"][0] == {"text": said}  # type: ignore[index]  # JSON


def test_an_open_step_stays_open() -> None:
    """Creatinine ">=320": the ratio is at most 27 mg/g, so surely normal; SN and the FHIR comparator say so."""
    strip = first("wren", old=b"Creat    110", new=b"Creat    >=320")
    segment = obx(sent(strip, Format.ORU_R01, "numbers"), "20621-9")
    assert (segment[2], segment[5], segment[8]) == (["SN"], ["<=", "27"], ["N"])
    found = observations(sent(strip, Format.FHIR, "numbers"))["20621-9"]["valueQuantity"]
    assert (found["value"], found["comparator"]) == ("27", "<=")  # type: ignore[index]  # JSON


def test_a_ratio_that_is_open_both_ways_is_not_sent_and_noted() -> None:
    """Albumin ">=140" over creatinine ">=320" may be anything: the strip goes without it, and a note says why."""
    strip = first("wren", old=b"Creat    110", new=b"Creat    >=320")
    assert "albumin_creatinine" in {pad.pad for pad in strip.result.pads}
    made = shipped().profiles["wren"]
    both = made.example.payload.replace(b"Creat    110", b"Creat    >=320").replace(b"Alb      85", b"Alb      >=140")
    strip = first("wren", old=made.example.payload, new=both)
    assert {pad.pad for pad in strip.result.pads if pad.computed_from} == {"protein_creatinine"}
    assert [(each.rule, each.severity.value, each.sentence) for each in strip.findings] == [
        (
            "ratio.not_computed",
            "note",
            "Albumin/creatinine ratio: Albumin >=140 and Creatinine >=320 do not decide it, so none is sent.",
        ),
    ]


def test_a_strip_read_by_eye_has_the_codes_of_a_strip() -> None:
    """No automated code, no mark on strip codes, the panel that leaves the method open, and no analyzer claimed."""
    payload = sent(first("heron"), Format.ORU_R01, "grades")
    codes = [each[3][0] for each in components(payload, "OBX")]
    assert codes == [
        "5778-6", "32167-9", "30004-6", "95232-5", "20454-5", "5794-3", "25428-4", "5811-5", "5802-4",
        "5799-2", "2514-8", "5770-3", "5818-0", "5803-2", "20621-9", "2890-2",
    ]  # fmt: skip
    assert [each[17] for each in components(payload, "OBX")][2:14] == [[""]] * 12
    assert components(payload, "OBR")[0][4] == ["24357-6", "Urinalysis macro (dipstick) panel - Urine", "LN"]
    bundle = sent(first("heron"), Format.FHIR, "grades")
    assert b"analyzer" not in bundle.replace(b"analyzer.bench-9", b"")
    assert b"Urine strips read by eye" in bundle


@pytest.mark.parametrize("word", ["reddish", "Straw", "blue", "normal", "7", ""])
def test_an_unknown_word_stops_the_strip(word: str) -> None:
    """A colour that the profile does not declare is never taken for one that it does."""
    made = shipped().profiles["heron"]
    payload = made.example.payload.replace(b";straw;", f";{word};".encode(), 1)
    capture = Capture(source="files", way=Way.FOLDER, arrived_at=ARRIVED, payload=payload, live=False)
    reading = pipeline.understand(capture, made, analyzer="bench-9")[0]
    assert isinstance(reading, Reading)
    outcome = pipeline.judge(
        reading, Facts(), shipped(), moment=Moment(arrived_at=ARRIVED, live=False, now=ARRIVED), result_id="S1"
    )
    assert not isinstance(outcome, Coded)
