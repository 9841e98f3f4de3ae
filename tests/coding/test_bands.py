"""Ages, and which band holds for whom."""

from __future__ import annotations

from datetime import date

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bridge.coding.bands import Person, band_for, completed_years
from bridge.model import Sex
from bridge.tables.flag_table import Band

ON = date(2026, 11, 25)


@pytest.mark.parametrize(
    ("born", "on", "years"),
    [
        ("2000-11-25", "2026-11-25", 26),  # the birthday itself counts
        ("2000-11-26", "2026-11-25", 25),
        ("2026-11-25", "2026-11-25", 0),
        ("2026-11-26", "2026-11-25", -1),
        ("2004-02-29", "2023-02-28", 18),  # common practice, no source: 1 March where the year has no 29 February
        ("2004-02-29", "2023-03-01", 19),
        ("2004-02-29", "2024-02-28", 19),
        ("2004-02-29", "2024-02-29", 20),
        ("1900-03-01", "2000-02-29", 99),
        ("2023-12-31", "2024-01-01", 0),
    ],
)
def test_completed_years(born: str, on: str, years: int) -> None:
    """A year is complete on the birthday, not a day before."""
    assert completed_years(date.fromisoformat(born), date.fromisoformat(on)) == years


@given(st.dates(date(1900, 1, 1), date(2026, 1, 1)), st.dates(date(2026, 1, 1), date(2030, 1, 1)))
def test_years_counted_one_birthday_at_a_time(born: date, on: date) -> None:
    """Worked out apart: count the birthdays after birth that have come, each in its year."""
    birthdays = [(year, born.month, born.day) for year in range(born.year + 1, on.year + 1)]
    assert completed_years(born, on) == sum(birthday <= (on.year, on.month, on.day) for birthday in birthdays)


def _band(name: str, from_age: int = 0, to_age: int | None = None, sex: Sex | None = None) -> Band:
    return Band(pad="protein", sex=sex, from_age=from_age, to_age=to_age, expected=name)


BANDS = (
    _band("everybody"),
    _band("children", 0, 12),
    _band("small girls", 0, 2, Sex.FEMALE),
    _band("women", 50, None, Sex.FEMALE),
)


@pytest.mark.parametrize(
    ("sex", "born", "name", "is_certain"),
    [
        (Sex.FEMALE, "2025-11-26", "small girls", True),
        (Sex.FEMALE, "2024-11-25", "children", True),  # two today
        (Sex.MALE, "2025-11-26", "children", True),
        (Sex.FEMALE, "1976-11-25", "women", True),  # fifty today
        (Sex.FEMALE, "1976-11-26", "everybody", True),
        (Sex.MALE, "1950-01-01", "everybody", True),
        (None, "2025-11-26", "children", False),  # perhaps a girl
        (None, "2000-01-01", "everybody", True),  # at 26 the sex changes nothing
        (Sex.FEMALE, None, "everybody", False),
        (None, None, "everybody", False),
    ],
)
def test_the_narrowest_band_that_surely_fits(sex: Sex | None, born: str | None, name: str, *, is_certain: bool) -> None:
    """The closest one, in whatever order the rows stand; an unknown never moves a patient into a band. HZ-G08."""
    person = Person(sex=sex, born=date.fromisoformat(born) if born else None, on=ON)
    for bands in (BANDS, BANDS[::-1]):
        band, certain = band_for(bands, person)
        assert (band and band.expected, certain) == (name, is_certain)


def test_a_gap_falls_back_to_the_expectation_for_everyone() -> None:
    """Nobody's band is stretched: between the bands the catalogue holds, and that is certain."""
    assert band_for(BANDS[1:], Person(sex=Sex.FEMALE, born=date(2000, 1, 1), on=ON)) == (None, True)
    assert band_for((), Person(sex=None, born=None, on=ON)) == (None, True)
