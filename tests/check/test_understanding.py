"""From printed texts to meanings; what is not declared is never taken for what is."""

from __future__ import annotations

from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bridge.check.understanding import (
    Meaning,
    NumberFault,
    checked_pads,
    content_of,
    marked,
    text_of,
    understand_number,
    understand_reading,
)
from bridge.model import Printed, PrintedPad, Priority, Purpose, UnitSystem
from tests.check.tables_for_tests import DAILY, GLUCOSE, SHARED, TABLES, UNMARKED, pad, printed, reading


@pytest.mark.parametrize(
    ("text", "number", "mode", "purpose", "priority"),
    [
        ("7", 7, "routine", Purpose.PATIENT, Priority.ROUTINE),
        ("0007", 7, "routine", Purpose.PATIENT, Priority.ROUTINE),
        ("S12", 12, "stat", Purpose.PATIENT, Priority.STAT),
        ("C3", 3, "control", Purpose.CONTROL, Priority.ROUTINE),
    ],
)
def test_the_letter_before_the_number_is_its_mode(
    text: str, number: int, mode: str, purpose: Purpose, priority: Priority
) -> None:
    """Mode, purpose and priority come from the profile's words; leading zeros are no other number."""
    understood = understand_number(reading(number=text), DAILY.numbers)
    assert (understood.number, understood.mode, understood.purpose, understood.priority) == (number, mode, purpose, priority)
    assert understood.fault is None


def test_a_word_beside_the_number_counts_as_well() -> None:
    """Where the layout has a field for the purpose, the number is bare."""
    understood = understand_number(reading(number="7", purpose=printed("T")), DAILY.numbers)
    assert (understood.mode, understood.purpose) == ("training", Purpose.TRAINING)


def test_shared_modes_count_in_one_series() -> None:
    """Routine 7 and STAT 7 are one number where all modes share the count. HZ-D12."""
    assert (
        understand_number(reading(number="S7"), SHARED.numbers).mode
        == understand_number(reading(number="7"), SHARED.numbers).mode
    )
    assert understand_number(reading(number="S7"), SHARED.numbers).priority is Priority.STAT


@pytest.mark.parametrize(
    ("text", "fault"),
    [
        ("Q7", NumberFault.UNKNOWN_WORD),
        ("7#", NumberFault.UNREADABLE),
        ("S", NumberFault.UNREADABLE),
        ("٧", NumberFault.UNREADABLE),  # an Arabic-Indic seven: \d takes it, a counter's number it is not
        ("9" * 19, NumberFault.UNREADABLE),
        (None, NumberFault.MISSING),
        ("", NumberFault.MISSING),
    ],
)
def test_a_number_without_meaning_has_no_key(text: str | None, fault: NumberFault) -> None:
    """A number that is not understood is not compared with anybody's; a missing one still has a mode."""
    understood = understand_number(reading(number=text), DAILY.numbers)
    assert (understood.number, understood.fault) == (None, fault)
    assert (understood.mode == "") is (fault is not NumberFault.MISSING)
    assert understood.purpose is Purpose.PATIENT


@pytest.mark.parametrize(
    ("printed_pad", "meaning"),
    [
        (pad("GLU", "100"), Meaning.KNOWN),
        (pad("GLU", "100", unit="mg/dL"), Meaning.KNOWN),
        (pad("XYZ", "NEG"), Meaning.UNKNOWN_LABEL),
        (pad("KET", "NEG"), Meaning.UNEXPECTED),
        (pad("GLU", "E04"), Meaning.ERROR),
        (pad("GLU", "neg"), Meaning.UNKNOWN_VALUE),
        (pad("GLU", "----"), Meaning.UNKNOWN_VALUE),
        (pad("GLU", ""), Meaning.UNKNOWN_VALUE),
        (pad("GLU", "120", unit="mg/dL"), Meaning.UNKNOWN_VALUE),
        (pad("GLU", "120"), Meaning.OFF_SCALE),
        (pad("GLU", "5.6"), Meaning.OTHER_SYSTEM),
        (pad("GLU", "100", unit="mmol/L"), Meaning.OTHER_UNIT),
    ],
)
def test_each_pad_has_one_meaning(printed_pad: PrintedPad, meaning: Meaning) -> None:
    """Only a declared label with a declared value and unit is known; case and near misses are not. HZ-D06, HZ-K08."""
    (understood,) = understand_reading(replace(reading(), pads=(printed_pad,)), TABLES).pads
    assert understood.meaning is meaning
    assert (understood.step is not None) is (meaning is Meaning.KNOWN)
    assert understood.other is (UnitSystem.SI if meaning is Meaning.OTHER_SYSTEM else None)


def test_content_stands_in_the_strip_types_order() -> None:
    """A file prints the pads in another order than the line; it is the same strip. HZ-C06."""
    shuffled = reading(pads=(("NIT", "POS"), ("GLU", "100"), ("PRO", "NEG")))
    content = content_of(understand_reading(shuffled, TABLES))
    assert content.pads == (("glucose", 1), ("protein", 0), ("nitrite", 1))
    assert (content.patient_id, content.operator, content.strip_type, content.strip_lot) == ("4711", "12", "fern-3", "L100")
    assert [each.pad for each in checked_pads(understand_reading(shuffled, TABLES))] == ["glucose", "protein", "nitrite"]


def test_doubtful_units_leave_no_pad_understood() -> None:
    """If one pad shows the other unit system, equal tokens on the others prove nothing."""
    mixed = understand_reading(reading(pads=(("GLU", "5.6"), ("PRO", "NEG"), ("NIT", "NEG"))), TABLES)
    assert content_of(mixed).pads == (("glucose", -1), ("protein", -1), ("nitrite", -1))


def test_an_unknown_strip_type_leaves_its_pads_alone() -> None:
    """Without the type nobody can say which scale a pad has."""
    understood = understand_reading(reading(strip_type=printed("F9")), TABLES)
    assert (understood.strip_type, understood.pads, content_of(understood).pads) == (None, (), ())


def test_marks_say_what_the_profile_says() -> None:
    """No mark means not abnormal only where the profile says so."""
    assert marked(printed("*"), DAILY) is True
    assert marked(None, DAILY) is False
    assert marked(printed("?"), DAILY) is None
    assert marked(printed("*"), UNMARKED) is None
    (known, *_) = checked_pads(understand_reading(reading(pads=(("GLU", "100"), ("PRO", "NEG"), ("NIT", "NEG"))), TABLES))
    assert (known.marked, known.step, known.printed) == (True, GLUCOSE[1], "100")


def test_inner_blanks_are_single() -> None:
    """A column width is no part of a value."""
    assert text_of(printed("a   b")) == "a b"
    assert text_of(None) == ""


@given(st.text(max_size=12), st.text(max_size=8), st.text(max_size=8))
def test_any_text_on_a_pad_is_known_only_if_declared(value: str, unit: str, label: str) -> None:
    """Unknown never becomes negative: of all texts only the vocabulary's own have a step. HZ-D02, HZ-G03."""
    place = printed("").place
    printed_pad = pad("GLU", "NEG")
    printed_pad = type(printed_pad)(
        label=Printed(text=label or "GLU", place=place),
        value=Printed(text=value, place=place),
        unit=Printed(text=unit, place=place),
    )
    (understood,) = understand_reading(replace(reading(), pads=(printed_pad,)), TABLES).pads
    if understood.step is not None:
        assert text_of(printed_pad.label) in ("GLU", "PRO", "NIT")
        assert text_of(printed_pad.value) in ("NEG", "100", "500", "TR", "30", "POS")
        assert text_of(printed_pad.unit) in ("", "mg/dL")
