"""What people entered that is never a patient: lots of strips and of controls, operators' numbers."""

from __future__ import annotations

from collections.abc import Iterator

from bridge.desk.lots import lots_in_use
from bridge.store.api import Store
from bridge.tables.types import Tables

STRIPS = "the lot of a container of strips"
CONTROL = "a lot of control material"
OPERATOR = "an operator's number"


def labels_of(store: Store, tables: Tables) -> Iterator[tuple[str, str]]:
    """Give each text that stands on another label of the bench, with whose it is, in words; of one text the last counts."""
    for each in store.operators():
        yield each.operator.number, OPERATOR
    for lot in lots_in_use(store, tables):
        for text in (lot.lot, *lot.labels):
            yield text, CONTROL
    for row in store.containers():
        if row.container.strip_lot and not row.is_mistake:
            yield row.container.strip_lot, STRIPS
