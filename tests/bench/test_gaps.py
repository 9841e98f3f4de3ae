"""Missing numbers, against counting one by one."""

from __future__ import annotations

from hypothesis import given
from hypothesis import strategies as st

from bridge.bench.gaps import Gap, NumberRun, UsedNumber, beginning, gaps, gaps_before
from tests.check.tables_for_tests import DAILY, FALL

SCHEMES = {"daily": DAILY.numbers, "fall": FALL.numbers}


def _used(analyzer: str, numbers: list[int], series: str = "2026-11-25", mode: str = "routine") -> list[UsedNumber]:
    return [UsedNumber(analyzer=analyzer, mode=mode, series=series, number=number) for number in numbers]


def _gap(analyzer: str, first: int, last: int, series: str = "2026-11-25", mode: str = "routine") -> Gap:
    return Gap(analyzer=analyzer, mode=mode, series=series, first=first, last=last)


def test_a_daily_series_starts_at_its_first_number() -> None:
    """If number 3 is the first of the day, 1 and 2 were read and never came."""
    assert gaps(_used("daily", [3, 4, 7]), SCHEMES) == (_gap("daily", 1, 2), _gap("daily", 5, 6))


def test_another_series_starts_where_it_was_first_heard() -> None:
    """Where the count began before us is unknown; only what lies between is missing."""
    assert gaps(_used("fall", [3, 4, 7]), SCHEMES) == (_gap("fall", 5, 6),)
    assert gaps(_used("unheard", [3, 4, 7]), SCHEMES) == (_gap("unheard", 5, 6),)
    assert gaps(_used("daily", [3, 5], series=""), SCHEMES) == (_gap("daily", 4, 4, series=""),)


def test_copies_count_once_and_order_does_not_matter() -> None:
    """A resend of the day closes gaps and opens none."""
    assert gaps(_used("daily", [2, 1, 2, 1, 3]), SCHEMES) == ()


def test_modes_count_apart() -> None:
    """STAT 1 after routine 1 to 5 is nobody's gap; each mode has a series of its own. HZ-D12."""
    used = [*_used("daily", [1, 2, 4]), *_used("daily", [1, 3], mode="stat")]
    assert gaps(used, SCHEMES) == (_gap("daily", 3, 3), _gap("daily", 2, 2, mode="stat"))
    assert [gap.count for gap in gaps(used, SCHEMES)] == [1, 1]


def test_a_number_below_the_first_is_its_own_beginning() -> None:
    """An analyzer that starts at 0 where its profile says 1 makes no negative gap."""
    assert gaps(_used("daily", [0, 1, 2]), SCHEMES) == ()
    assert beginning(SCHEMES["daily"], "2026-11-25", 0) == 0


def test_a_jump_is_one_gap() -> None:
    """A number that was set by hand from 5 to 5000 is one line on Today, not 4994."""
    (jump,) = gaps(_used("fall", [5, 5000]), SCHEMES)
    assert jump.count == 4994


@given(st.sets(st.integers(1, 60), min_size=1), st.sampled_from(["daily", "fall"]))
def test_gaps_and_numbers_fill_the_series(numbers: set[int], analyzer: str) -> None:
    """Every number from the beginning to the last is either used or in exactly one gap. HZ-D14."""
    found = gaps(_used(analyzer, sorted(numbers)), SCHEMES)
    missing = [number for gap in found for number in range(gap.first, gap.last + 1)]
    start = 1 if analyzer == "daily" else min(numbers)
    assert sorted([*numbers, *missing]) == list(range(start, max(numbers) + 1))


@given(st.sets(st.integers(1, 60), min_size=1), st.data(), st.sampled_from(["daily", "fall"]))
def test_the_runs_of_a_window_have_the_gaps_that_end_in_it(numbers: set[int], data: st.DataObject, analyzer: str) -> None:
    """Against all gaps of the series: those are told whose next number is one of the window."""
    late = data.draw(st.sets(st.sampled_from(sorted(numbers))))
    firsts = sorted(number for number in late if number - 1 not in late)
    found = [
        NumberRun(
            analyzer=analyzer,
            mode="routine",
            series="2026-11-25",
            first=first,
            last=next(last for last in range(first, 100) if last + 1 not in late),
            before=max((number for number in numbers if number < first), default=None),
        )
        for first in firsts
    ]
    whole = gaps(_used(analyzer, sorted(numbers)), SCHEMES)
    assert gaps_before(found, SCHEMES) == tuple(gap for gap in whole if gap.last + 1 in late)
