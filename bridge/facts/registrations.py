"""What judging asks of registered identifiers: kept in memory, read again when there is news of them, and every few seconds."""

from __future__ import annotations

from collections.abc import Callable
from datetime import datetime

from bridge.bench.registered import KeptRegistration, registered_as
from bridge.facts.renewed import Renewed
from bridge.life import RegisteredAs
from bridge.model import Needs, Reading
from bridge.store.api import Store
from bridge.tables.types import Tables


class Registered:
    """The registrations in force as this process knows them. May be asked from any thread."""

    def __init__(self, store: Store, tables: Tables, now: Callable[[], datetime]) -> None:
        self._tables = tables
        self._kept: Renewed[tuple[KeptRegistration, ...]] = Renewed(lambda _: store.registrations(is_in_force=True), now)

    def forget(self) -> None:
        """Read anew with the next strip: somebody registered an identifier, signed or ended one."""
        self._kept.forget()

    def says(self, reading: Reading, needs: Needs, corrected: str | None, arrived_at: datetime) -> RegisteredAs | None:
        """Give what the identifiers of a strip are registered as on the day on which it was read; ``corrected`` is a person's patient ID."""
        kept = self._kept.value()
        if not kept:
            return None
        on = (needs.printed_at or arrived_at).astimezone(self._tables.profiles[reading.profile].zone).date()
        specimen_id = reading.specimen_id.text if reading.specimen_id else ""
        return registered_as(kept, needs.patient_id if corrected is None else corrected, specimen_id, on)
