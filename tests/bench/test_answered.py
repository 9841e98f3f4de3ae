"""Answers laid over missing numbers, against a number by number reckoning."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from itertools import pairwise

from hypothesis import given
from hypothesis import strategies as st

from bridge.bench.answered import GapAnswer, GapEnd, GapPart, parts, parts_of
from bridge.bench.gaps import Gap
from bridge.model import Actor

NOW = datetime(2026, 11, 25, 12, 0, tzinfo=UTC)
ANA = Actor(name="Ana", verified="unverified")
JUMP = 100


def _gap(first: int, last: int, series: str = "2026-11-25") -> Gap:
    return Gap(analyzer="bench-1", mode="routine", series=series, first=first, last=last)


def _said(first: int, last: int, end: GapEnd = GapEnd.EXPLAINED, *, minute: int = 0, series: str = "2026-11-25") -> GapAnswer:
    return GapAnswer(gap=_gap(first, last, series), end=end, by=ANA, reason="r", at=NOW + timedelta(minutes=minute))


def test_nothing_said_leaves_a_gap_whole() -> None:
    """Answers of another series, or of other numbers, are not this gap's."""
    assert parts_of(_gap(41, 43), [_said(41, 43, series="2026-11-24"), _said(44, 50), _said(1, 40)]) == (
        GapPart(gap=_gap(41, 43)),
    )


def test_a_slip_that_was_typed_in_closes_its_number() -> None:
    """41 to 43 never arrived; 42 was typed in from its slip: 41 and 43 are still missing."""
    typed = _said(42, 42, GapEnd.TYPED_IN)
    found = parts([_gap(41, 43)], [typed])
    assert found == (GapPart(gap=_gap(41, 41)), GapPart(gap=_gap(42, 42), answer=typed), GapPart(gap=_gap(43, 43)))
    assert [part.is_open for part in found] == [True, False, True]


def test_a_jump_is_one_question_until_it_is_answered() -> None:
    """HZ-K05: 41 to 540 missing is one question (set by hand?). Yes closes it, no leaves the numbers missing, as one row."""
    jump = _gap(41, 540)
    (asked,) = parts_of(jump, [])
    assert (asked.is_question(JUMP), asked.is_open, asked.gap.count) == (True, True, 500)
    (yes,) = parts_of(jump, [_said(41, 540, GapEnd.SET_BY_HAND)])
    assert (yes.is_question(JUMP), yes.is_open) == (False, False)
    (no,) = parts_of(jump, [_said(41, 540, GapEnd.NOT_SET)])
    assert (no.is_question(JUMP), no.is_open) == (False, True)
    assert [part.is_question(JUMP) for part in parts([_gap(1, 100), _gap(1, 101)], [])] == [False, True]


def test_the_latest_word_counts() -> None:
    """Not set by hand, says one; then another finds the reason of all of them."""
    first, second = _said(41, 540, GapEnd.NOT_SET), _said(41, 540, minute=1)
    (part,) = parts_of(_gap(41, 540), [second, first])
    assert (part.answer, part.is_open) == (second, False)


ranges = st.tuples(st.integers(1, 30), st.integers(1, 30)).map(sorted)


@given(ranges, st.lists(st.tuples(ranges, st.sampled_from(list(GapEnd))), max_size=6))
def test_each_number_has_the_latest_word_said_of_it(of: list[int], said: list[tuple[list[int], GapEnd]]) -> None:
    """Number by number; and the parts fill the gap without a hole or a seam."""
    answers = [_said(first, last, end, minute=minute) for minute, ((first, last), end) in enumerate(said)]
    found = parts_of(_gap(of[0], of[1]), answers)
    told = {number: part.answer for part in found for number in range(part.gap.first, part.gap.last + 1)}
    latest = {
        number: next((each for each in reversed(answers) if each.gap.first <= number <= each.gap.last), None)
        for number in range(of[0], of[1] + 1)
    }
    assert told == latest
    assert [number for part in found for number in range(part.gap.first, part.gap.last + 1)] == list(latest)
    assert all(one.answer is not other.answer for one, other in pairwise(found))
