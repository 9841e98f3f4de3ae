"""What a LOINC code says of itself."""

from __future__ import annotations

import pytest

from bridge.model import Property
from bridge.render.loinc import has_check_digit, wants_number
from tests.render.tables_for_tests import shipped


@pytest.mark.parametrize("code", ["12345-5", "50555-2", "53326-5", "5768-7", "105906-2", "LA6577-6", "LA11841-6"])
def test_known_codes_have_their_digit(code: str) -> None:
    """12345-5 is the worked example of the LOINC Users' Guide, section 12 C; the others are rows of LOINC 2.82."""
    assert has_check_digit(code)


@pytest.mark.parametrize("digit", range(10))
def test_one_digit_alone_is_right(digit: int) -> None:
    """A mistyped digit is found."""
    assert has_check_digit(f"50555-{digit}") == (digit == 2)


@pytest.mark.parametrize("code", ["", "-", "50555", "50555-", "50555-22", "LP12345-5", "50 555-2", "٥٠٥٥٥-2"])
def test_other_texts_are_no_code(code: str) -> None:
    """Only ASCII digits, a hyphen and one digit, with LA before an answer."""
    assert not has_check_digit(code)


def test_every_code_of_the_catalogue_has_its_digit_and_says_its_kind() -> None:
    """The long name's bracket agrees with the property that the catalogue states, for every row, and every answer code checks."""
    catalogue = shipped().catalogue
    rows = [code for pad in catalogue.pads.values() for code in pad.codes]
    assert len(rows) >= 40
    for row in rows:
        assert has_check_digit(row.code.code)
        assert wants_number(row.code.text) in (None, row.prop not in {Property.ORDINAL, Property.TYPE})
    assert all(has_check_digit(answer.code) for answer in catalogue.answers.values())


def test_a_name_that_does_not_say_is_not_judged() -> None:
    """A site's own words for a code must not be guessed at."""
    assert wants_number("Glucose") is None
    assert wants_number("pH of Urine by Automated test strip") is True
    assert wants_number("Glucose [Presence] in Urine") is False
    assert (wants_number("Color of Urine"), wants_number("Clarity of Urine")) == (False, False)
    assert wants_number("Microalbumin/Creatinine [Ratio] in Urine by Test strip") is True
