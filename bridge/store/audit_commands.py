"""What the store can be told of its own history: frozen values, each one transaction, as those of ``commands``."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime


@dataclass(frozen=True, kw_only=True, slots=True)
class NoteVerified:
    """Note that every chain was walked along. ``broken`` is the first thing that is not as it was written, in a sentence; "" where all is.

    Gives nothing. Only the newest is kept beside the event; ``since`` of the one that is kept stays while it is broken.
    """

    at: datetime
    entries: int
    events: int
    broken: str
