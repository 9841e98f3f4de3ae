"""Stops by reason, against plain counting."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

from hypothesis import given
from hypothesis import strategies as st

from bridge.bench.spread import Spread
from bridge.bench.stop_figures import Person, Stopped, people_of, reasons_of

NOW = datetime(2026, 11, 25, 10, 0, tzinfo=UTC)


def stop(rule: str = "patient.missing", waited_s: int | None = 60, *, how: str = "released", by: str = "Ana", minute: int = 0, group: str = "held") -> Stopped:  # fmt: skip
    opened = NOW + timedelta(minutes=minute)
    if waited_s is None:
        return Stopped(group, rule, "tern", opened, None, "", "")
    return Stopped(group, rule, "tern", opened, opened + timedelta(seconds=waited_s), how, by)


def test_reasons_by_how_often_they_came() -> None:
    """With what is still open, how long the others waited, and how they were put right."""
    stops = [stop("time.future"), stop(waited_s=30), stop(waited_s=90, how="patient ID corrected"), stop(waited_s=None, minute=5)]
    first, second = reasons_of(stops)
    assert (first.rule, first.count, first.open, first.oldest_open_at) == ("patient.missing", 3, 1, NOW + timedelta(minutes=5))
    assert first.waited.percentiles(50) == (60.0,)
    assert first.how == {"patient ID corrected": 1, "released": 1}
    assert first.analyzers == {"tern": 3}
    assert (second.rule, second.open, second.oldest_open_at, second.waited) == ("time.future", 0, None, Spread({60: 1}))
    assert reasons_of([]) == ()


def test_people_by_name() -> None:
    """In the order of the alphabet, whoever did most; what is open is nobody's."""
    stops = [stop(by="Eda"), stop(by="Ana"), stop(by="Eda", how="discarded"), stop(waited_s=None)]
    assert people_of(stops) == (Person(name="Ana", how={"released": 1}), Person(name="Eda", how={"discarded": 1, "released": 1}))


def test_a_clock_that_was_set_back_makes_no_wait_negative() -> None:
    assert reasons_of([stop(waited_s=-5)])[0].waited == Spread({0: 1})


@given(
    stops=st.lists(
        st.builds(stop, st.sampled_from(["a", "b", "c"]), st.none() | st.integers(0, 900), group=st.sampled_from(["held", "refused"]))
    )
)  # fmt: skip
def test_nothing_is_lost(stops: list[Stopped]) -> None:
    """Every stop is in one reason, open or put right."""
    reasons = reasons_of(stops)
    assert sum(each.count for each in reasons) == len(stops)
    assert [each.count for each in reasons] == sorted((each.count for each in reasons), reverse=True)
    assert all(each.open + each.waited.n == each.count == sum(each.how.values()) + each.open for each in reasons)
    assert sum(sum(each.how.values()) for each in people_of(stops)) == sum(each.closed_at is not None for each in stops)
