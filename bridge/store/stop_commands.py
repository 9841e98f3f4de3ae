"""What the store can be told of something stopped beside its end: frozen values, each one transaction, as those of ``commands``."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime

from bridge.model import Actor


@dataclass(frozen=True, kw_only=True, slots=True)
class AssignStop:
    """Keep whose an open stop is. Gives None; Overtaken where it is over, or somebody has taken it since the person looked.

    ``owner`` is a person's name, "" gives it back; ``before`` is whose it was when the person looked.
    """

    stop_id: int
    owner: str
    before: str
    actor: Actor
    at: datetime


@dataclass(frozen=True, kw_only=True, slots=True)
class NoteStop:
    """Keep a note in a stop's history, whether it is over or not. Gives None. ``text`` is a person's words, never a patient identifier."""

    stop_id: int
    text: str
    actor: Actor
    at: datetime
