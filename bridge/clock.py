"""The only reader of time."""

from __future__ import annotations

import time
from datetime import UTC, datetime


def now() -> datetime:
    """Give the present moment, aware, in UTC."""
    return datetime.now(UTC)


def monotonic() -> float:
    """Give seconds that never jump, for time-outs only."""
    return time.monotonic()
