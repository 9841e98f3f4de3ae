"""A clock on the wall that was set is noticed; one that goes, however slowly it is looked at, is not."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bridge.queue.clock_watch import STEP_S, ClockWatch

NOON = datetime(2026, 11, 25, 12, 0, tzinfo=UTC)


def after(seconds: float) -> datetime:
    return NOON + timedelta(seconds=seconds)


@pytest.mark.parametrize("step_s", [86_400, -86_400, 3_600, -3_600, 6, -6])
def test_a_step_is_noticed_once(step_s: float) -> None:
    """A day, a wrong time zone, a few seconds: ahead or back."""
    watch = ClockWatch(now=NOON, steady_s=100)
    assert watch.was_set(after(1 + step_s), 101)
    assert not watch.was_set(after(2 + step_s), 102)


@given(st.lists(st.tuples(st.floats(0, 100_000), st.floats(-STEP_S / 2, STEP_S / 2)), max_size=30))
def test_time_that_passes_is_no_step(looks: list[tuple[float, float]]) -> None:
    """Seconds or days between two looks, and a clock that is slewed a little."""
    watch, steady_s = ClockWatch(now=NOON, steady_s=0.0), 0.0
    slewed_s = 0.0
    for waited_s, by_s in looks:
        steady_s += waited_s
        slewed_s += by_s
        assert not watch.was_set(after(steady_s + slewed_s), steady_s)
