"""ORU^R01 messages: exact bytes, hostile text, character sets, and a second decoder.

Outside the project: PyPI ``hl7`` (python-hl7) parses what we wrote. The exact messages under fixtures/messages/ were read
field by field against HL7 2.5.1's segment tables (structure and positions also as hl7apy has them: test_oracles.py).
"""

from __future__ import annotations

import re
from dataclasses import replace
from datetime import datetime, timedelta
from pathlib import Path
from zoneinfo import ZoneInfo

import hl7
import pytest
from hypothesis import given
from hypothesis import strategies as st

from bridge.errors import RejectError
from bridge.model import CodedResult, ResultStatus
from bridge.render import compile_plan, wording
from bridge.render.conformance import faults
from bridge.render.samples import HOSTILE
from bridge.tables.types import DestinationTerms
from bridge.wire.er7 import unescape
from tests.render.results_for_tests import ANALYZED_AT, MADE_AT, normal_result, stat_result
from tests.render.tables_for_tests import GRADES_FIRST, NUMBERS_FIRST, ORU, SI_FIRST, STRIP, hand_made, terms

GOLDEN = Path(__file__).parents[2] / "fixtures" / "messages"


def written(result: CodedResult, destination: DestinationTerms = ORU) -> bytes:
    """Render through a fresh plan."""
    return (
        compile_plan(destination, "testing", STRIP.name, hand_made())
        .render(result, control_id="TESTAM1", made_at=MADE_AT)
        .payload
    )


def parsed(payload: bytes, encoding: str = "utf-8") -> hl7.Message:
    """Parse with python-hl7."""
    return hl7.parse(payload.decode(encoding))


def fields(payload: bytes, segment: str) -> list[list[str]]:
    """Give the fields of every such segment as python-hl7 cuts them, [n] being field n (MSH too)."""
    found = [each for each in parsed(payload) if str(each[0]) == segment]
    return [[str(field) for field in each] for each in found]


@pytest.mark.parametrize(("name", "result"), [("normal.hl7", normal_result()), ("abnormal_stat.hl7", stat_result())])
def test_the_message_is_exactly_this(name: str, result: CodedResult) -> None:
    """A change of one sent byte must be seen, meant, and noted in the changelog."""
    assert written(result) == (GOLDEN / name).read_bytes()


def test_the_segments_stand_where_a_second_decoder_finds_them() -> None:
    """python-hl7 reads identity, order and status from the fields that HL7 names."""
    payload = written(stat_result())
    message = parsed(payload)
    names = [str(segment[0]) for segment in message]
    assert names == [
        "MSH",
        "PID",
        "ORC",
        "OBR",
        "NTE",
        "NTE",
        "TQ1",
        "OBX",
        "OBX",
        "OBX",
        "NTE",
        "OBX",
        "NTE",
        "OBX",
        "NTE",
        "OBX",
        "SPM",
    ]
    assert str(message["MSH.F9"]) == "ORU^R01^ORU_R01"
    assert str(message["MSH.F10"]) == "TESTAM1"
    assert str(message["MSH.F12"]) == "2.5.1"
    assert (str(message["MSH.F18"]), len(message.segment("MSH"))) == ("UNICODE UTF-8", 19)
    assert str(message["PID.F3"]) == "1002003^^^CLINIC^MR"
    assert str(message["PID.F5"]) == "Silva Ana^^^^^^U"
    assert (str(message["ORC.F1"]), str(message["ORC.F3"])) == ("RE", "TESTAR42^PADPOST")
    assert str(message["OBR.F3"]) == "TESTAR42^PADPOST"
    assert str(message["OBR.F7"]) == "20261125081530+0000"
    assert str(message["OBR.F22"]) == "20261125081610+0000"
    assert str(message["OBR.F25"]) == "F"
    assert str(message["TQ1.F9"]) == "S^Stat^HL70485"
    assert str(message["SPM.F2"]) == "U-4711"
    assert str(message["SPM.F4"]) == "UR^Urine^HL70487"
    assert str(message["SPM.F11"]) == "P^Patient^HL70369"


def test_a_routine_result_says_nothing_of_priority_and_an_unknown_name_is_unspecified() -> None:
    """PID-5 is required in 2.5.1: name type U of table 0200 claims nothing."""
    payload = written(normal_result())
    assert fields(payload, "TQ1") == []
    assert fields(payload, "PID")[0][5] == "^^^^^^U"
    assert fields(payload, "SPM")[0][2] == ""


@pytest.mark.parametrize(
    ("order", "expected"),
    [
        (GRADES_FIRST, ("CWE", "50555-2", "LA11842-4^2+^LN^^^^^^2+", "")),
        (NUMBERS_FIRST, ("SN", "53328-1", ">=^1000", "mg/dL^mg/dL^UCUM")),
        (SI_FIRST, ("SN", "59156-0", ">=^55.5", "mmol/L^mmol/L^UCUM")),
    ],
)
def test_one_form_per_pad_with_its_own_code(order: tuple[str, ...], expected: tuple[str, str, str, str]) -> None:
    """Value type, code and unit belong together; never two forms of one pad in a message."""
    payload = written(stat_result(), terms(ORU.format, order))  # type: ignore[arg-type]  # the parameter's texts are unit systems
    obx = fields(payload, "OBX")
    assert len(obx) == len(STRIP.pads)
    assert (obx[0][2], obx[0][3].split("^")[0], obx[0][5], obx[0][6]) == expected
    assert obx[0][3].split("^")[3:] == ["T-GLU", "Glucose", "L"]


def test_a_plain_number_is_nm_with_its_zeros_and_the_printed_text_follows() -> None:
    """1.010 stays 1.010, and what the analyzer printed goes unchanged into an NTE after its OBX (decision 0005)."""
    payload = written(normal_result())
    lines = payload.decode().split("\r")
    at = next(number for number, line in enumerate(lines) if line.startswith("OBX|3|"))
    assert lines[at].split("|")[2:9] == [
        "NM",
        "53326-5^Specific gravity of Urine by Automated test strip^LN^T-SG^Specific gravity^L",
        "",
        "1.010",
        "1^1^UCUM",
        "1.005-1.030",
        "N",
    ]
    assert lines[at + 1] == "NTE|1|L|As printed by the analyzer: 1.010"


@pytest.mark.parametrize(
    ("low", "high", "expected"), [(True, True, "1.005-1.030"), (True, False, ">1.005"), (False, True, "<1.030")]
)
def test_a_range_has_hl7s_form(low: bool, high: bool, expected: str) -> None:
    """OBX-7: lower-upper, >lower, <upper (HL7 chapter 7)."""
    tables = hand_made()
    pad = tables.catalogue.pads["specific_gravity"]
    pads = {**tables.catalogue.pads, pad.pad: replace(pad, low=pad.low if low else None, high=pad.high if high else None)}
    changed = replace(tables, catalogue=replace(tables.catalogue, pads=pads))
    result = normal_result(changed)
    payload = compile_plan(ORU, "testing", STRIP.name, changed).render(result, control_id="TESTAM1", made_at=MADE_AT).payload
    assert fields(payload, "OBX")[2][7] == expected


def test_a_code_that_is_not_of_an_automated_method_is_marked() -> None:
    """PRODUCT section 6: strip-method code, then method-free, marked; OBX-17 says so, and is empty otherwise."""
    methods = [obx[17] for obx in fields(written(stat_result()), "OBX")]
    assert methods == ["", "", "", "", f"^{wording.METHODS['strip']}", f"^{wording.METHODS['none']}"]


def test_unknown_collection_time_stays_empty_and_is_explained() -> None:
    """OBX-14 and SPM-17 are collection and stay empty; OBR-7 is analysis time with a note, or empty with a note."""
    payload = written(normal_result())
    assert {obx[14] for obx in fields(payload, "OBX")} == {""}
    assert {obx[19] for obx in fields(payload, "OBX")} == {"20261125081530+0000"}
    assert fields(payload, "NTE")[0][3] == wording.ANALYSIS_TIME_NOTE
    empty = written(normal_result(), replace(ORU, observed_at="empty"))
    assert (fields(empty, "OBR")[0][7], fields(empty, "NTE")[0][3]) == ("", wording.NO_TIME_NOTE)
    assert faults(ORU.format, empty) == ()


def test_a_known_collection_time_stands_in_its_three_places() -> None:
    """OBR-7, OBX-14 and SPM-17; no note then."""
    result = replace(normal_result(), collected_at=ANALYZED_AT - timedelta(minutes=20))
    payload = written(result)
    assert fields(payload, "OBR")[0][7] == "20261125075530+0000"
    assert {obx[14] for obx in fields(payload, "OBX")} == {"20261125075530+0000"}
    assert fields(payload, "SPM")[0][17] == "20261125075530+0000"
    assert wording.ANALYSIS_TIME_NOTE not in payload.decode()
    assert faults(ORU.format, payload) == ()


def test_a_correction_says_c_in_both_places() -> None:
    """HL7 chapter 7, OBX-11; the same filler number, a new control ID."""
    payload = written(replace(stat_result(), status=ResultStatus.CORRECTED, version=2))
    assert fields(payload, "OBR")[0][25] == "C"
    assert {obx[11] for obx in fields(payload, "OBX")} == {"C"}


def test_times_are_in_the_destinations_zone() -> None:
    """The offset travels with every time, so a receiver in another zone is not misled."""
    summer = replace(normal_result(), analyzed_at=datetime(2026, 7, 1, 23, 59, 59, tzinfo=ZoneInfo("UTC")))
    payload = written(summer, replace(ORU, zone=ZoneInfo("Asia/Kolkata")))
    assert fields(payload, "OBR")[0][7] == "20260702052959+0530"


def test_local_codes_can_be_left_out() -> None:
    """Some receivers want one triplet."""
    payload = written(normal_result(), replace(ORU, local_codes=False))
    assert fields(payload, "OBX")[1][3] == "50558-6^Nitrite [Presence] in Urine by Automated test strip^LN"


def test_an_answer_without_a_code_is_text() -> None:
    """CWE with text and original text only."""
    tables = hand_made()
    plain = replace(tables, catalogue=replace(tables.catalogue, answers={}))
    result = normal_result(plain)
    payload = compile_plan(ORU, "testing", STRIP.name, plain).render(result, control_id="TESTAM1", made_at=MADE_AT).payload
    assert fields(payload, "OBX")[1][5] == "^negative^^^^^^^NEGATIVE"
    assert faults(ORU.format, payload) == ()


def _hostile(text: str) -> CodedResult:
    result = stat_result()
    pads = tuple(replace(pad, printed=text) for pad in result.pads)
    return replace(
        result, patient_id=text, patient_name=text, specimen_id=text, operator=text, analyzer=text, comments=(text,), pads=pads
    )


def _said(payload: bytes) -> set[str]:
    """Read every field that carries free text back with python-hl7 and give the texts that stand there."""
    said = {unescape(fields(payload, "PID")[0][3].split("^")[0]), unescape(fields(payload, "PID")[0][5].split("^")[0])}
    said.add(unescape(fields(payload, "SPM")[0][2]))
    for obx in fields(payload, "OBX"):
        said |= {unescape(obx[16]), unescape(obx[18])}
        if obx[2] == "CWE":
            said.add(unescape(obx[5].split("^")[8]))
    for nte in fields(payload, "NTE")[1:]:
        said.add(unescape(nte[3]).removeprefix(wording.PRINTED))
    return said


@pytest.mark.parametrize("text", HOSTILE)
def test_hostile_text_comes_back_as_it_was_and_is_never_structure(text: str) -> None:
    """Delimiters, HTML, control characters, 8-bit and emoji, in patient ID, name, specimen, operator, comment and value."""
    payload = written(_hostile(text))
    assert _said(payload) == {text}
    assert [len(re.findall(name, payload.decode())) for name in ("\rPID", "\rOBX", "\rSPM")] == [1, 6, 1]
    assert faults(ORU.format, payload) == ()


@given(text=st.text(st.characters(exclude_categories=["Cs"]), min_size=1))
def test_any_text_comes_back(text: str) -> None:
    """The property behind the table above."""
    payload = written(_hostile(text))
    assert _said(payload) == {text}
    assert faults(ORU.format, payload) == ()


@pytest.mark.parametrize(
    ("charset", "encoding", "text"),
    [
        ("8859/1", "iso8859-1", "Zoë"),
        ("8859/15", "iso8859-15", "Zoë €"),
        ("ASCII", "ascii", "Zoe"),
        ("UNICODE UTF-8", "utf-8", "尿 🧪"),
    ],
)
def test_the_declared_character_set_is_the_one_used(charset: str, encoding: str, text: str) -> None:
    """MSH-18 as table 0211 of 2.5.1 writes it, and the bytes to match."""
    payload = written(replace(stat_result(), patient_name=text), replace(ORU, charset=charset))
    message = parsed(payload, encoding)
    assert (str(message["MSH.F18"]), str(message["PID.F5"])) == (charset, f"{text}^^^^^^U")


@pytest.mark.parametrize(
    ("charset", "text", "said"),
    [("8859/1", "a€", "'€' (U+20AC)"), ("ASCII", "Zoë", "'ë' (U+00EB)"), ("8859/15", "🧪", "(U+1F9EA)")],
)
def test_what_cannot_be_encoded_is_rejected_not_altered(charset: str, text: str, said: str) -> None:
    """No question mark, no dropped accent: the strip stops with the character and the remedy."""
    with pytest.raises(RejectError) as found:
        written(replace(stat_result(), patient_name=text), replace(ORU, charset=charset))
    assert found.value.rule == "render.charset"
    assert said in found.value.sentence
    assert charset in found.value.sentence
    assert "UNICODE UTF-8" in found.value.remedy


def test_a_lone_surrogate_is_rejected() -> None:
    """It is no character in any set."""
    with pytest.raises(RejectError, match=r"render\.charset"):
        written(replace(stat_result(), comments=("\ud800",)))
