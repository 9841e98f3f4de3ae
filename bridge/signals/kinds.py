"""What may be signalled, and one cause of it."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from enum import StrEnum


class Kind(StrEnum):
    """The kinds of signals, the most urgent first. All causes of one kind are one signal."""

    TELLING = "telling"
    STAT = "stat"
    STORE = "store"
    EMERGENCY = "emergency"
    RECEIVER = "receiver"
    WAITING = "waiting"
    CONTROLS = "controls"
    REJECTED = "rejected"
    HISTORY = "history"
    SILENT = "silent"
    ROOM = "room"
    CERTIFICATE = "certificate"
    ENVELOPE = "envelope"
    LOOP = "loop"


# ours: what may hurt a patient within the hour, and somebody who is in by an envelope just now; quiet hours do not hold these back
URGENT = frozenset({Kind.TELLING, Kind.STAT, Kind.STORE, Kind.EMERGENCY})
# what is told with the first look, and ends by an act of its own alone: it is neither acknowledged in passing nor muted
WITHOUT_DELAY = frozenset({Kind.EMERGENCY})
# what a process tells of itself, from memory: a store that failed keeps no signal, and no other process sees a loop that fell
OWN = frozenset({Kind.STORE, Kind.LOOP})
KEPT = tuple(kind for kind in Kind if kind not in OWN)


@dataclass(frozen=True, kw_only=True, slots=True)
class Cause:
    """One thing that is wrong. ``subject`` names it among its kind and never a patient: ``stop:12``, ``strip:9``, a receiver's name, or "".

    ``since`` is aware, UTC. ``count`` is how many strips or messages it stands for, 1 and more.
    """

    kind: Kind
    subject: str
    since: datetime
    count: int = 1
