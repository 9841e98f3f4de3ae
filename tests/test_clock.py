"""The one clock."""

from __future__ import annotations

import time
from datetime import UTC, datetime, timedelta
from itertools import pairwise

from bridge import clock


def test_now_is_the_systems_moment_in_utc() -> None:
    """Aware, and between two looks at the system's own clock."""
    before = datetime.fromtimestamp(time.clock_gettime(time.CLOCK_REALTIME), UTC)
    now = clock.now()
    after = datetime.fromtimestamp(time.clock_gettime(time.CLOCK_REALTIME), UTC)
    assert before <= now <= after + timedelta(microseconds=1)
    assert now.utcoffset() == timedelta(0)


def test_the_clock_for_time_outs_never_goes_back() -> None:
    """And counts seconds as the system's monotonic clock does."""
    looks = [clock.monotonic() for _ in range(1_000)]
    assert all(one <= two for one, two in pairwise(looks))
    assert time.monotonic() - looks[-1] < 60
