"""Birth date and sex as printed: taken for what the profile says, else noted and not known."""

from __future__ import annotations

from datetime import date

import pytest

from bridge.check import evidence
from bridge.model import Place, Severity, Sex
from tests.check.tables_for_tests import printed

ON = date(2026, 11, 25)
WORDS = {"F": Sex.FEMALE, "M": Sex.MALE, "not said": None}


@pytest.mark.parametrize(
    ("text", "form", "born"),
    [
        ("19680229", "%Y%m%d", date(1968, 2, 29)),
        ("29.02.1968", "%d.%m.%Y", date(1968, 2, 29)),
        ("20261125", "%Y%m%d", ON),  # born today
        ("18961125", "%Y%m%d", date(1896, 11, 25)),  # 130 today
    ],
)
def test_a_birth_date_that_can_be(text: str, form: str, born: date) -> None:
    """Read by the profile's own format."""
    assert evidence.born_of(printed(text), form, on=ON) == born
    assert evidence.birth_date_readable(printed(text), form, on=ON) == ()


@pytest.mark.parametrize("text", ["19690229", "1968", "29.02.1968", "unknown", "20261126", "18951125", "00000000"])
def test_one_that_cannot_is_noted_and_not_known(text: str) -> None:
    """No such day, another layout, tomorrow, 131 years ago: no age is guessed, and nothing stops."""
    assert evidence.born_of(printed(text, 40), "%Y%m%d", on=ON) is None
    (noted,) = evidence.birth_date_readable(printed(text, 40), "%Y%m%d", on=ON)
    assert (noted.rule, noted.severity) == ("birth_date.unreadable", Severity.NOTE)
    assert noted.sentence == f"“{text}” is not a birth date that can be."
    assert noted.place == Place(start=40, end=40 + len(text))


def test_a_sex_by_the_profiles_words() -> None:
    """A closed vocabulary: a word that says "not known" is understood, any other is noted."""
    assert [evidence.sex_of(printed(word), WORDS) for word in ("F", "M", "not said", "f", "W")] == [
        Sex.FEMALE,
        Sex.MALE,
        None,
        None,
        None,
    ]
    assert evidence.sex_known(printed("not  said"), WORDS) == ()
    (noted,) = evidence.sex_known(printed("f"), WORDS)
    assert (noted.rule, noted.severity, noted.sentence) == (
        "sex.unknown",
        Severity.NOTE,
        "The word “f” for the patient's sex is not known.",
    )


def test_nothing_printed_is_nothing_to_note() -> None:
    """An analyzer that knows neither says neither; a profile that declares neither is not asked."""
    for nothing in (None, printed("")):
        assert evidence.born_of(nothing, "%Y%m%d", on=ON) is None
        assert evidence.birth_date_readable(nothing, "%Y%m%d", on=ON) == ()
        assert evidence.sex_of(nothing, WORDS) is None
        assert evidence.sex_known(nothing, WORDS) == ()
    assert evidence.birth_date_readable(printed("19680229"), "", on=ON) == ()
    assert evidence.sex_known(printed("F"), {}) == ()
