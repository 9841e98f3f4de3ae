"""One step of a ladder as a coded pad."""

from __future__ import annotations

from dataclasses import replace

import pytest

from bridge.coding import Unmapped, code_step
from bridge.model import CodedGrade, CodedWord, Grade, Property, Quantity, ReadBy, UnitSystem
from bridge.tables.types import Tables
from tests.render.tables_for_tests import ANSWERS, PADS, STRIP, hand_made, number, shipped

GLUCOSE, GLUCOSE_STRIP = PADS[0], STRIP.pads[0]
CALCIUM, CALCIUM_STRIP = PADS[5], STRIP.pads[5]


def test_every_declared_form_is_held_with_the_code_of_its_property() -> None:
    """A grade, a mass and a substance concentration of one pad are three LOINC codes (coding reference, LOINC 2.82 rows)."""
    pad = code_step(GLUCOSE, GLUCOSE_STRIP, GLUCOSE_STRIP.ladder[2], ANSWERS, printed="+")
    assert [(form.system, form.prop, form.code.code) for form in pad.forms] == [
        (UnitSystem.ARBITRARY, Property.ORDINAL, "50555-2"),
        (UnitSystem.CONVENTIONAL, Property.MASS, "53328-1"),
        (UnitSystem.SI, Property.SUBSTANCE, "59156-0"),
    ]
    assert [form.value for form in pad.forms] == [
        CodedGrade(grade=Grade.PLUS_1, text="1+", answer=ANSWERS[Grade.PLUS_1]),
        number("120", "mg/dL"),
        number("6.5", "mmol/L"),
    ]
    assert (pad.printed, pad.flag.value, pad.expected, pad.local.code) == ("+", "A", "Negative", "T-GLU")


def test_no_concentration_is_invented_from_a_grade() -> None:
    """A step that declares a grade alone has one form: "negative" is not 0 mg/dL."""
    pad = code_step(GLUCOSE, GLUCOSE_STRIP, GLUCOSE_STRIP.ladder[0], ANSWERS, printed="NEG")
    assert [form.system for form in pad.forms] == [UnitSystem.ARBITRARY]


def test_the_comparator_is_kept() -> None:
    """The end of a ladder is "at least", never the number itself. HZ-G04."""
    pad = code_step(GLUCOSE, GLUCOSE_STRIP, GLUCOSE_STRIP.ladder[3], ANSWERS, printed="++")
    assert [form.value.comparator for form in pad.forms if isinstance(form.value, Quantity)] == [">=", ">="]


def test_the_method_decides_not_the_place_in_the_list() -> None:
    """Automated before strip before method-free (PRODUCT section 6), and what is not automated says so."""
    pad = code_step(GLUCOSE, GLUCOSE_STRIP, GLUCOSE_STRIP.ladder[0], ANSWERS, printed="NEG")
    assert (pad.forms[0].code.code, pad.forms[0].method) == ("50555-2", "automated")
    without = replace(GLUCOSE, codes=tuple(code for code in GLUCOSE.codes if code.method != "automated"))
    pad = code_step(without, GLUCOSE_STRIP, GLUCOSE_STRIP.ladder[0], ANSWERS, printed="NEG")
    assert (pad.forms[0].code.code, pad.forms[0].method) == ("25428-4", "strip")
    pad = code_step(CALCIUM, CALCIUM_STRIP, CALCIUM_STRIP.ladder[1], ANSWERS, printed="+")
    assert [(form.code.code, form.method) for form in pad.forms] == [("29276-3", "none"), ("2004-0", "none")]


def test_a_strip_read_by_eye_has_never_an_automated_code() -> None:
    """A person's grade under an automated reader's code would claim a machine that was not there."""
    pad = code_step(GLUCOSE, GLUCOSE_STRIP, GLUCOSE_STRIP.ladder[0], ANSWERS, printed="NEG", read_by=ReadBy.EYE)
    assert (pad.forms[0].code.code, pad.forms[0].method, pad.read_by) == ("25428-4", "strip", ReadBy.EYE)
    with pytest.raises(Unmapped, match="glucose has no code for MCnc"):
        code_step(GLUCOSE, GLUCOSE_STRIP, GLUCOSE_STRIP.ladder[2], ANSWERS, printed="+", read_by=ReadBy.EYE)


def test_a_word_is_coded_as_itself() -> None:
    """Colour is nominal (LOINC 5778-6, scale Nom): its value is the word, with our local code, and abnormal as the ladder says."""
    tables = shipped()
    strip = next(pad for pad in tables.strip_types["sorrel-14"].pads if pad.pad == "colour")
    coded = [code_step(tables.catalogue.pads["colour"], strip, step, {}, printed=step.word) for step in strip.ladder]
    assert [(form.system, form.prop, form.code.code) for form in coded[4].forms] == [
        (UnitSystem.ARBITRARY, Property.TYPE, "5778-6")
    ]
    assert [(pad.forms[0].value.key, pad.flag.value) for pad in coded if isinstance(pad.forms[0].value, CodedWord)] == [
        ("colourless", "N"),
        ("yellow", "N"),
        ("amber", "N"),
        ("orange", "A"),
        ("red", "A"),
        ("brown", "A"),
        ("green", "A"),
    ]
    assert coded[4].forms[0].value == CodedWord(word="red", text="Red", code=tables.catalogue.pads["colour"].words["red"])
    assert coded[4].expected == "Colourless, yellow or amber"


def test_a_grade_without_a_coded_answer_keeps_its_own_word() -> None:
    """A missing answer code loses the code, not the grade."""
    pad = code_step(GLUCOSE, GLUCOSE_STRIP, GLUCOSE_STRIP.ladder[2], {}, printed="+")
    assert pad.forms[0].value == CodedGrade(grade=Grade.PLUS_1, text="1+", answer=None)


def test_a_declared_form_without_a_code_is_unmapped() -> None:
    """A form is never left out in silence. HZ-G01."""
    without = replace(GLUCOSE, codes=tuple(code for code in GLUCOSE.codes if code.prop is not Property.SUBSTANCE))
    with pytest.raises(Unmapped, match="glucose has no code for SCnc"):
        code_step(without, GLUCOSE_STRIP, GLUCOSE_STRIP.ladder[2], ANSWERS, printed="+")
    undeclared = replace(GLUCOSE_STRIP, conventional_property=None)
    with pytest.raises(Unmapped, match="glucose has no code for any value"):
        code_step(GLUCOSE, undeclared, GLUCOSE_STRIP.ladder[2], ANSWERS, printed="+")
    empty = replace(GLUCOSE_STRIP.ladder[0], grade=None)
    with pytest.raises(Unmapped, match="glucose has no code for any value"):
        code_step(GLUCOSE, GLUCOSE_STRIP, empty, ANSWERS, printed="?")


@pytest.mark.parametrize("tables", [hand_made(), shipped()], ids=["hand-made", "shipped"])
def test_every_step_of_every_strip_type_is_coded(tables: Tables) -> None:
    """All shipped ladders code, and a value's kind always fits the code's property (grades PrThr, numbers anything else)."""
    seen = 0
    for strip in tables.strip_types.values():
        for pad in strip.pads:
            for step in pad.ladder:
                coded = code_step(tables.catalogue.pads[pad.pad], pad, step, tables.catalogue.answers, printed="x")
                declared = [value for value in (step.word or None, step.grade, step.conventional, step.si) if value is not None]
                assert len(coded.forms) == len(declared)
                for form in coded.forms:
                    assert isinstance(form.value, CodedGrade) == (form.prop is Property.ORDINAL)
                    assert isinstance(form.value, CodedWord) == (form.prop is Property.TYPE)
                    assert form.code.system == "LN"
                assert coded.flag.value != "N" or not step.abnormal
                seen += 1
    assert seen == sum(len(pad.ladder) for strip in tables.strip_types.values() for pad in strip.pads)
    assert seen >= 16
