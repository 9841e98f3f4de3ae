"""A receiver that a person has paused: who, since when, why. What waits for it waits, in its order, until a person resumes it."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime


@dataclass(frozen=True, kw_only=True, slots=True)
class Pause:
    """A pause that nobody has ended; ``at`` is aware, UTC."""

    destination: str
    by: str
    at: datetime
    reason: str


def words(pause: Pause) -> str:
    """Say of a paused receiver who did it and why."""
    return f"Paused by {pause.by}: {pause.reason}"
