"""The morning's story, counted here by hand and by code of the test's own: the truth must follow from what is played."""

from __future__ import annotations

from collections import Counter
from datetime import UTC, date, datetime

import pytest

from bridge.demo import scenario
from bridge.demo.scenario import (
    MISTYPED,
    MISTYPED_FROM,
    TRUTH,
    UNKNOWN_TO_RECORDS,
    bench_a,
    bench_b,
    bench_c,
    bench_d,
    morning_of,
    patient,
)

DAY = date(2026, 11, 25)
LINE = bench_a(DAY)
DROPS = bench_b(DAY)
FILES = [play for drop in DROPS for play in drop.plays]
MESSAGES, POSTS = bench_c(DAY), bench_d(DAY)
ALL = LINE + FILES + MESSAGES + POSTS


def luhn(digits: str) -> bool:
    """Check a number as ISO/IEC 7812-1 annex B says: double each second digit from the right, add all digits; a multiple of ten."""
    total = 0
    for place, digit in enumerate(reversed(digits)):
        doubled = int(digit) * (2 if place % 2 else 1)
        total += doubled // 10 + doubled % 10
    return total % 10 == 0


def test_luhn_is_the_standards() -> None:
    """The well-known worked example 79927398713 (from memory, as printed in many descriptions of ISO/IEC 7812-1)."""
    assert luhn("79927398713")
    assert not luhn("79927398710")


def test_the_sums_of_the_truth_follow_from_what_is_played() -> None:
    """35 strips on the line, 26 in files, 8 in messages and 6 in posts; each received strip has one end, and one gap is not a strip."""
    assert (len(LINE), len(FILES), len(DROPS), len(MESSAGES), len(POSTS)) == (35, 26, 9, 8, 6)
    assert TRUTH.received == len(ALL) + 1  # the one that is read by eye
    words = Counter(play.word for play in ALL)
    assert words == {"C": 2, "N": 31, "S": 3, "Controlo": 2, "Rotina": 23, "Urgente": 1, "Q": 1, "control": 1, "stat": 1, "": 10}
    assert TRUTH.controls == words["C"] + words["Controlo"] + words["Q"] + words["control"]
    assert TRUTH.copies == sum(play.is_copy for play in ALL) == 1
    mistyped = sum(play.patient_id == MISTYPED for play in LINE)
    mixed = sum(play.other_units for play in LINE)
    torn = sum(drop.keep < 1 for drop in DROPS)
    assert (mistyped, mixed, torn) == (1, 1, 1)
    assert TRUTH.rejected == mistyped + mixed + torn
    assert TRUTH.received == TRUTH.sent_on + TRUTH.copies + TRUTH.controls + TRUTH.held + TRUTH.rejected
    assert TRUTH.filed_fhir == TRUTH.sent_on
    assert TRUTH.filed_hl7 == TRUTH.sent_on - TRUTH.refused
    assert sum(play.patient_id == UNKNOWN_TO_RECORDS for play in ALL) == TRUTH.refused == 1


def test_the_numbers_of_the_line_lack_one_and_repeat_one() -> None:
    """117 never comes, 110 comes twice with the same content: a gap and a reprint are what the tally must show."""
    numbers = [play.number for play in LINE]
    assert sorted(set(range(101, 136)) - set(numbers)) == [117]
    assert [number for number, times in Counter(numbers).items() if times > 1] == [110]
    first, again = (play for play in LINE if play.number == 110)
    assert (first.is_copy, again.is_copy) == (False, True)
    assert (first.patient_id, first.at, first.ranks) == (again.patient_id, again.at, again.ranks)
    assert TRUTH.missing == ("bench-a 117",)
    assert [play.number for play in FILES] == list(range(1, 27))
    assert [play.number for play in MESSAGES] == list(range(1, 9))
    assert [play.number for play in POSTS] == list(range(1, 7))
    assert all(number in {play.number for play in plays} for number in scenario.SAID_TWICE for plays in (MESSAGES, POSTS))


def test_patients_are_good_and_one_id_is_mistyped() -> None:
    """Every ID agrees with its check digit but one, in which two neighbours changed places; that one is nobody else's."""
    ids = [play.patient_id for play in ALL if play.word not in {"C", "Controlo", "Q", "control"}]
    assert [each for each in ids if not luhn(each)] == [MISTYPED]
    assert luhn(MISTYPED_FROM)
    assert sorted(MISTYPED) == sorted(MISTYPED_FROM)
    assert [at for at in range(8) if MISTYPED[at] != MISTYPED_FROM[at]] == [5, 6]
    assert ids.count(MISTYPED) == 1
    assert all(len(each) == 8 and each.isdigit() for each in ids)
    assert patient(0) == "40700007"  # by hand: 2·4 + 0 + (1+4) + 0 … = 13, and 7 is missing to 20
    assert len({patient(n) for n in range(1000)}) == 1000


def test_the_morning_is_between_eight_and_half_past_eleven() -> None:
    """The strips' own times stand in the clinic's zone, rising on each analyzer, on the day that was asked for."""
    for plays in (LINE, FILES, MESSAGES, POSTS):
        times = [play.at for play in plays if not play.is_copy]
        assert times == sorted(times)
        assert {at.date() for at in times} == {DAY}
        assert min(times).hour == 8
        assert f"{max(times):%H:%M}" <= "11:30"
    assert {play.at.tzinfo for play in ALL} == {scenario.ZONE}


@pytest.mark.parametrize(
    ("now", "day"),
    [
        (datetime(2026, 11, 25, 11, 59, tzinfo=UTC), date(2026, 11, 24)),
        (datetime(2026, 11, 25, 12, 0, tzinfo=UTC), date(2026, 11, 25)),
        (datetime(2026, 7, 1, 11, 0, tzinfo=UTC), date(2026, 7, 1)),  # Lisbon is an hour ahead of UTC in summer
        (datetime(2026, 7, 1, 23, 30, tzinfo=UTC), date(2026, 7, 1)),
    ],
)
def test_the_morning_has_always_passed(now: datetime, day: date) -> None:
    """A strip from the future would be held for its clock: before noon the demo plays yesterday."""
    assert morning_of(now) == day
