"""Notices that the clock on the wall was set: by hand, by a time server's step, or while the machine slept."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime

STEP_S = 5.0  # ours: far more than a time server slews away between two looks, far less than any wait that matters


@dataclass(kw_only=True, slots=True)
class ClockWatch:
    """Compares the wall clock with a steady one. ``now`` is aware, ``steady_s`` seconds that never jump; both of the last look."""

    now: datetime
    steady_s: float

    def was_set(self, now: datetime, steady_s: float) -> bool:
        """Say whether the two went apart since the last look, which this one becomes."""
        apart_s = (now - self.now).total_seconds() - (steady_s - self.steady_s)
        self.now, self.steady_s = now, steady_s
        return abs(apart_s) > STEP_S
