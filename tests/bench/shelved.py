"""The invented analyzer at a site that asks for containers, with the desk where people enter them."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

from bridge.desk.containers import ContainerDesk, TypedContainer
from bridge.model import Actor
from bridge.store.sqlite import SqliteStore
from tests.bench.containers_for_tests import with_containers
from tests.bench.judged import SUND, Bench, with_policy
from tests.tables.shipped_tables import tables

TYPED = TypedContainer(analyzer="bench-a", strip_type="quill-10", strip_lot="24A01", expires="2027-03-31")


class Shelved(Bench):
    """The bench, whose judging hears of what its desk did, as the service tells it."""

    def __init__(self, store: SqliteStore, *, gate: bool = False, **more: Any) -> None:
        super().__init__(store, with_containers(with_policy() if gate else tables(), **more))
        self.desk = ContainerDesk(store, self.tables, lambda: self.at)

    def open(self, actor: Actor = SUND, **more: str) -> int:
        """Enter a container and judge what that frees."""
        made = self.desk.open(replace(TYPED, **more), actor=actor)
        self.judging.shelf.forget()
        self.work_off()
        return made
