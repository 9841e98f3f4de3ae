"""What judging asks of the register of operators: kept in memory, read again every few seconds, so that no strip costs a query."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from datetime import datetime

from bridge.bench.operators import Presence, Register
from bridge.facts.renewed import Renewed
from bridge.model import Capture, OperatorFacts, Reading
from bridge.store.api import Store
from bridge.tables.types import Tables


class Operators:
    """The register as this process knows it, and where people were last."""

    def __init__(self, store: Store, tables: Tables, now: Callable[[], datetime]) -> None:
        self._tables = tables
        self._register = Renewed(lambda _: Register(each.operator for each in store.operators()), now)
        self._presence = Presence()

    def facts(self, reading: Reading, capture: Capture, printed_at: datetime | None, *, is_first: bool) -> OperatorFacts | None:
        """Give what the register says of a strip's operator; None where nobody is entered for its analyzer.

        The day is that of the printed time, else of the arrival, by the analyzer's zone. Only live strips tell where a person is.
        """
        register = self._register.value()
        if not register.asks(reading.analyzer):
            return None
        zone = self._tables.profiles[reading.profile].zone
        on = (printed_at or capture.arrived_at).astimezone(zone).date()
        said = register.says(reading.analyzer, reading.operator.text if reading.operator else "", on=on)
        if not said.name or not capture.live or not is_first:
            return said
        return replace(said, elsewhere=self._presence.elsewhere(said.name, reading.analyzer, capture.arrived_at))
