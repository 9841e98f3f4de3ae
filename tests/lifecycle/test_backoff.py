"""When to try again: exact waits, and what holds for all of them."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bridge.lifecycle.backoff import SPREAD, given_up, next_attempt

NOW = datetime(2026, 11, 25, 7, 0, tzinfo=UTC)
SECOND = timedelta(seconds=1)
QUARTER = timedelta(minutes=15)


@pytest.mark.parametrize(
    ("attempts", "seconds"), [(1, 1), (2, 2), (3, 4), (4, 8), (10, 512), (11, 900), (12, 900), (500, 900), (10**9, 900)]
)
def test_waits_double_up_to_the_longest(attempts: int, seconds: int) -> None:
    """A receiver that is away for a moment is found soon; one that is away for hours is not hammered."""
    assert next_attempt(attempts, now=NOW, jitter=0.0, first=SECOND, longest=QUARTER) == NOW + timedelta(seconds=seconds)


@pytest.mark.parametrize(("jitter", "seconds"), [(0.0, 10.0), (0.5, 9.0), (0.25, 9.5)])
def test_jitter_shortens_the_wait(jitter: float, seconds: float) -> None:
    """Lanes that failed in the same second must not come back in the same second."""
    wait = timedelta(seconds=10)
    assert next_attempt(1, now=NOW, jitter=jitter, first=wait, longest=wait) == NOW + timedelta(seconds=seconds)


@given(
    attempts=st.integers(min_value=1, max_value=10**6),
    jitter=st.floats(min_value=0, max_value=1, exclude_max=True),
    first=st.timedeltas(min_value=timedelta(milliseconds=1), max_value=timedelta(minutes=5)),
    longest=st.timedeltas(min_value=timedelta(minutes=5), max_value=timedelta(days=1)),
)
def test_every_wait_lies_between_its_bounds(attempts: int, jitter: float, first: timedelta, longest: timedelta) -> None:
    """Whatever the settings, a wait is never negative, never over the longest, never below the first less the spread."""
    wait = next_attempt(attempts, now=NOW, jitter=jitter, first=first, longest=longest) - NOW
    assert first * (1 - SPREAD) <= wait + timedelta(microseconds=1)
    assert wait <= longest


@pytest.mark.parametrize(("attempts", "jitter"), [(0, 0.0), (-1, 0.5), (1, 1.0), (1, -0.1)])
def test_a_senseless_call_is_a_defect(attempts: int, jitter: float) -> None:
    """A wait that is computed from nonsense would hide the defect that made it."""
    with pytest.raises(ValueError, match="must be at least 1"):
        next_attempt(attempts, now=NOW, jitter=jitter, first=SECOND, longest=QUARTER)


@pytest.mark.parametrize(("age_s", "over"), [(0, False), (86_399, False), (86_400, True), (90_000, True)])
def test_the_limit_counts_from_the_first_attempt(age_s: int, over: bool) -> None:
    """A message is given up exactly when the limit is reached, not one try later."""
    first = NOW - timedelta(seconds=age_s)
    assert given_up(first_attempt_at=first, now=NOW, give_up=timedelta(hours=24)) is over
