"""What the store can be told from the pages of the day: frozen values, each one transaction, as those of ``commands``."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime

from bridge.model import Actor


@dataclass(frozen=True, kw_only=True, slots=True)
class PauseDestination:
    """Send nothing more to a destination until somebody resumes it. Gives None; Overtaken where it is paused already."""

    destination: str
    actor: Actor
    reason: str
    at: datetime


@dataclass(frozen=True, kw_only=True, slots=True)
class ResumeDestination:
    """Send to a destination again. Gives None; Overtaken where it is not paused."""

    destination: str
    actor: Actor
    reason: str
    at: datetime


@dataclass(frozen=True, kw_only=True, slots=True)
class LeaveNote:
    """Leave a note for the next shift. Gives its id (int)."""

    text: str
    actor: Actor
    at: datetime


@dataclass(frozen=True, kw_only=True, slots=True)
class CloseNote:
    """Say that what a note asks is done. Gives None; Overtaken where it is closed already."""

    note_id: int
    actor: Actor
    at: datetime
