"""Which identifiers a registration takes in, and which it never does."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, date, datetime

import pytest

from bridge.bench.registered import KeptRegistration, Registration, fault_of, registered_as
from bridge.life import RegisteredAs
from bridge.model import Purpose

DAY = date(2026, 11, 25)
EXACT = Registration(text="40700007", purpose=Purpose.TRAINING, scheme="course", since=DAY, until=DAY)
ROUND = replace(EXACT, text="EQ-26-##", purpose=Purpose.PROFICIENCY, scheme="round 4")


def kept(number: int, of: Registration, *, signed_by: str = "Eda", ended_by: str = "") -> KeptRegistration:
    """Give a registration that Eda signed."""
    at = datetime(2026, 11, 1, tzinfo=UTC)
    return KeptRegistration(
        registration_id=number, registration=of, entered_by="Bo", entered_at=at, signed_by=signed_by, ended_by=ended_by
    )


@pytest.mark.parametrize(
    ("text", "taken", "not_taken"),
    [
        ("40700007", ["40700007"], ["4070000", "407000077", " 40700007", ""]),
        ("EQ-26-##", ["EQ-26-01", "EQ-26-99"], ["EQ-26-1", "EQ-26-0A", "EQ-26-001", "eq-26-01", "EQ-26-²1"]),
        ("EQ?26*", ["EQ-26", "EQx26-1/2"], ["EQ26", "xEQ-26"]),
        ("A.B*", ["A.B", "A.B1"], ["AxB"]),
    ],
)
def test_sign_by_sign(text: str, taken: list[str], not_taken: list[str]) -> None:
    """Nothing of a pattern is more than it says: a point is a point, a digit one of ten."""
    of = replace(EXACT, text=text)
    assert [each for each in taken if not of.takes(each, DAY)] == []
    assert [each for each in not_taken if of.takes(each, DAY)] == []


def test_from_the_first_day_to_the_last() -> None:
    """Both included; a strip of another day is what it always was."""
    of = replace(EXACT, since=date(2026, 11, 24), until=DAY)
    days = [date(2026, 11, day) for day in (23, 24, 25, 26)]
    assert [of.takes("40700007", day) for day in days] == [False, True, True, False]


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("", "as it stands on the label"),
        (" EQ", "as it stands on the label"),
        ("E\x07Q", "as it stands on the label"),
        ("EQ**1", "Use one * at most."),
        ("*", "3 signs of its own"),
        ("########", "3 signs of its own"),
        ("EQ#", "3 signs of its own"),
        ("EQ-#", ""),
        ("7", ""),
    ],
)
def test_a_pattern_that_could_take_patients_in_is_refused(text: str, words: str) -> None:
    """Hazard HZ-K07: a star alone would keep every result from its record."""
    assert words in fault_of(text)
    assert bool(fault_of(text)) is bool(words)


def test_an_identifier_goes_before_a_pattern_and_a_patient_before_a_specimen() -> None:
    """What is ended counts for nothing; what is not signed says so."""
    here = RegisteredAs(purpose="training", scheme="course", text="40700007", is_pattern=False, is_specimen=False, is_signed=True)
    pattern = replace(EXACT, text="407*", purpose=Purpose.PROFICIENCY)
    assert registered_as([kept(1, pattern), kept(2, EXACT)], "40700007", "", DAY) == here
    assert registered_as([kept(2, EXACT)], "", "40700007", DAY) == replace(here, is_specimen=True)
    unsigned = registered_as([kept(2, EXACT, signed_by="")], "40700007", "", DAY)
    assert unsigned == replace(here, is_signed=False)
    assert registered_as([kept(2, EXACT, ended_by="Bo")], "40700007", "", DAY) is None
    assert registered_as([kept(2, EXACT)], "40700015", "U1", DAY) is None
