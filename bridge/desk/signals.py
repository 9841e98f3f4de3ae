"""What people do about signals: acknowledge one, note something on it, mute a kind for a while."""

from __future__ import annotations

from collections.abc import Callable
from datetime import datetime, timedelta

from bridge.desk.who import named, require_reason
from bridge.errors import RefusedAction
from bridge.model import Actor
from bridge.signals.kinds import OWN, URGENT, WITHOUT_DELAY, Kind
from bridge.store.api import Store
from bridge.store.commands import AcknowledgeSignal, MuteSignals, NoteOnSignal

MUTE_HOURS = (1, 4, 8, 24)  # ours: until somebody has looked, half a shift, a shift, a day; nothing is muted for good
MOST_URGENT_HOURS = 1  # ours: what may hurt a patient within the hour is heard again after one, and muted anew by who looked


class SignalDesk:
    """The actions on signals. Raises RefusedAction or Overtaken with a sentence for the person."""

    def __init__(self, store: Store, now: Callable[[], datetime]) -> None:
        self._store = store
        self._now = now

    def acknowledge(self, signal_id: int, *, note: str, actor: Actor) -> None:
        """Say that the signal is in hand: it is not said again until something new comes to it, or the acknowledgement is over."""
        who = named(actor)
        command = AcknowledgeSignal(signal_id=signal_id, actor=who, reason=note.strip(), at=self._now())
        self._store.submit(command).result()

    def note(self, signal_id: int, *, text: str, actor: Actor) -> None:
        """Keep a note in the signal's history."""
        who = named(actor)
        if not text.strip():
            raise RefusedAction("Write what the note is to say.")
        self._store.submit(NoteOnSignal(signal_id=signal_id, actor=who, text=text.strip(), at=self._now())).result()

    def mute(self, kind: Kind, *, hours: int, reason: str, actor: Actor) -> None:
        """Let nothing be said of a kind for some hours; 0 ends it."""
        who = named(actor)
        if hours and hours not in MUTE_HOURS:
            raise RefusedAction(f"A kind is muted for {', '.join(map(str, MUTE_HOURS[:-1]))} or {MUTE_HOURS[-1]} hours.")
        if kind in WITHOUT_DELAY:
            raise RefusedAction("This cannot be muted: it is over once somebody has looked into it.")
        if kind in OWN:
            raise RefusedAction("What a process tells of itself cannot be muted: mend it, or start Padpost again.")
        if hours > MOST_URGENT_HOURS and kind in URGENT:
            raise RefusedAction(
                "What may hurt a patient within the hour is muted for 1 hour at most. Acknowledge it if you have it in hand."
            )
        require_reason(reason)
        now = self._now()
        command = MuteSignals(kind=kind, until=now + timedelta(hours=hours), actor=who, reason=reason.strip(), at=now)
        self._store.submit(command).result()
