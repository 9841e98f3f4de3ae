"""What people entered that is never a patient: lots of strips and of controls, operators' numbers. Kept in memory, so that no strip costs a query."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from datetime import datetime

from bridge.desk.labels import labels_of
from bridge.facts.renewed import Renewed
from bridge.store.api import Store
from bridge.tables.types import Tables


class Labels:
    """The texts that stand on other labels of the bench, as this process knows them; read again every few seconds."""

    def __init__(self, store: Store, tables: Tables, now: Callable[[], datetime]) -> None:
        self._known: Renewed[Mapping[str, str]] = Renewed(lambda _: dict(labels_of(store, tables)), now)

    def says(self, text: str) -> str:
        """Say in words whose text this is, sign by sign; "" where nobody entered it for anything."""
        return self._known.value().get(text, "")
