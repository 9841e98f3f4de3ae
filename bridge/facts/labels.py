"""What people entered that is never a patient: lots of strips and of controls, operators' numbers. Kept in memory, so that no strip costs a query."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from datetime import datetime

from bridge.desk.lots import lots_in_use
from bridge.facts.renewed import Renewed
from bridge.store.api import Store
from bridge.tables.types import Tables

STRIPS = "the lot of a container of strips"
CONTROL = "a lot of control material"
OPERATOR = "an operator's number"


class Labels:
    """The texts that stand on other labels of the bench, as this process knows them; read again every few seconds."""

    def __init__(self, store: Store, tables: Tables, now: Callable[[], datetime]) -> None:
        self._store = store
        self._tables = tables
        self._known: Renewed[Mapping[str, str]] = Renewed(lambda _: dict(self._read()), now)

    def says(self, text: str) -> str:
        """Say in words whose text this is, sign by sign; "" where nobody entered it for anything."""
        return self._known.value().get(text, "")

    def _read(self) -> Iterator[tuple[str, str]]:
        for each in self._store.operators():
            yield each.operator.number, OPERATOR
        for lot in lots_in_use(self._store, self._tables):
            for text in (lot.lot, *lot.labels):
                yield text, CONTROL
        for row in self._store.containers():
            if row.container.strip_lot and not row.is_mistake:
                yield row.container.strip_lot, STRIPS
