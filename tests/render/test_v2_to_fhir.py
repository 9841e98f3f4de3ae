"""The published HL7 v2-to-FHIR mapping, applied to our ORU^R01, says what our Bundle says: leaf by leaf, for every message.

The mapping: HL7/v2-to-fhir (data/README.md). What differs is named in named_differences.py with its reason, and each name is needed.
"""

from __future__ import annotations

from dataclasses import replace
from functools import cache
from pathlib import Path

import pytest

from bridge.model import CodedResult, Format
from bridge.render import compile_plan
from tests.render.every_sample import terms_for
from tests.render.leaf_by_leaf import bundle_resources, leaves
from tests.render.left_out import NEVER_TRUE, NOT_APPLIED
from tests.render.named_differences import DIFFERENCES
from tests.render.one_truth import AGREED, PAIRS, Pair, Tally, compared, counts, page_lists
from tests.render.results_for_tests import MADE_AT, stat_result
from tests.render.tables_for_tests import BASIC, hand_made
from tests.render.v2_map import Number, Row, element, fhir_time, is_true, steps_of
from tests.render.v2_to_fhir import convert

PAGE = Path(__file__).parents[2] / "docs" / "explanation" / "one-truth.md"

compared_once = cache(compared)


def payloads(result: CodedResult) -> list[bytes]:
    """Render one result of the hand-made strip in both formats."""
    return [
        compile_plan(terms_for(fmt, "grades"), "testing", "test-6", hand_made())
        .render(result, control_id="TESTAM1", made_at=MADE_AT)
        .payload
        for fmt in BASIC
    ]


# --- every message


@pytest.mark.slow
@pytest.mark.parametrize("pair", PAIRS)
def test_both_renderings_say_the_same(pair: Pair) -> None:
    """A ward that reads one record and a ward that reads the other must never be told two things of one strip."""
    tally = compared_once(pair)
    print(counts(tally))
    assert tally.unnamed == []
    assert tally.messages >= 1391
    assert tally.equal + sum(tally.named.values()) == tally.leaves


@pytest.mark.slow
@pytest.mark.parametrize("pair", PAIRS)
def test_no_difference_is_named_in_vain(pair: Pair) -> None:
    """A name that no message needs would let a later difference pass."""
    assert [(each.path, each.side) for each in PAIRS[pair] if each not in compared_once(pair).named] == []


@pytest.mark.slow
def test_what_the_mapping_leaves_out_is_listed() -> None:
    """Every component that we send is taken by a row of the mapping, or its place in this list says why not."""
    assert compared_once((Format.ORU_R01, Format.FHIR)).not_applied == set(NOT_APPLIED)


@pytest.mark.slow
def test_rows_that_never_apply_are_for_other_messages() -> None:
    """A row of a field that we send is applied somewhere, or its condition asks for what we never send."""
    tally = compared_once((Format.ORU_R01, Format.FHIR))
    assert {row.condition for row in tally.untrue - tally.applied if row.label not in NOT_APPLIED} == set(NEVER_TRUE)


def test_only_three_leaves_may_have_another_value() -> None:
    """A leaf that both sides have is equal, but for the kind of Bundle, markdown, and the words of a range with one bound."""
    assert [each.path for each in DIFFERENCES if each.side == "both"] == [
        "Bundle.type",
        "Observation.referenceRange[].text",
        "Observation.note[].text",
    ]
    assert len({(each.path, each.side) for each in DIFFERENCES}) == len(DIFFERENCES)


def test_the_page_has_every_difference_with_its_reason() -> None:
    """Who compares the two messages must find why they differ; write it again with python -m tests.render.one_truth."""
    assert page_lists(DIFFERENCES) in PAGE.read_text(encoding="utf-8")


# --- the comparison can fail

# (what is changed in the ORU of a right pair, into what, where the comparison then complains)
WRONG = (
    ("50555-2^", "50556-2^", "Observation[0].code.coding.[0]1.code"),
    ("^LN^T-GLU", "^SCT^T-GLU", "Observation[0].code.coding.[0]1.system"),
    ("LA11842-4^2+^LN", "LA11843-2^3+^LN", "Observation[0].valueCodeableConcept.coding.[0]1.code"),
    ("LA11842-4^2+^LN", "LA11842-4^3+^LN", "Observation[0].valueCodeableConcept.coding.[0]1.display"),
    ("^^^^^^2+|", "^^^^^^2|", "Observation[0].valueCodeableConcept.text"),
    (">=^1.035", ">^1.035", "Observation[2].valueQuantity.comparator"),
    (">=^1.035", ">=^1.0350", "Observation[2].valueQuantity.value"),
    ("|9.0|[pH]^", "|9|[pH]^", "Observation[3].valueQuantity.value"),
    ("[pH]^[pH]^UCUM", "mg/dL^[pH]^UCUM", "Observation[3].valueQuantity.code"),
    ("[pH]^[pH]^UCUM", "[pH]^mg/dL^UCUM", "Observation[3].valueQuantity.unit"),
    ("[pH]^[pH]^UCUM", "[pH]^[pH]^L", "Observation[3].valueQuantity.system"),
    ("5.0-8.0|H|", "5.0-8.0|L|", "Observation[3].interpretation.[0]1.coding.[0]1.code"),
    ("|5.0-8.0|", "|5.0-9.0|", "Observation[3].referenceRange.[0]1.high.value"),
    ("|A|||F|", "|A|||P|", "Observation[0].status"),
    ("+0000|||F\r", "+0000|||C\r", "DiagnosticReport.status"),
    ("LN|||20261125081530", "LN|||20261125081531", "DiagnosticReport.effectiveDateTime"),
    ("|20261125081610+0000|||F", "|20261125081611+0000|||F", "DiagnosticReport.issued"),
    ("OBR|1||TESTAR42^PADPOST|50556-0", "OBR|1||TESTAR42^PADPOST|50557-0", "DiagnosticReport.code.coding.[0]1.code"),
    ("ORC|RE||TESTAR42", "ORC|RE||TESTAR43", "DiagnosticReport.identifier.[TESTAR42]1.value"),
    ("PID|1||1002003", "PID|1||1002004", "Observation[0].subject.->Patient.identifier.[1002003]1.value"),
    ("CLINIC", "OTHER", "Observation[0].subject.->Patient.identifier.[1002003]1.system"),
    ("Silva Ana", "Silva Eva", "Observation[0].subject.display"),
    ("SPM|1|U-4711", "SPM|1|U-4712", "Specimen.identifier.[U-4711]1.value"),
    ("|UR^Urine^", "|URT^Urine catheter^", "Specimen.type.coding.[0]1.code"),
    ("|op7|", "|op8|", "Observation[0].performer.[0]1.display"),
    ("|bench-2|", "|bench-3|", "Observation[0].device.->Device.deviceName.[0]1.name"),
    ("^Test strip read by an analyzer; the code is the one for a strip", "", "Observation[4].method.text"),
    ("NTE|1|L|As printed by the analyzer: 9.0\r", "", "Observation[3].note.[As printed by the analyzer: 9.0]1.text"),
    ("NTE|2|L|Specimen turbid \\T\\ dark\r", "", "Observation[0].note.[Specimen turbid & dark]1.text"),
    ("TESTAM1|", "TESTAM2|", "Bundle.identifier.value"),
)


def test_the_pair_without_a_change_is_right() -> None:
    """What the changes below start from has only differences that are named."""
    assert unnamed(*payloads(stat_result())) == []


@pytest.mark.parametrize(("right", "wrong", "where"), WRONG)
def test_a_wrong_leaf_is_found(right: str, wrong: str, where: str) -> None:
    """Each fact of a result, changed on one side alone, is no named difference."""
    oru, bundle = payloads(stat_result())
    assert right.encode() in oru
    found = unnamed(oru.replace(right.encode(), wrong.encode(), 1), bundle)
    assert [each for each in found if each.startswith(f"case: {where}: ")] != [], found


def test_values_in_another_order_are_found() -> None:
    """The first OBX is the report's first result."""
    oru, bundle = payloads(stat_result())
    segments = oru.decode().split("\r")
    first, second = (next(n for n, each in enumerate(segments) if each.startswith(f"OBX|{number}|")) for number in (1, 2))
    segments[first], segments[second] = segments[second], segments[first]
    assert len(unnamed("\r".join(segments).encode(), bundle)) > 4


def test_a_known_time_of_collection_is_never_left_out() -> None:
    """The names for an unknown time of collection do not cover a known one that one side lost."""
    collected = replace(stat_result(), collected_at=MADE_AT)
    oru, bundle = payloads(collected)
    assert unnamed(oru, bundle) == []
    time = b'"2026-11-25T08:16:10+00:00"'
    for lost in (b',"collection":{"collectedDateTime":' + time + b"}", b'"effectiveDateTime":' + time + b","):
        assert lost in bundle
        assert len(unnamed(oru, bundle.replace(lost, b"", 1))) == 1
    assert len(unnamed(oru.replace(b"|F|||20261125081610+0000|", b"|F||||", 1), bundle)) == 1


def test_a_resource_that_hangs_on_nothing_is_found() -> None:
    """A resource of the Bundle is compared, or it is an error."""
    _, bundle = payloads(stat_result())
    with pytest.raises(ValueError, match="not compared"):
        bundle_resources(bundle.replace(b'"device":{"reference":', b'"focus":{"display":'))


def unnamed(oru: bytes, bundle: bytes) -> list[str]:
    """Compare one pair."""
    tally = Tally()
    tally.add(oru, bundle, DIFFERENCES, name="case")
    return tally.unnamed


# --- the converter


def converted(*changes: tuple[str, str]) -> dict[str, object]:
    """Convert the hand-made result with texts of its ORU replaced; give leaves by path."""
    text = payloads(stat_result())[0].decode()
    for right, wrong in changes:
        assert right in text
        text = text.replace(right, wrong, 1)
    return {".".join(path): leaf.value for path, leaf in leaves(convert(text.encode(), AGREED).resources).items()}


def test_digits_are_kept() -> None:
    """A JSON number keeps the zeros that HL7 had."""
    assert converted()["Observation[3].valueQuantity.value"] == Number("9.0")
    assert converted((">=^1.035", ">=^1.0300"))["Observation[2].valueQuantity.value"] == Number("1.0300")
    assert Number("1.010") != Number("1.01")


def test_an_order_makes_a_request() -> None:
    """With a placer's number the report rests on a ServiceRequest (message map), and has the number as PLAC."""
    found = converted(("ORC|RE||", "ORC|RE|P-9|"))
    assert found["DiagnosticReport.identifier.[P-9]1.type.coding.[0]1.code"] == "PLAC"
    assert found["DiagnosticReport.basedOn.[0]1"] == "-> ServiceRequest"
    assert found["ServiceRequest.identifier.[P-9]1.value"] == "P-9"
    assert found["ServiceRequest.code.coding.[0]1.code"] == "50556-0"


def test_a_unit_without_text_is_shown_by_its_code() -> None:
    """CWE[Quantity]: the unit is CWE.2, or CWE.1 where that is empty; code and system need both CWE.1 and CWE.3."""
    assert converted(("[pH]^[pH]^UCUM", "[pH]^^UCUM"))["Observation[3].valueQuantity.unit"] == "[pH]"
    assert "Observation[3].valueQuantity.code" not in converted(("[pH]^[pH]^UCUM", "[pH]^[pH]"))


def test_a_status_without_target_is_none() -> None:
    """OBX-11 R has no status in the concept map; that of OBR-25 is partial."""
    assert "Observation[0].status" not in converted(("|A|||F|", "|A|||R|"))
    assert converted(("+0000|||F\r", "+0000|||R\r"))["DiagnosticReport.status"] == "partial"


def test_a_time_of_collection_is_taken_from_both_places() -> None:
    """OBR-7 and SPM-17 that contradict each other make no specimen."""
    specimen = "P^Patient^HL70369"
    assert (
        converted((specimen, f"{specimen}||||||20261125081530+0000"))["Specimen.collection.collectedDateTime"]
        == "2026-11-25T08:15:30+00:00"
    )
    with pytest.raises(ValueError, match="already"):
        converted((specimen, f"{specimen}||||||20261125070000+0000"))


@pytest.mark.parametrize("value", ["<>^5", "^1^+", "^10^-^20"])
def test_a_number_that_is_an_expression_of_parts_is_refused(value: str) -> None:
    """The map writes these SN as joined text; we send none, and the converter says so instead of guessing."""
    with pytest.raises(ValueError, match="assignment of the mapping is not understood"):
        converted((">=^1.035", value))


def test_an_element_that_r4_lacks_is_refused() -> None:
    """The mapping's slips of the pen (valueSampedData) cannot make an element."""
    with pytest.raises(ValueError, match=r"R4 has no Observation.valueSampedData"):
        element("Observation", "valueSampedData")
    assert (element("Observation", "interpretation"), element("Observation", "valueQuantity")) == (
        (True, "CodeableConcept"),
        (False, "Quantity"),
    )


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("20261125081530+0000", "2026-11-25T08:15:30+00:00"),
        ("20261125081530-0530", "2026-11-25T08:15:30-05:30"),
        ("202611250815+0100", "2026-11-25T08:15:00+01:00"),
        ("20261125", "2026-11-25"),
        ("202611", "2026-11"),
    ],
)
def test_times(text: str, expected: str) -> None:
    """HL7 DTM and FHIR dateTime say the same to the same exactness (FHIR wants seconds where there is an hour)."""
    assert fhir_time(text) == expected


def test_a_time_that_is_none_is_refused() -> None:
    with pytest.raises(ValueError, match="not a DTM"):
        fhir_time("yesterday")


def test_paths() -> None:
    """A path goes through the references in its brackets."""
    assert steps_of("performer[1](PractitionerRole.practitioner(Practitioner))") == (
        ("performer", "1"),
        ("->PractitionerRole", ""),
        ("practitioner", ""),
        ("->Practitioner", ""),
    )
    with pytest.raises(ValueError, match="not understood"):
        steps_of("extension??-subId")


@pytest.mark.parametrize(
    ("condition", "true"),
    [
        ('IF OBX-2 EQUALS "SN" AND OBX-5.1 NOT EQUALS "<>" AND OBX-5.3 NOT IN (":", "/", "-", "+")', True),
        ('IF OBX-2 EQUALS "SN" AND OBX-5.1 NOT EQUALS "<>" AND OBX-5.3 EQUALS "-"', False),
        ('IF OBX-2 IN ("NA", "NM")', False),
        ("If SN.3 OR SN.4 VALUED", False),
        ("If SN.2 OR SN.4 VALUED", True),
        ("IF OBR-8 NOT VALUED", True),
        ("IF PID-7 LENGTH GREATER THAN 8", True),
        ("", True),
    ],
)
def test_conditions(condition: str, true: bool) -> None:
    """The conditions that the map calls computable are read as they stand."""
    values = {"OBX-2": "SN", "OBX-5.1": ">=", "SN.2": "5", "PID-7": "1980010112"}
    assert is_true(row(condition), lambda ref: values.get(ref, ""), {}) is true


def test_a_condition_that_is_not_understood_fails() -> None:
    """A condition that comes with a new field is not taken for true."""
    with pytest.raises(ValueError, match="not understood"):
        is_true(row("fasting status"), lambda ref: "", {})


def row(condition: str) -> Row:
    """Give a row of which only the condition matters."""
    return Row(
        map="", source="", condition=condition, path="", status="mapped", kind="", datatype="", vocabulary="", assignment=""
    )
