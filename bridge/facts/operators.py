"""What judging asks of the register of operators: kept in memory, read again every few seconds, so that no strip costs a query."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from datetime import datetime, timedelta

from bridge.bench.operators import Presence, Register
from bridge.model import Capture, OperatorFacts, Reading
from bridge.store.api import Store
from bridge.tables.types import Tables

AS_LONG = timedelta(seconds=5)  # ours: what a person enters counts this soon, in every process on the store


class Operators:
    """The register as this process knows it, and where people were last."""

    def __init__(self, store: Store, tables: Tables, now: Callable[[], datetime]) -> None:
        self._store = store
        self._tables = tables
        self._now = now
        self._register = Register()
        self._read_at: datetime | None = None
        self._presence = Presence()

    def facts(self, reading: Reading, capture: Capture, printed_at: datetime | None, *, is_first: bool) -> OperatorFacts | None:
        """Give what the register says of a strip's operator; None where nobody is entered for its analyzer.

        The day is that of the printed time, else of the arrival, by the analyzer's zone. Only live strips tell where a person is.
        """
        self._read()
        if not self._register.asks(reading.analyzer):
            return None
        zone = self._tables.profiles[reading.profile].zone
        on = (printed_at or capture.arrived_at).astimezone(zone).date()
        said = self._register.says(reading.analyzer, reading.operator.text if reading.operator else "", on=on)
        if not said.name or not capture.live or not is_first:
            return said
        return replace(said, elsewhere=self._presence.elsewhere(said.name, reading.analyzer, capture.arrived_at))

    def _read(self) -> None:
        now = self._now()
        if self._read_at is None or abs(now - self._read_at) >= AS_LONG:
            self._register, self._read_at = Register(each.operator for each in self._store.operators()), now
