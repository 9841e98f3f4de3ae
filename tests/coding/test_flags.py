"""The flag of one pad."""

from __future__ import annotations

from decimal import Decimal
from typing import Any

import pytest

from bridge.coding.flags import critical_flag, critical_flags, flag, flag_of, is_above, is_below, limits, met_rules, reaches
from bridge.model import Flag, Grade, Quantity, Step
from bridge.render import wording
from bridge.tables.flag_table import Band, Condition, CriticalRule
from tests.render.tables_for_tests import hand_made, number
from tests.tables.shipped_tables import rows

PADS = hand_made().catalogue.pads

LOW, HIGH = number("1.005", "1"), number("1.030", "1")


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("1.000", Flag.LOW),
        ("1.004", Flag.LOW),
        ("1.005", Flag.NORMAL),
        ("1.030", Flag.NORMAL),
        ("1.031", Flag.HIGH),
        (">1.030", Flag.HIGH),
        (">=1.030", Flag.NORMAL),
        (">=1.031", Flag.HIGH),
        ("<1.005", Flag.LOW),
        ("<=1.005", Flag.NORMAL),
        ("<=1.004", Flag.LOW),
        (">1.000", Flag.NORMAL),
        ("<2.000", Flag.NORMAL),
    ],
)
def test_a_number_outside_its_range_is_h_or_l(text: str, expected: Flag) -> None:
    """The limits belong to the range, and only what is surely outside has a direction (HL7 table 0078 of 2.5.1)."""
    assert flag(abnormal=False, numbers=[number(text, "1")], low=LOW, high=HIGH) is expected


@pytest.mark.parametrize(("abnormal", "expected"), [(True, Flag.ABNORMAL), (False, Flag.NORMAL)])
def test_a_grade_is_a_or_n_as_the_ladder_says(abnormal: bool, expected: Flag) -> None:
    """A grade has no direction; the ladder alone decides."""
    assert flag(abnormal=abnormal, numbers=[], low=None, high=None) is expected


def test_neither_ladder_nor_range_undoes_the_other() -> None:
    """An abnormal mark is never lost: within the range but abnormal on the ladder is A; outside it is H whatever the ladder says. HZ-D07."""
    assert flag(abnormal=True, numbers=[number("1.010", "1")], low=LOW, high=HIGH) is Flag.ABNORMAL
    assert flag(abnormal=False, numbers=[number("1.035", "1")], low=LOW, high=HIGH) is Flag.HIGH


def test_a_limit_in_another_unit_is_not_compared() -> None:
    """15 mmol/L is not above a limit of 10 mg/dL just because 15 is more than 10."""
    value, limit = Quantity(value=Decimal(15), unit="mmol/L"), Quantity(value=Decimal(10), unit="mg/dL")
    assert not is_above(value, limit)
    assert not is_below(limit, value)


def test_one_open_side_flags_only_the_other() -> None:
    """A range may have one limit."""
    assert flag(abnormal=False, numbers=[number("0.1", "1")], low=None, high=HIGH) is Flag.NORMAL
    assert flag(abnormal=False, numbers=[number("9.9", "1")], low=LOW, high=None) is Flag.NORMAL


# --- grades, bands, critical rules ----------------------------------------------------------------

RISING = (Grade.NEGATIVE, Grade.NORMAL, Grade.TRACE, Grade.PLUS_1, Grade.PLUS_2, Grade.PLUS_3, Grade.PLUS_4)


def test_counted_grades_rise() -> None:
    """Each reaches itself and what stands below, and nothing above."""
    for at, grade in enumerate(RISING):
        assert [reaches(grade, least) for least in RISING] == [place <= at for place in range(len(RISING))]
    assert not reaches(None, Grade.NEGATIVE), "a step without a grade is no grade"


@pytest.mark.parametrize(
    ("grade", "least", "expected"),
    [
        (Grade.POSITIVE, Grade.POSITIVE, True),
        (Grade.POSITIVE, Grade.TRACE, True),
        (Grade.POSITIVE, Grade.PLUS_1, False),
        (Grade.POSITIVE, Grade.PLUS_4, False),
        (Grade.PLUS_4, Grade.POSITIVE, False),
        (Grade.NEGATIVE, Grade.POSITIVE, False),
    ],
)
def test_positive_is_no_count_of_plus_signs(grade: Grade, least: Grade, *, expected: bool) -> None:
    """A positive may be any of them: a rule for 3+ must not fire on a mere possibility."""
    assert reaches(grade, least) is expected


def _step(grade: Grade | None = None, text: str = "", unit: str = "mg/dL", *, abnormal: bool = False) -> Step:
    return Step(rank=0, grade=grade, conventional=number(text, unit) if text else None, si=None, abnormal=abnormal)


def _band(**parts: Any) -> Band:
    return Band(**{"pad": "x", "sex": None, "from_age": 0, "to_age": None, "expected": "", **parts})


def test_a_band_adds_to_the_ladder_and_never_takes_away() -> None:
    """``abnormal_from`` makes a normal trace abnormal; no band makes an abnormal step normal."""
    pad = PADS["glucose"]
    strict, lax = _band(abnormal_from=Grade.TRACE), _band(abnormal_from=Grade.PLUS_2)
    assert flag_of(pad, _step(Grade.TRACE), None) is Flag.NORMAL
    assert flag_of(pad, _step(Grade.TRACE), strict) is Flag.ABNORMAL
    assert flag_of(pad, _step(Grade.NEGATIVE), strict) is Flag.NORMAL
    assert flag_of(pad, _step(Grade.TRACE, abnormal=True), lax) is Flag.ABNORMAL


def test_a_bands_range_stands_in_place_of_the_catalogues() -> None:
    """1.030 is expected of everyone and too high for the band; Decimal, so that 1.020 itself is inside."""
    pad = PADS["specific_gravity"]
    infant = _band(low=number("1.002", "1"), high=number("1.020", "1"))
    assert limits(pad, None) == (pad.low, pad.high)
    assert limits(pad, infant) == (infant.low, infant.high)
    assert limits(pad, _band(abnormal_from=Grade.TRACE)) == (pad.low, pad.high), "a band of grades leaves the range as it is"
    assert [flag_of(pad, _step(None, text, "1"), infant) for text in ("1.001", "1.002", "1.020", "1.0201")] == [
        Flag.LOW,
        Flag.NORMAL,
        Flag.NORMAL,
        Flag.HIGH,
    ]
    assert flag_of(pad, _step(None, "1.010", "1", abnormal=True), infant) is Flag.ABNORMAL, "the ladder's word stands"


@pytest.mark.parametrize(
    ("condition", "step", "expected"),
    [
        (Condition(pad="x", grade=Grade.PLUS_2), _step(Grade.PLUS_2), Flag.CRITICAL),
        (Condition(pad="x", grade=Grade.PLUS_2), _step(Grade.PLUS_1, "2000"), None),
        (Condition(pad="x", at_least=number("1000", "mg/dL")), _step(None, "1000"), Flag.CRITICAL_HIGH),
        (Condition(pad="x", at_least=number("1000", "mg/dL")), _step(None, "999.9"), None),
        (Condition(pad="x", at_least=number("1000", "mg/dL")), _step(None, ">=1000"), Flag.CRITICAL_HIGH),
        (Condition(pad="x", at_least=number("1000", "mg/dL")), _step(None, ">900"), None),
        (Condition(pad="x", at_least=number("1000", "mg/dL")), _step(None, "<=2000"), None),
        (Condition(pad="x", at_least=number("1000", "mg/dL")), _step(None, "1000", "mg/L"), None),
        (Condition(pad="x", at_most=number("6.0", "[pH]")), _step(None, "6.0", "[pH]"), Flag.CRITICAL_LOW),
        (Condition(pad="x", at_most=number("6.0", "[pH]")), _step(None, "6.1", "[pH]"), None),
        (Condition(pad="x", at_most=number("6.0", "[pH]")), _step(None, "<=5.0", "[pH]"), Flag.CRITICAL_LOW),
        (Condition(pad="x", at_most=number("6.0", "[pH]")), _step(None, ">=5.0", "[pH]"), None),
    ],
)
def test_a_condition_is_met_surely_or_not_at_all(condition: Condition, step: Step, expected: Flag | None) -> None:
    """AA for a grade, HH and LL for a number; never across units, never on what may only be so."""
    assert critical_flag(condition, step) is expected


def test_a_rule_is_met_by_all_its_conditions_together() -> None:
    """One pad alone, or a strip that lacks the other, meets nothing; of two rules the first in the table gives the flag."""
    both = CriticalRule(
        rule="both", when=(Condition(pad="x", grade=Grade.PLUS_2), Condition(pad="y", at_least=number("5", "1"))), text="t"
    )
    numbers = CriticalRule(rule="numbers", when=(Condition(pad="x", at_least=number("500", "mg/dL")),), text="t")
    high, low = _step(Grade.PLUS_2, "1000"), _step(Grade.TRACE, "50")
    assert met_rules((both, numbers), {"x": high, "y": _step(None, "7", "1")}) == (both, numbers)
    assert met_rules((both, numbers), {"x": high, "y": _step(None, "4", "1")}) == (numbers,)
    assert met_rules((both, numbers), {"x": high}) == (numbers,)
    assert met_rules((both, numbers), {"x": low, "y": _step(None, "7", "1")}) == ()
    assert critical_flags((both, numbers), "x", high) == (Flag.CRITICAL, Flag.CRITICAL_HIGH)
    assert critical_flags((numbers, both), "x", high) == (Flag.CRITICAL_HIGH, Flag.CRITICAL)
    assert critical_flags((both, numbers), "x", low) == ()
    assert critical_flags((both, numbers), "z", high) == ()


def test_every_flag_is_in_table_0078_and_has_fhirs_own_words() -> None:
    """HL7 2.5.1 table 0078 as hl7apy ships it, and the display of v3-ObservationInterpretation as UTG publishes it (tests/tables/data/README.md)."""
    table = {row["code"]: row for row in rows("hl7_tables.csv") if row["table"] == "0078"}
    for each in Flag:
        row = table[each.value]
        assert row["in_v2_5_1_hl7apy"] == "Y"
        assert row["fhir_equivalent"] == f'v3-ObservationInterpretation {each.value} "{wording.FLAGS[each]}" (active)'
    assert {each for each in Flag if each.is_critical} == {Flag("AA"), Flag("HH"), Flag("LL")}
