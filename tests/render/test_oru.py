"""ORU^R01 messages: exact bytes, every sample through a second decoder, hostile text, character sets.

Outside the project: PyPI ``hl7`` (second_decoder.py) reads what we wrote, and golden/ holds messages written by hand.
"""

from __future__ import annotations

from dataclasses import replace
from datetime import datetime, timedelta
from zoneinfo import ZoneInfo

import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from bridge.errors import RejectError
from bridge.model import CodedResult, Format, ResultStatus, UnitSystem
from bridge.render import wording
from bridge.render.conformance import faults
from bridge.render.samples import HOSTILE
from bridge.tables.types import DestinationTerms, Orders
from tests.render.every_sample import terms_for
from tests.render.results_for_tests import ANALYZED_AT, normal_result, ordered_result, stat_result
from tests.render.second_decoder import components, decoded, fields
from tests.render.tables_for_tests import (
    GRADES_FIRST,
    NUMBERS_FIRST,
    ORU,
    SI_FIRST,
    STRIP,
    counted_to_three,
    hand_made,
    terms,
)
from tests.render.written import golden, written

COLLECTED_AT = ANALYZED_AT - timedelta(minutes=20)


# --- exact bytes


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


def shaped(fmt: Format) -> DestinationTerms:
    """Give the terms of a destination of this format whose order numbers are the wards'."""
    return replace(terms(fmt), order_authority="WARDS")


def test_a_message_after_the_us_guide_is_exactly_this() -> None:
    """MSH-15 and 16, the agreed profile, PID-7 and 8, orderer, laboratory, OBX-29, and our own specimen number where none was printed."""
    result = replace(ordered_result(), pads=ordered_result().pads[:3], specimen_id="")
    assert written(result, shaped(Format.ORU_R01_US)) == golden("us_ordered.hl7")


def test_a_message_whose_order_the_receiver_makes_is_exactly_this() -> None:
    """ORU^R30: ORC-1 NW, no SPM; the specimen's number in words, the collection time in OBR-7 and OBX-14 alone."""
    result = replace(stat_result(), pads=stat_result().pads[:3], collected_at=COLLECTED_AT)
    assert written(result, shaped(Format.ORU_R30)) == golden("r30_collected.hl7")


def test_single_orders_are_exactly_this() -> None:
    """Three pads, each an order with its number, code, notes and specimen; the site's unit, no operator, no analyzer."""
    result = replace(ordered_result(), pads=(ordered_result().pads[1], ordered_result().pads[2], ordered_result().pads[4]))
    destination = replace(
        shaped(Format.ORU_R01), orders=Orders.SINGLE, unit_texts={"mg/dL": "mg per dl"}, operator=False, equipment=False
    )
    assert written(result, destination) == golden("single_orders.hl7")


def test_a_withdrawal_for_a_receiver_that_deletes_is_exactly_this() -> None:
    """D in OBX-11 where the destination asks for it, C in OBR-25 (tables 0085 and 0123, 2.5.1); else W, and nothing else differs."""
    result = replace(ordered_result(), pads=ordered_result().pads[1:2], version=2, status=ResultStatus.WITHDRAWN)
    destination = replace(shaped(Format.ORU_R01), operator=False, equipment=False)
    deleted = written(result, replace(destination, withdrawal="D"), control_id="TESTAM3")
    assert deleted == golden("withdrawn_deleted.hl7")
    assert faults(Format.ORU_R01, deleted) == ()
    assert written(result, destination, control_id="TESTAM3") == deleted.replace(b"|||D|", b"|||W|")


@pytest.mark.parametrize("fmt", [Format.ORU_R01, Format.ORU_R30, Format.ORU_R01_US])
def test_hostile_text_in_the_other_structures_is_only_text(fmt: Format) -> None:
    """The note that holds a specimen's number is text too."""
    for text in HOSTILE:
        payload = written(hostile_result(text), shaped(fmt))
        assert faults(fmt, payload) == ()
        said = {nte[3][0] for nte in components(payload, "NTE")}
        assert (f"{wording.SPECIMEN}{text}" in said) is (fmt is Format.ORU_R30)


# --- acknowledgement


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
    ("low", "high", "expected"), [(True, True, "1.005-1.030"), (True, False, ">=1.005"), (False, True, "<=1.030")]
)
def test_a_range_has_hl7s_form(low: bool, high: bool, expected: str) -> None:
    """OBX-7: lower-upper (HL7 chapter 7, OBX-7); a bound alone is counted in, and says so (decision 0005)."""
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
