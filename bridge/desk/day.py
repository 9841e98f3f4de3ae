"""What people do on the pages of the day: pause a receiver, resume it, and leave a note for the next shift."""

from __future__ import annotations

from collections.abc import Callable
from datetime import datetime

from bridge.bench.hand_over import fault_of
from bridge.desk.who import named, require_reason
from bridge.errors import RefusedAction
from bridge.identity.patient_id import names_patient
from bridge.model import Actor
from bridge.store.api import Store
from bridge.store.today_commands import CloseNote, LeaveNote, PauseDestination, ResumeDestination
from bridge.tables.types import PatientIdPolicy

NAMES_PATIENT = (
    "This looks like a patient ID, and a note stands on Today for everybody. Name the analyzer and the strip's number instead."
)


class DayDesk:
    """The actions. ``destinations`` are the configured ones. Raises RefusedAction or Overtaken with a sentence for the technician."""

    def __init__(
        self, store: Store, now: Callable[[], datetime], *, destinations: tuple[str, ...], ids: PatientIdPolicy | None = None
    ) -> None:
        """Take the parts. ``ids``: what a patient ID looks like here, so that no note names one."""
        self._store = store
        self._ids = ids
        self._now = now
        self._destinations = destinations

    def pause(self, destination: str, *, reason: str, actor: Actor) -> None:
        """Send nothing more to a receiver, in any process, until somebody resumes it."""
        who = named(actor)
        require_reason(reason)
        if destination not in self._destinations:
            raise RefusedAction("There is no such receiver in the settings. Look at the page again.")
        command = PauseDestination(destination=destination, actor=who, reason=reason.strip(), at=self._now())
        self._store.submit(command).result()

    def resume(self, destination: str, *, reason: str, actor: Actor) -> None:
        """Send again what waits, in its order. A pause of a receiver that left the settings can be ended too."""
        who = named(actor)
        require_reason(reason)
        command = ResumeDestination(destination=destination, actor=who, reason=reason.strip(), at=self._now())
        self._store.submit(command).result()

    def leave(self, text: str, *, actor: Actor) -> int:
        """Leave a note; give its id."""
        who = named(actor)
        if fault := fault_of(text.strip()):
            raise RefusedAction(fault)
        if self._ids is not None and names_patient(text, self._ids):
            raise RefusedAction(NAMES_PATIENT)
        made: int = self._store.submit(LeaveNote(text=text.strip(), actor=who, at=self._now())).result()
        return made

    def close(self, note_id: int, *, actor: Actor) -> None:
        """Say that what a note asks is done."""
        self._store.submit(CloseNote(note_id=note_id, actor=named(actor), at=self._now())).result()
