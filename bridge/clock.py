"""The only reader of time."""

from __future__ import annotations

import time
from datetime import UTC, datetime

# Linux counts the sleep of a suspended machine in this clock alone (clock_gettime(2)); others have no such clock
_SLEEPING_TOO: int = getattr(time, "CLOCK_BOOTTIME", time.CLOCK_MONOTONIC)


def now() -> datetime:
    """Give the present moment, aware, in UTC."""
    return datetime.now(UTC)


def monotonic() -> float:
    """Give seconds that never jump, for time-outs only."""
    return time.monotonic()


def elapsed() -> float:
    """Give seconds that never jump and go on while the machine sleeps, for what must be over by then elsewhere too."""
    return time.clock_gettime(_SLEEPING_TOO)
