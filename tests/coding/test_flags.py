"""The flag of one pad."""

from __future__ import annotations

from decimal import Decimal

import pytest

from bridge.coding.flags import flag, is_above, is_below
from bridge.model import Flag, Quantity
from tests.render.tables_for_tests import number

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
    """An abnormal mark is never lost: within the range but abnormal on the ladder is A; outside it is H whatever the ladder says."""
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
