"""ORU^R01 messages: exact bytes, every sample through a second decoder, hostile text, character sets.

Outside the project: PyPI ``hl7`` (second_decoder.py) reads what we wrote, and golden/ holds messages written by hand.
"""

from __future__ import annotations

from collections import defaultdict
from dataclasses import replace
from datetime import datetime, timedelta
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from bridge.errors import RejectError
from bridge.model import CodedPad, CodedResult, Format, Quantity, ResultStatus, UnitSystem
from bridge.render import compile_plan, wording
from bridge.render.conformance import faults
from bridge.render.samples import HOSTILE
from bridge.tables.types import DestinationTerms, Tables
from tests.render.every_sample import EVERY_PLAN, ORDERS, rendered, stands_before, terms_for, told
from tests.render.results_for_tests import ANALYZED_AT, MADE_AT, normal_result, stat_result
from tests.render.second_decoder import components, decoded, fields
from tests.render.tables_for_tests import (
    GRADES_FIRST,
    NUMBERS_FIRST,
    ORU,
    SI_FIRST,
    STRIP,
    ZONE,
    counted_to_three,
    hand_made,
    terms,
)

GOLDEN = Path(__file__).parent / "golden"
COLLECTED_AT = ANALYZED_AT - timedelta(minutes=20)


def written(
    result: CodedResult, destination: DestinationTerms = ORU, *, tables: Tables | None = None, control_id: str = "TESTAM1"
) -> bytes:
    """Render through a fresh plan."""
    plan = compile_plan(destination, "testing", STRIP.name, tables or hand_made())
    return plan.render(result, control_id=control_id, made_at=MADE_AT).payload


# --- exact bytes


def golden(name: str) -> bytes:
    """Give a message that was written by hand; its file has a line end where the message has a carriage return."""
    return (GOLDEN / name).read_bytes().replace(b"\n", b"\r")


@pytest.mark.parametrize(("name", "result"), [("normal.hl7", normal_result()), ("abnormal_stat.hl7", stat_result())])
def test_the_message_is_exactly_this(name: str, result: CodedResult) -> None:
    """A change of one sent byte must be seen, meant, and noted in the changelog."""
    assert written(result) == golden(name)


def test_a_corrected_message_for_another_receiver_is_exactly_this() -> None:
    """Version 2 for a receiver of Latin-1, SI numbers and one code triplet; collection time known, a separator in the name."""
    result = replace(stat_result(), version=2, status=ResultStatus.CORRECTED, patient_name="Núñez|Zoë", collected_at=COLLECTED_AT)
    destination = replace(terms(Format.ORU_R01, SI_FIRST), charset="8859/1", local_codes=False)
    assert written(result, destination, control_id="TESTAM2") == golden("corrected_latin1.hl7")


@pytest.mark.parametrize("form", ["text", "local", "snomed"])
def test_a_grade_in_another_form_is_exactly_this(form: str) -> None:
    """One message for each form of a grade: ST with the printed text in the note, the site's code with LOINC beside it, SNOMED CT alone."""
    result = replace(stat_result(), pads=stat_result().pads[:3])
    assert written(result, terms_for(Format.ORU_R01, form), tables=counted_to_three()) == golden(f"{form}_grades.hl7")


# --- a second decoder against the coded result

PANELS = defaultdict(lambda: "50556-0", heron="24357-6")  # heron's strips are read by eye, and 50556-0 says Automated test strip


def expected_value(pad: CodedPad, plan: tuple[str, str, str]) -> tuple[str, list[str], list[str], list[str]]:
    """Give OBX-2, OBX-3's first triplet, OBX-5 and OBX-6 as HL7 chapter 7 has them, from the coded pad alone."""
    form = next(form for system in (*ORDERS[plan[0]], *UnitSystem) for form in pad.forms if form.system is system)
    code = [form.code.code, form.code.text, form.code.system]
    if not isinstance(form.value, Quantity):
        if plan[0] == "text":
            return "ST", code, [form.value.text], [""]
        triplets = [[code, text, system] for system, code, text in told(*plan, pad, value=form.value)]
        first, second = [*(triplets or [["", form.value.text, ""]]), ["", "", ""]][:2]
        return "CWE", code, [*first, *second, "", "", pad.printed], [""]
    digits, unit = f"{form.value.value:f}", [form.value.unit, form.value.unit, "UCUM"]
    return ("SN", code, [form.value.comparator, digits], unit) if form.value.comparator else ("NM", code, [digits], unit)


def stamp(moment: datetime | None) -> str:
    """Give a moment as HL7 writes it in the zone of the test destination."""
    return moment.astimezone(ZONE).strftime("%Y%m%d%H%M%S%z") if moment else ""


@pytest.mark.parametrize(("order", "profile", "strip"), EVERY_PLAN)
def test_a_second_decoder_reads_the_coded_result_back(order: str, profile: str, strip: str) -> None:
    """Every sample of every strip type: header, patient, order and each value say what the coded result holds, hostile text too."""
    for number, (result, payload) in enumerate(rendered(Format.ORU_R01, order, profile, strip)):
        (msh,), (pid,), (obr,), (spm,) = (components(payload, name) for name in ("MSH", "PID", "OBR", "SPM"))
        assert msh[3:7] == [["PADPOST"], ["LAB7"], ["RECORD"], ["WARD"]]
        assert (msh[7], msh[9], msh[10]) == ([stamp(MADE_AT)], ["ORU", "R01", "ORU_R01"], [f"TESTAM{number}"])
        assert (msh[11], msh[12], msh[15], msh[16], msh[18]) == (["P"], ["2.5.1"], [""], [""], ["UNICODE UTF-8"])
        assert pid[3] == [result.patient_id, "", "", "CLINIC", "MR"]
        assert pid[5] == [result.patient_name, "", "", "", "", "", "U"]
        assert obr[2:4] == [[""], [result.result_id, "PADPOST"]]
        assert (obr[4], obr[22], obr[25]) == ([PANELS[profile], result.panel.text, "LN"], [stamp(MADE_AT)], [result.status.value])
        assert obr[7] == [stamp(result.collected_at or result.analyzed_at)]
        assert spm[2] == [result.specimen_id]
        values = components(payload, "OBX")
        assert len(values) == len(result.pads)
        for place, (obx, pad) in enumerate(zip(values, result.pads, strict=True), 1):
            assert (obx[2][0], obx[3][:3], obx[5], obx[6]) == expected_value(pad, (order, profile, strip))
            assert (obx[1], obx[3][3:]) == ([str(place)], [pad.local.code, pad.local.text, pad.local.system])
            assert (obx[8], obx[11], obx[16], obx[18]) == (
                [pad.flag.value],
                [result.status.value],
                [result.operator],
                [result.analyzer],
            )
            assert (obx[14], obx[19]) == ([stamp(result.collected_at)], [stamp(result.analyzed_at)])


@pytest.mark.parametrize(("order", "profile", "strip"), EVERY_PLAN)
def test_what_was_printed_follows_every_number(order: str, profile: str, strip: str) -> None:
    """The printed text of a number stands in the NTE right after its OBX; a grade has it in CWE.9 (decision 0005)."""
    for result, payload in rendered(Format.ORU_R01, order, profile, strip):
        segments = list(decoded(payload))
        pads = iter(result.pads)
        for at, segment in enumerate(segments):
            if str(segment[0]) != "OBX":
                continue
            pad, after = next(pads), segments[at + 1]
            if str(segment[2]) == "CWE":
                assert str(after[0]) != "NTE"
            else:
                assert decoded(payload).unescape(str(after[3])) == f"{stands_before(pad)}{pad.printed}"
        assert next(pads, None) is None


def test_a_second_library_acknowledges_what_it_was_sent() -> None:
    """python-hl7 makes the acknowledgement out of our header: MSA-2 is our MSH-10, and the parties change places."""
    answer = decoded(written(stat_result())).create_ack("AA")
    assert str(answer.segment("MSA")) == "MSA|AA|TESTAM1"
    assert [str(answer.segment("MSH")[field]) for field in (3, 4, 5, 6)] == ["RECORD", "WARD", "PADPOST", "LAB7"]


# --- values


@pytest.mark.parametrize(
    ("order", "expected"),
    [
        (GRADES_FIRST, ("CWE", "50555-2", "LA11842-4^2+^LN^^^^^^2+", "")),
        (NUMBERS_FIRST, ("SN", "53328-1", ">=^1000", "mg/dL^mg/dL^UCUM")),
        (SI_FIRST, ("SN", "59156-0", ">=^55.5", "mmol/L^mmol/L^UCUM")),
    ],
)
def test_one_form_per_pad_with_its_own_code(order: tuple[UnitSystem, ...], expected: tuple[str, str, str, str]) -> None:
    """Value type, code and unit belong together; never two forms of one pad in a message."""
    obx = fields(written(stat_result(), terms(Format.ORU_R01, order)), "OBX")
    assert len(obx) == len(STRIP.pads)
    assert (obx[0][2], obx[0][3].split("^")[0], obx[0][5], obx[0][6]) == expected


@pytest.mark.parametrize(
    ("low", "high", "expected"), [(True, True, "1.005-1.030"), (True, False, ">1.005"), (False, True, "<1.030")]
)
def test_a_range_has_hl7s_form(low: bool, high: bool, expected: str) -> None:
    """OBX-7: lower-upper, >lower, <upper (HL7 chapter 7, OBX-7)."""
    tables = hand_made()
    pad = tables.catalogue.pads["specific_gravity"]
    pads = {**tables.catalogue.pads, pad.pad: replace(pad, low=pad.low if low else None, high=pad.high if high else None)}
    changed = replace(tables, catalogue=replace(tables.catalogue, pads=pads))
    assert fields(written(normal_result(changed), tables=changed), "OBX")[2][7] == expected


def test_a_code_that_is_not_of_an_automated_method_is_marked() -> None:
    """PRODUCT section 6: strip-method code, then method-free, marked; OBX-17 says so, and is empty otherwise."""
    methods = [obx[17] for obx in fields(written(stat_result()), "OBX")]
    assert methods == ["", "", "", "", f"^{wording.METHODS['strip']}", f"^{wording.METHODS['none']}"]


def test_an_answer_without_a_code_is_text() -> None:
    """CWE with text and original text only; nothing is made up."""
    plain = replace(hand_made(), catalogue=replace(hand_made().catalogue, answers={}))
    payload = written(normal_result(plain), tables=plain)
    assert fields(payload, "OBX")[1][5] == "^negative^^^^^^^NEGATIVE"
    assert faults(Format.ORU_R01, payload) == ()


# --- times, status, priority


def test_unknown_collection_time_stays_empty_and_is_explained() -> None:
    """OBX-14 and SPM-17 are collection and stay empty; OBR-7 is analysis time with a note, or empty with a note."""
    payload = written(normal_result())
    assert {obx[14] for obx in fields(payload, "OBX")} == {""}
    assert len(fields(payload, "SPM")[0]) == 12  # SPM-11 is the last
    assert fields(payload, "OBR")[0][7] == "20261125081530+0000"
    assert fields(payload, "NTE")[0][3] == wording.ANALYSIS_TIME_NOTE
    empty = written(normal_result(), replace(ORU, observed_at="empty"))
    assert (fields(empty, "OBR")[0][7], fields(empty, "NTE")[0][3]) == ("", wording.NO_TIME_NOTE)
    assert faults(Format.ORU_R01, empty) == ()


@pytest.mark.parametrize("option", ["analysis", "empty"])
def test_a_known_collection_time_stands_in_its_three_places(option: str) -> None:
    """OBR-7, OBX-14 and SPM-17; no note then."""
    payload = written(replace(normal_result(), collected_at=COLLECTED_AT), replace(ORU, observed_at=option))
    assert fields(payload, "OBR")[0][7] == "20261125075530+0000"
    assert {obx[14] for obx in fields(payload, "OBX")} == {"20261125075530+0000"}
    assert fields(payload, "SPM")[0][17] == "20261125075530+0000"
    assert all(nte[3].startswith(wording.PRINTED) for nte in fields(payload, "NTE"))
    assert faults(Format.ORU_R01, payload) == ()


def test_times_are_in_the_destinations_zone() -> None:
    """The offset travels with every time, so a receiver in another zone is not misled."""
    summer = replace(normal_result(), analyzed_at=datetime(2026, 7, 1, 23, 59, 59, tzinfo=ZoneInfo("UTC")))
    payload = written(summer, replace(ORU, zone=ZoneInfo("Asia/Kolkata")))
    assert fields(payload, "OBR")[0][7] == "20260702052959+0530"


def test_the_hour_that_comes_twice_is_told_apart_by_its_offset() -> None:
    """On the day the clocks go back 01:30 comes twice; the offset says which."""
    lisbon = replace(ORU, zone=ZoneInfo("Europe/Lisbon"))
    first, second = (datetime(2026, 10, 25, hour, 30, tzinfo=ZoneInfo("UTC")) for hour in (0, 1))
    said = [fields(written(replace(normal_result(), analyzed_at=at), lisbon), "OBR")[0][7] for at in (first, second)]
    assert said == ["20261025013000+0100", "20261025013000+0000"]


def test_a_correction_says_c_in_both_places() -> None:
    """HL7 chapter 7, OBX-11; the same filler number, a new control ID."""
    payload = written(replace(stat_result(), status=ResultStatus.CORRECTED, version=2), control_id="TESTAM9")
    assert fields(payload, "OBR")[0][25] == "C"
    assert {obx[11] for obx in fields(payload, "OBX")} == {"C"}
    assert (fields(payload, "OBR")[0][3], fields(payload, "MSH")[0][10]) == ("TESTAR42^PADPOST", "TESTAM9")


def test_only_a_stat_result_has_tq1() -> None:
    """TQ1-9 S (table 0485); a routine result says nothing of priority."""
    assert fields(written(normal_result()), "TQ1") == []
    assert [tq1[9] for tq1 in fields(written(stat_result()), "TQ1")] == ["S^Stat^HL70485"]


def test_local_codes_can_be_left_out() -> None:
    """Some receivers want one triplet."""
    payload = written(normal_result(), replace(ORU, local_codes=False))
    assert fields(payload, "OBX")[1][3] == "50558-6^Nitrite [Presence] in Urine by Automated test strip^LN"


# --- hostile text

# What every character set can say, and what UTF-8 can: all of Unicode but surrogates, which are no characters.
ANY_TEXT = st.text(st.characters(exclude_categories=["Cs"]), min_size=1, max_size=40)
LATIN_TEXT = st.text(st.characters(max_codepoint=255), min_size=1, max_size=40)
MARKS = st.text(st.sampled_from('|^~\\&\r\n\x00\x0b\x1c"<>EFXMSH.b-r0D'), min_size=1, max_size=40)


def hostile_result(text: str) -> CodedResult:
    """Put ``text`` wherever an analyzer or a person can: patient ID and name, specimen, operator, analyzer, comment, printed value."""
    result = stat_result()
    pads = tuple(replace(pad, printed=text) for pad in result.pads)
    return replace(
        result,
        patient_id=text,
        patient_name=text,
        specimen_id=text,
        operator=text,
        analyzer=text,
        comments=(text, text),
        pads=pads,
    )


def texts_said(payload: bytes) -> list[str]:
    """Read every place that carries free text back with the second decoder."""
    (pid,), (spm,) = components(payload, "PID"), components(payload, "SPM")
    said = [pid[3][0], pid[5][0], spm[2][0]]
    for obx in components(payload, "OBX"):
        said += [obx[16][0], obx[18][0], *(obx[5][8:] if obx[2] == ["CWE"] else [])]
    return [*said, *(nte[3][0].removeprefix(wording.PRINTED) for nte in components(payload, "NTE")[1:])]


def assert_only_text(payload: bytes, text: str) -> None:
    """Every place holds ``text`` whole, and the segments are those of a message without hostile text."""
    assert texts_said(payload) == [text] * (3 + 6 * 2 + 3 + 2 + 3)
    names = " ".join(str(segment[0]) for segment in decoded(payload))
    assert names == "MSH PID ORC OBR NTE NTE NTE TQ1 OBX OBX OBX NTE OBX NTE OBX NTE OBX SPM"
    assert faults(Format.ORU_R01, payload) == ()


@pytest.mark.parametrize("text", HOSTILE)
def test_hostile_text_comes_back_as_it_was_and_is_never_structure(text: str) -> None:
    """Delimiters, HTML, control characters, 8-bit and emoji, in patient ID, name, specimen, operator, comment and value."""
    assert_only_text(written(hostile_result(text)), text)


@settings(deadline=None)
@given(text=ANY_TEXT | MARKS)
@example(text="\r")
@example(text="\\")
@example(text="\x00")
@example(text="\\X0D\\OBX|9|")
@example(text="\u2028\x85\ufeff")
def test_any_text_of_unicode_comes_back(text: str) -> None:
    """The property behind the table above, over all of Unicode."""
    assert_only_text(written(hostile_result(text)), text)


@settings(deadline=None)
@given(text=LATIN_TEXT | MARKS)
def test_any_text_of_latin_1_comes_back_in_latin_1(text: str) -> None:
    """The same in 8859/1, whose bytes the second decoder reads as MSH-18 says."""
    assert_only_text(written(hostile_result(text), replace(ORU, charset="8859/1")), text)


@settings(deadline=None)
@given(text=MARKS)
def test_the_sites_own_names_are_never_structure_either(text: str) -> None:
    """Application, facility and authority come from the configuration, where a person may type anything."""
    destination = replace(
        ORU, sending_application=text, sending_facility=text, receiving_application=text, receiving_facility=text,
        patient_authority=text, patient_type=text,
    )  # fmt: skip
    (msh,), (pid,) = (components(written(stat_result(), destination), name) for name in ("MSH", "PID"))
    assert [msh[3], msh[4], msh[5], msh[6]] == [[text]] * 4
    assert pid[3] == ["1002003", "", "", text, text]


# --- character sets


@pytest.mark.parametrize(
    ("charset", "raw", "text"),
    [
        ("8859/1", b"Zo\xeb", "Zoë"),
        ("8859/15", b"Zo\xeb \xa4", "Zoë €"),
        ("ASCII", b"Zoe", "Zoe"),
        ("UNICODE UTF-8", b"\xe5\xb0\xbf \xf0\x9f\xa7\xaa", "尿 🧪"),
    ],
)
def test_the_declared_character_set_is_the_one_used(charset: str, raw: bytes, text: str) -> None:
    """MSH-18 as table 0211 of 2.5.1 writes it, and the bytes to match."""
    payload = written(replace(stat_result(), patient_name=text), replace(ORU, charset=charset))
    assert b"|" + raw + b"^^^^^^U\r" in payload
    assert (fields(payload, "MSH")[0][18], fields(payload, "PID")[0][5]) == (charset, f"{text}^^^^^^U")


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
