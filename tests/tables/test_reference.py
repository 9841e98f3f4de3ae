"""The codes, units and ladders that we map, against rows of named outside sources (data/README.md)."""

from __future__ import annotations

from decimal import Decimal

import pytest

from bridge.model import Property, Quantity, Step
from bridge.tables.types import AbnormalSense, CataloguePad, StripPad
from tests.tables.shipped_tables import rows, tables

TRUSTED = {"confirmed (2+ named)", "LOINC table row + independent code/unit list", "LOINC table row only"}
METHODS = {
    "Test strip.automated": "automated",
    "Test strip": "strip",
    "Detection limit <= 20 mg/L test strip": "strip",
    "": "none",
}
NEVER = {"22705-8", "20406-5", "53292-9", "53316-6", "53963-5"}
LOINC = {row["loinc"]: row for row in rows("loinc_pads.csv")}
UCUM = {row["ucum"]: row for row in rows("ucum_units.csv")}
FACTORS = {(row["analyte"], row["from_unit"], row["to_unit"]): Decimal(row["factor"]) for row in rows("conversions.csv")}
ANALYTES = {
    "ketones": "ketones (as acetoacetic acid)",
    "leukocytes": "leukocytes / erythrocytes",
    "blood": "leukocytes / erythrocytes",
}
PADS = sorted(tables().catalogue.pads.values(), key=lambda pad: pad.pad)
LADDERS = [(strip.name, pad) for strip in tables().strip_types.values() for pad in strip.pads]


def mod_10(digits: str) -> str:
    """Compute a LOINC check digit step by step as the LOINC Users' Guide's worked example does (12345 gives 5).

    Number the digits from the right; write those in odd places as one number, double it, put those in even
    places before it as one number, and add all digits up; what is missing to the next ten.
    """
    odd = int("".join(digits[-1 - at] for at in range(0, len(digits), 2)))
    even = "".join(digits[-1 - at] for at in range(1, len(digits), 2))
    total = sum(int(digit) for digit in even + str(2 * odd))
    return str((10 - total % 10) % 10)


def test_worked_check_digit() -> None:
    """The Users' Guide's own example: 12345-5; else the test below would prove nothing."""
    assert mod_10("12345") == "5"


@pytest.mark.parametrize("pad", PADS, ids=lambda pad: pad.pad)
def test_codes_are_the_sources_codes(pad: CataloguePad) -> None:
    """Each code, its name, property and method are those of the LOINC row, and its verdict is trusted. HZ-G01."""
    for code in pad.codes:
        row = LOINC[code.code.code]
        assert (code.code.text, code.prop.value, code.method) == (
            row["long_common_name"],
            row["property"],
            METHODS[row["method"]],
        )
        assert row["verdict"] in TRUSTED
        assert row["status"] != "DEPRECATED"
        body, digit = code.code.code.split("-")
        assert digit == mod_10(body)
        assert code.code.system == "LN"


def test_no_trap_is_mapped() -> None:
    """Unconfirmed, deprecated, particle-counter and seen-by-eye codes would put the right value under the wrong test."""
    used = {code.code.code for pad in PADS for code in pad.codes}
    assert not used & NEVER
    assert set(LOINC) >= NEVER


def test_panel_is_the_automated_dipstick_panel() -> None:
    """The report stands under 50556-0, whose row is confirmed."""
    panel = tables().catalogue.panel
    assert (panel.code, panel.text) == ("50556-0", LOINC["50556-0"]["long_common_name"])


def test_grades_have_the_answers_of_the_list() -> None:
    """Each grade has the LOINC answer that a $lookup gave; a grade without one would go as bare text."""
    answers = {row["grade"]: row["code"] for row in rows("ordinal_codes.csv") if row["system"] == "http://loinc.org"}
    assert {grade.value: code.code for grade, code in tables().catalogue.answers.items()} == {
        grade.value: answers[grade.value] for grade in tables().catalogue.answers
    }
    assert len(tables().catalogue.answers) == 8


def test_grades_have_the_concepts_of_the_free_set() -> None:
    """Each SNOMED CT row is a row of the Global Patient Set, its top as the concept's own name counts, and no row of ours is another's."""
    sources = {row["code"]: row for row in rows("ordinal_codes.csv") if row["system"] == "http://snomed.info/sct"}
    concepts = tables().catalogue.snomed
    assert sorted(code.code for code in concepts.values()) == sorted(sources)
    for (grade, top), code in concepts.items():
        row = sources[code.code]
        assert row["source"].startswith("SNOMED GPS value set in github HL7/UTG")
        assert "CC BY 4.0" in row["source"]
        assert (code.text, code.system) == (row["display"], "SCT")
        assert row["grade"] == (f"{grade.value} of {top.value[0]}" if top else grade.value)


def test_first_codes_are_the_automated_ones() -> None:
    """The ten usual pads have an automated code first; the others never do, and calcium is method-free throughout."""
    first = {pad.pad: pad.codes[0].method for pad in PADS}
    others = {
        "colour": "none",
        "clarity": "none",
        "albumin_creatinine": "strip",
        "protein_creatinine": "none",
        "ascorbic_acid": "strip",
        "albumin": "strip",
        "creatinine": "strip",
        "calcium": "none",
    }
    assert first == {pad.pad: others.get(pad.pad, "automated") for pad in PADS}
    assert {code.method for code in tables().catalogue.pads["calcium"].codes} == {"none"}


def numbers(pad: StripPad) -> list[Quantity]:
    """Give every number of a ladder."""
    return [number for step in pad.ladder for number in (step.conventional, step.si) if number is not None]


@pytest.mark.parametrize(("strip", "pad"), LADDERS, ids=lambda part: part if isinstance(part, str) else part.pad)
def test_units_pass_both_validators(strip: str, pad: StripPad) -> None:
    """Every unit on a ladder passed two independent UCUM validators and is no trap. HZ-G02."""
    for number in numbers(pad):
        row = UCUM[number.unit]
        assert (strip, row["both_accept"]) == (strip, "Y")
        assert "TRAP" not in row["recommendation"]


def factor(pad: str, low: Quantity, high: Quantity) -> Decimal:
    """Give the factor between two units: the source's row, or its inverse."""
    if (pad, low.unit, high.unit) == ("blood", "mg/dL", "mg/L"):
        return FACTORS["haemoglobin (free)", "mg/dL", "mg/L"]
    if (pad, low.unit, high.unit) == ("albumin", "mg/dL", "mg/L"):
        return 1 / FACTORS["albumin (microalbumin)", "mg/L", "mg/dL"]
    return FACTORS[ANALYTES.get(pad, pad), low.unit, high.unit]


@pytest.mark.parametrize(("strip", "pad"), LADDERS, ids=lambda part: part if isinstance(part, str) else part.pad)
def test_si_agrees_through_the_molar_mass(strip: str, pad: StripPad) -> None:
    """A step's two numbers are one concentration within the last printed digit, under one comparator. HZ-G02."""
    for step in pad.ladder:
        if step.conventional is None or step.si is None:
            continue
        exact = step.conventional.value * factor(pad.pad, step.conventional, step.si)
        half = Decimal(1).scaleb(int(step.si.value.as_tuple().exponent)) / 2
        assert abs(exact - step.si.value) <= half, (strip, pad.pad, step)
        assert step.conventional.comparator == step.si.comparator


def outside(step: Step, low: Decimal, high: Decimal) -> bool:
    """Say whether a step's number is outside the expected range."""
    assert step.conventional is not None
    return not low <= step.conventional.value <= high


@pytest.mark.parametrize(("strip", "pad"), LADDERS, ids=lambda part: part if isinstance(part, str) else part.pad)
def test_abnormal_agrees_with_the_expectation(strip: str, pad: StripPad) -> None:
    """Where the catalogue gives a range, the ladder's abnormal steps are those outside it; a negative or normal grade is never abnormal."""
    known = tables().catalogue.pads[pad.pad]
    for step in pad.ladder:
        if known.sense is AbnormalSense.OUTSIDE and known.low is not None and known.high is not None:
            assert step.abnormal is outside(step, known.low.value, known.high.value), (strip, pad.pad, step)
        elif step.grade is not None:
            assert step.abnormal is (step.grade.value not in {"negative", "normal"}), (strip, pad.pad, step)


def test_every_scale_has_a_code() -> None:
    """A ladder number without a code could not be sent; an unmapped value would be silence."""
    for _, pad in LADDERS:
        props = {code.prop for code in tables().catalogue.pads[pad.pad].codes}
        wanted = {prop for prop in (pad.conventional_property, pad.si_property) if prop is not None}
        assert wanted <= props
        if any(step.grade for step in pad.ladder):
            assert Property.ORDINAL in props
        if any(step.word for step in pad.ladder):
            assert Property.TYPE in props


def test_strip_sizes() -> None:
    """The strip types have the pads that the issue asks for."""
    pads = {name: [pad.pad for pad in strip.pads] for name, strip in tables().strip_types.items()}
    assert {name: len(names) for name, names in pads.items()} == {
        "larch-9": 9,
        "pebble-2": 2,
        "plover-12": 12,
        "quill-10": 10,
        "sedge-5": 5,
        "sorrel-14": 14,
    }
    assert set(pads["pebble-2"]) == {"albumin", "creatinine"}
    assert set(pads["sorrel-14"]) == set(pads["quill-10"]) | {"albumin", "creatinine", "colour", "clarity"}
    assert set(pads["plover-12"]) == set(pads["quill-10"]) | {"ascorbic_acid", "calcium"}


def test_specific_gravity_keeps_its_zeros() -> None:
    """1.010 is printed with its zero, and a lost zero would be another text than the analyzer printed."""
    ladder = next(pad for name, pad in LADDERS if (name, pad.pad) == ("quill-10", "specific_gravity")).ladder
    assert [str(step.conventional.value) for step in ladder if step.conventional] == [
        "1.000",
        "1.006",
        "1.010",
        "1.016",
        "1.020",
        "1.026",
        "1.032",
    ]
