"""How long results took, against a plain reckoning of each stage."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

from hypothesis import given
from hypothesis import strategies as st

from bridge.bench.spread import Spread
from bridge.bench.turnaround import By, Stage, Times, Travelled, Went, added, times_of

LISBON = ZoneInfo("Europe/Lisbon")
NOW = datetime(2026, 11, 25, 10, 0, tzinfo=UTC)


def at(seconds: float) -> datetime:
    return NOW + timedelta(seconds=seconds)


def strip(printed: float | None = -60, *ways: Went, let_go: float = 2, priority: str = "routine", analyzer: str = "tern") -> Travelled:  # fmt: skip
    return Travelled(analyzer, priority, None if printed is None else at(printed), NOW, at(let_go), ways)


def went(sent: float | None, acknowledged: float | None, receiver: str = "records") -> Went:
    """Give one receiver's part, in seconds since the strip arrived."""
    return Went(receiver, None if sent is None else at(sent), None if acknowledged is None else at(acknowledged), acknowledged is not None)  # fmt: skip


def test_each_stage_of_one_strip() -> None:
    """Printed a minute before it came, let go after 2 s, sent after 3, acknowledged after 7."""
    times = times_of([strip(-60, went(3, 7))], LISBON)
    whole = {stage: times.of(By.ALL, "", stage).percentiles(50) for stage in Stage}
    assert whole == {
        Stage.BROUGHT: (60.0,), Stage.LET_GO: (2.0,), Stage.SENT: (1.0,), Stage.ANSWERED: (4.0,), Stage.OURS: (7.0,), Stage.WHOLE: (67.0,),
    }  # fmt: skip
    assert (times.results, times.ways, times.unanswered) == (1, 1, 0)
    assert times.of(By.HOUR, "10", Stage.OURS) == Spread({7: 1})
    assert times.names(By.RECEIVER) == ("records",)
    assert times.of(By.ANALYZER, "plover", Stage.OURS).n == 0


def test_two_receivers_are_two_ways_of_one_strip() -> None:
    """Bringing and judging count once; what has no answer yet is counted and has no length."""
    times = times_of([strip(-60, went(3, 7), went(4, None, "ward"))], LISBON)
    assert times.of(By.ALL, "", Stage.BROUGHT).n == 1
    assert times.of(By.ALL, "", Stage.SENT).n == 2
    assert times.of(By.RECEIVER, "ward", Stage.ANSWERED).n == 0
    assert (times.results, times.ways, times.unanswered) == (1, 2, 1)


def test_a_wrong_clock_makes_no_result_quick() -> None:
    """Printed after it arrived: neither its bringing nor its whole way has a length, and it is counted apart."""
    times = times_of([strip(90, went(3, 700)), strip(None, went(3, 7))], LISBON)
    assert times.backwards == {Stage.BROUGHT: 1}
    assert times.of(By.ALL, "", Stage.BROUGHT).n == 0
    assert times.of(By.ALL, "", Stage.WHOLE).n == 0
    assert times.of(By.ALL, "", Stage.OURS) == Spread({700: 1, 7: 1})


def test_the_hour_that_comes_twice_is_one_hour_of_the_clock() -> None:
    """25 October 2026 in Lisbon: 01:30 comes at 00:30 and at 01:30 UTC."""
    twice = [
        Travelled("tern", "routine", None, moment, moment, (Went("records", moment, moment, True),))
        for moment in (datetime(2026, 10, 25, 0, 30, tzinfo=UTC), datetime(2026, 10, 25, 1, 30, tzinfo=UTC))
    ]
    times = times_of(twice, LISBON)
    assert times.names(By.HOUR) == ("01",)
    assert times.of(By.HOUR, "01", Stage.OURS).n == 2


strips = st.lists(
    st.builds(
        lambda printed, let_go, sent, took, priority, analyzer: strip(
            printed, went(let_go + sent, None if took is None else let_go + sent + took), let_go=let_go, priority=priority, analyzer=analyzer
        ),
        st.none() | st.integers(-9_000, 100), st.integers(0, 400), st.integers(0, 50), st.none() | st.integers(0, 90),
        st.sampled_from(["routine", "stat"]), st.sampled_from(["tern", "plover"]),
    ),
    max_size=20,
)  # fmt: skip


@given(strips=strips, cut=st.integers(0, 20))
def test_days_add_up_and_parts_make_the_whole(strips: list[Travelled], cut: int) -> None:
    """In any two days; every strip has one priority and one analyzer; and a plain look at each length."""
    whole = times_of(strips, LISBON)
    assert added([times_of(strips[:cut], LISBON), times_of(strips[cut:], LISBON)]) == whole
    assert added([]) == Times()
    for stage in Stage:
        for by in (By.PRIORITY, By.ANALYZER):
            assert sum(whole.of(by, name, stage).n for name in whole.names(by)) == whole.of(By.ALL, "", stage).n
    plain = sorted(
        (way.acknowledged_at - each.printed_at).total_seconds()
        for each in strips
        for way in each.ways
        if way.acknowledged_at and each.printed_at and each.printed_at <= NOW
    )
    counts = whole.of(By.ALL, "", Stage.WHOLE).counts
    assert sorted(value for value, count in counts.items() for _ in range(count)) == plain
