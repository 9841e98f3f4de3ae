"""The hand-over list: what one shift leaves the next in a sentence, by name, until somebody says by name that it is done."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime

LONGEST_NOTE = 300  # ours: characters; what needs more than three sentences is said in person


@dataclass(frozen=True, kw_only=True, slots=True)
class HandOver:
    """A note for the next shift. ``closed_at`` is None while it stands; times are aware, UTC."""

    note_id: int
    text: str
    by: str
    at: datetime
    closed_by: str = ""
    closed_at: datetime | None = None


def fault_of(text: str) -> str:
    """Say in a sentence why a note cannot be kept as it is; "" where it can."""
    if not text:
        return "Write what the next shift is to know."
    if len(text) > LONGEST_NOTE:
        return f"A note is at most {LONGEST_NOTE} characters long. Make two of it, or tell the rest in person."
    if not text.isprintable():
        return "The note holds signs that cannot be printed. Type it anew in one line."
    return ""
