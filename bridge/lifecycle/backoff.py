"""When to try again: doubling waits with a longest one, spread by jitter. The only place that decides it."""

from __future__ import annotations

from datetime import datetime, timedelta

DOUBLINGS = 20  # ours: 2**20 seconds are 12 days, beyond every sensible longest wait; keeps the product small
SPREAD = 0.2  # ours: enough that lanes which failed together do not come back together, small enough to foretell a wait


def next_attempt(attempts: int, *, now: datetime, jitter: float, first: timedelta, longest: timedelta) -> datetime:
    """Give the time of the next attempt: doubling waits, capped, then shortened by jitter.

    ``attempts`` counts the tries so far, from 1. ``jitter`` lies in [0, 1): 0 waits the whole time, 1 would
    shorten it by SPREAD. ``now`` is aware, UTC, and so is the answer.
    Raises ValueError for no attempts or a jitter outside its range; that is a defect.
    """
    if attempts < 1 or not 0 <= jitter < 1:
        raise ValueError(f"attempts {attempts} must be at least 1 and jitter {jitter} in [0, 1)")
    wait = min(first * (1 << min(attempts - 1, DOUBLINGS)), longest)
    return now + wait * (1 - SPREAD * jitter)


def given_up(*, first_attempt_at: datetime, now: datetime, give_up: timedelta) -> bool:
    """Say whether a message was tried for too long, measured from its first attempt (both aware, UTC)."""
    return now - first_attempt_at >= give_up
