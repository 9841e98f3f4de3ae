"""Whom a band is for: ages at their ends, what is not known, and which bands share people."""

from __future__ import annotations

import pytest

from bridge.model import Sex
from bridge.tables.flag_table import Band, FlagTable


def band(from_age: int = 0, to_age: int | None = None, sex: Sex | None = None) -> Band:
    """Give a band of some pad."""
    return Band(pad="protein", sex=sex, from_age=from_age, to_age=to_age, expected="Negative")


@pytest.mark.parametrize(("age", "fits"), [(0, False), (11, False), (12, True), (49, True), (50, False), (None, None)])
def test_from_age_belongs_to_the_band_and_to_age_does_not(age: int | None, fits: bool | None) -> None:
    """Two bands that touch must share nobody and leave nobody out."""
    assert band(12, 50).fits(Sex.FEMALE, age) is fits


@pytest.mark.parametrize(
    ("sex", "age", "fits"),
    [
        (Sex.FEMALE, 20, True),
        (Sex.MALE, 20, False),
        (Sex.OTHER, 20, False),
        (None, 20, None),
        (None, 60, False),  # whatever the sex
        (Sex.FEMALE, None, None),
        (Sex.MALE, None, False),  # whatever the age
        (None, None, None),
    ],
)
def test_what_is_not_known_decides_nothing_that_is_certain_without_it(
    sex: Sex | None, age: int | None, fits: bool | None
) -> None:
    """None only where the unknown decides: a man is in no band for women, however old he is."""
    assert band(12, 50, Sex.FEMALE).fits(sex, age) is fits


def test_a_band_for_everybody_asks_for_nothing() -> None:
    """A laboratory's own expectation for all patients must not fail for want of a birth date."""
    assert band().fits(None, None) is True
    assert band(sex=Sex.MALE).fits(Sex.MALE, None) is True
    assert band(1).fits(None, None) is None


@pytest.mark.parametrize(
    ("first", "second", "shares", "inside"),
    [
        (band(0, 12), band(12, 50), False, False),  # they touch
        (band(0, 13), band(12, 50), True, False),  # the age 12 is in both
        (band(0, 50, Sex.FEMALE), band(0, 50, Sex.MALE), False, False),
        (band(12, 50, Sex.FEMALE), band(0, 50), True, True),
        (band(12, 50, Sex.FEMALE), band(), True, True),
        (band(60), band(50), True, True),
        (band(0, 50, Sex.FEMALE), band(12, 60), True, False),
        (band(sex=Sex.FEMALE), band(0, 12), True, False),  # a girl is in both
        (band(3, 9), band(3, 9), True, False),
    ],
)
def test_people_in_common_and_bands_inside_others(first: Band, second: Band, *, shares: bool, inside: bool) -> None:
    """Who could be in both, and whether all of the first are of the second; looked at from both sides."""
    assert (first.shares_people(second), second.shares_people(first)) == (shares, shares)
    assert first.is_inside(second) is inside
    assert not second.is_inside(first)


@pytest.mark.parametrize(
    ("of", "people"),
    [
        (band(), "any sex, any age"),
        (band(18), "any sex, from 18 years"),
        (band(0, 2, Sex.MALE), "M, from 0 to under 2 years"),
        (band(12, 50, Sex.FEMALE), "F, from 12 to under 50 years"),
    ],
)
def test_people_in_words(of: Band, people: str) -> None:
    """An error names two bands; both ends must be plain."""
    assert of.people == people


def test_a_table_without_a_word_of_the_site_does_nothing() -> None:
    """Tables that were put together by hand have neither bands nor critical rules."""
    assert (FlagTable().bands, FlagTable().critical, FlagTable().off) == ({}, (), ())
