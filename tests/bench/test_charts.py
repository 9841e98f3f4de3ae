"""Figures of controls: intervals against SciPy and a published table, drift against SciPy's binomial."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import binom, binomtest

from bridge.bench.charts import ControlledPad, Counts, Interval, Side, counted, drift, pad_charts, wilson
from bridge.tables.control_table import DriftRule

RULE = DriftRule()
AT = datetime(2026, 11, 1, 8, 0, tzinfo=UTC)


@pytest.mark.parametrize(
    ("found", "n", "low", "high"),
    [(81, 263, 0.2553, 0.3662), (15, 148, 0.0624, 0.1605), (0, 20, 0.0000, 0.1611), (1, 29, 0.0061, 0.1718)],
)
def test_intervals_of_a_published_table(found: int, n: int, low: float, high: float) -> None:
    """R. G. Newcombe, Statistics in Medicine 1998;17:857-872, table I, method 3 (score, no correction); the values are from memory."""
    interval = wilson(found, n)
    assert (round(interval.low, 4), round(interval.high, 4)) == (low, high)


@given(st.integers(1, 400).flatmap(lambda n: st.tuples(st.integers(0, n), st.just(n))), st.sampled_from([0.8, 0.9, 0.95, 0.99]))
def test_intervals_are_scipys(share: tuple[int, int], coverage: float) -> None:
    """scipy.stats.binomtest(...).proportion_ci(method="wilson"), to ten places."""
    found, n = share
    theirs = binomtest(found, n).proportion_ci(confidence_level=coverage, method="wilson")
    ours = wilson(found, n, coverage=coverage)
    assert [ours.low, ours.high] == pytest.approx([theirs.low, theirs.high], abs=1e-10)
    assert 0 <= ours.low <= found / n <= ours.high <= 1


@pytest.mark.parametrize(("found", "n", "coverage"), [(0, 0, 0.95), (3, 2, 0.95), (-1, 2, 0.95), (1, 2, 1.0), (1, 2, 0.0)])
def test_there_is_no_interval_of_nothing(found: int, n: int, coverage: float) -> None:
    """No run, no share: a page says "no runs", never 0 %."""
    with pytest.raises(ValueError, match="there is no interval"):
        wilson(found, n, coverage=coverage)
    assert counted([]).exact_share is None
    assert counted([]).within_one_share is None


def test_offsets_are_counted_by_size() -> None:
    """Exact, one step, two and more, whichever side; a share comes with its interval."""
    counts = counted([0, 0, 1, -1, 2, -3, 0])
    assert counts == Counts(exact=3, one=2, more=2)
    assert counts.n == 7
    assert counts.exact_share == wilson(3, 7)
    assert counts.within_one_share == wilson(5, 7)
    assert wilson(20, 20) == Interval(low=wilson(20, 20).low, high=1.0)
    assert wilson(20, 20).low == pytest.approx(0.8389, abs=5e-5)  # all right, and still no more than this is shown


@pytest.mark.parametrize(
    ("offsets", "side"),
    [
        ([], None),
        ([1, 1], None),
        ([1, 1, 2], Side.HIGH),
        ([1, -1, 1, -1], None),  # scatter to both sides is no drift
        ([-1] * 3 + [0] * 17, Side.LOW),
        ([-1] * 3 + [0] * 18, None),  # the first of them is the 21st from the end
        ([-1] * 3 + [1] * 4, Side.HIGH),
        ([1, 1, 1, -1, -1, -1], Side.LOW),
        ([-1, -1, -1, 1, 1, 1, 0], Side.HIGH),
    ],
)
def test_drift_is_told_by_side(offsets: list[int], side: Side | None) -> None:
    """3 of the last 20 on one side, as set; the side of the newer ones where both have as many. HZ-E09."""
    assert drift(offsets, RULE) is side


@pytest.mark.parametrize(("share", "shown"), [(0.02, 0.0071), (0.05, 0.0755), (0.30, 0.9645)])
def test_how_often_the_rule_speaks(share: float, shown: float) -> None:
    """Per window of 20 and side, by SciPy's binomial and by trying every count: 0.7 % where 2 % of runs are off to that side by chance, 7.6 % at 5 %; a drift of 30 % is seen in 96.5 %.

    Windows overlap, so a month has more of both.

    HZ-E09.
    """
    counts = [count for count in range(RULE.of + 1) if drift([1] * count + [0] * (RULE.of - count), RULE)]
    chance = sum(float(binom.pmf(count, RULE.of, share)) for count in counts)
    print(f"{share:.0%} of runs off on one side: told of in {chance:.2%} of windows")
    assert chance == pytest.approx(float(binom.sf(RULE.off - 1, RULE.of, share)))
    assert chance == pytest.approx(shown, abs=5e-5)


def test_the_rule_is_the_sites() -> None:
    """4 of 20 for a pad that scatters more."""
    assert drift([1, 1, 1], DriftRule(off=4)) is None
    assert drift([1, 1, 1, 1], DriftRule(off=4)) is Side.HIGH
    assert drift([1, 1, 0, 0, 0], DriftRule(off=2, of=4)) is None


def run(day: int, offset: int, pad: str = "blood", level: str = "2", lot: str = "B2-0772", strip_id: int = 0) -> ControlledPad:
    """Give one pad of one control."""
    return ControlledPad(at=AT + timedelta(days=day), strip_id=strip_id or day, pad=pad, level=level, lot=lot, offset=offset)


def test_a_chart_for_each_pad_and_level() -> None:
    """By time, whatever order they come in; a new lot goes on in the same chart and is counted apart."""
    runs = [
        run(3, 1, lot="B2-0773"),
        run(1, 0),
        run(2, 1),
        run(4, 1, lot="B2-0773"),
        run(1, 0, level="1", lot="B1-0771"),
        run(1, -2, pad="ph"),
    ]
    first, second, third = pad_charts(runs, RULE)
    assert [(chart.pad, chart.level, chart.drift) for chart in (first, second, third)] == [
        ("blood", "1", None),
        ("blood", "2", Side.HIGH),
        ("ph", "2", None),
    ]
    assert [point.offset for point in second.points] == [0, 1, 1, 1]
    assert second.counts == Counts(exact=1, one=3, more=0)
    assert second.by_lot == {"B2-0772": Counts(exact=1, one=1, more=0), "B2-0773": Counts(exact=0, one=2, more=0)}
    assert third.counts == Counts(exact=0, one=0, more=1)


@given(st.lists(st.tuples(st.integers(0, 50), st.integers(-3, 3)), max_size=60))
def test_charts_lose_no_run(runs: list[tuple[int, int]]) -> None:
    """Every run stands in exactly one chart; counts of lots add up to those of the chart."""
    made = pad_charts([run(day, offset, lot=f"L{day % 3}", strip_id=index + 1) for index, (day, offset) in enumerate(runs)], RULE)
    assert sorted(point.strip_id for chart in made for point in chart.points) == list(range(1, len(runs) + 1))
    for chart in made:
        assert sum(counts.n for counts in chart.by_lot.values()) == chart.counts.n == len(chart.points)
        assert [point.at for point in chart.points] == sorted(point.at for point in chart.points)
