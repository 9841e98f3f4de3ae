"""What judging is told of containers: once from the store, and anew when somebody entered one."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import replace
from pathlib import Path
from typing import cast

import pytest

from bridge.bench.containers import ContainerEnd
from bridge.facts.containers import Shelf
from bridge.model import Actor, Needs
from bridge.store import rows
from bridge.store.api import Store
from bridge.store.commands import CloseContainer
from bridge.store.sqlite import SqliteStore
from tests.bench.containers_for_tests import with_containers
from tests.store.lot_contract import Bench
from tests.store.strips import NOW, WAIT, later
from tests.tables.shipped_tables import tables

NEEDS = Needs(analyzer="brook-1", mode="", number="1", record_digest="d", patient_id="", strip_type="plover-12", strip_lot="L1")


def _nothing() -> None:
    pass


class Counted:
    """The real store, which counts how often it is asked for containers; what happens between asking and answering can be given."""

    def __init__(self, store: SqliteStore) -> None:
        self._store = store
        self.asked = 0
        self.between: Callable[[], None] = _nothing

    @property
    def as_store(self) -> Store:
        return cast("Store", self)

    def containers(self) -> tuple[rows.ContainerRow, ...]:
        self.asked += 1
        found = self._store.containers()
        self.between()
        return found


@pytest.fixture
def store(tmp_path: Path) -> Iterator[SqliteStore]:
    """Give a real, empty store."""
    made = SqliteStore(tmp_path, now=lambda: NOW)
    yield made
    made.close()


def test_a_strip_asks_no_database_for_its_container(store: SqliteStore) -> None:
    """Five hundred strips, one question; after something was entered, one more."""
    counted = Counted(store)
    shelf = Shelf(counted.as_store, with_containers())
    one = Bench(store).opens()
    for _ in range(500):
        (found,) = shelf.containers(NEEDS) or ()
        assert found.container_id == one
    assert counted.asked == 1
    Bench(store).opens("L2", opened=9)
    assert len(shelf.containers(NEEDS) or ()) == 1
    shelf.forget()
    assert [each.strip_lot for each in shelf.containers(NEEDS) or ()] == ["L1", "L2"]
    assert counted.asked == 2


def test_what_was_forgotten_while_it_was_read_is_read_again(store: SqliteStore) -> None:
    """A container that is entered between the store's answer and its keeping would else be unknown until the next one."""
    counted = Counted(store)
    shelf = Shelf(counted.as_store, with_containers())

    def entered_meanwhile() -> None:
        counted.between = _nothing
        Bench(store).opens()
        shelf.forget()

    counted.between = entered_meanwhile
    assert shelf.containers(NEEDS) == ()
    assert len(shelf.containers(NEEDS) or ()) == 1


def test_another_analyzers_containers_and_mistakes_are_none_of_its_own(store: SqliteStore) -> None:
    """A container stands at one analyzer; one that was entered by mistake counts for nothing, one that is used up still does."""
    bench = Bench(store)
    used_up, mistake = bench.opens(), bench.opens("L2")
    bench.closes(used_up)
    bench.closes(mistake, ContainerEnd.MISTAKE)
    shelf = Shelf(store, with_containers())
    assert [each.container_id for each in shelf.containers(NEEDS) or ()] == [used_up]
    assert shelf.containers(replace(NEEDS, analyzer="brook-2")) == ()
    assert shelf.containers(replace(NEEDS, strip_type="quill-10")) == ()


def test_a_site_that_asks_for_none_is_not_asked(store: SqliteStore) -> None:
    """No policy, no question to the store at all."""
    counted = Counted(store)
    for made in (tables(), with_containers(findings=None)):
        assert Shelf(counted.as_store, made).containers(NEEDS) is None
    assert counted.asked == 0


def test_the_order_is_that_of_opening(store: SqliteStore) -> None:
    """A container that was closed keeps the strips of its own time."""
    bench = Bench(store)
    late, early = bench.opens(opened=5), bench.opens(opened=1)
    store.submit(
        CloseContainer(container_id=early, how=ContainerEnd.USED_UP, actor=Actor(name="Bo", verified="u"), reason="", at=later(7))
    ).result(WAIT)
    found = Shelf(store, with_containers()).containers(NEEDS) or ()
    assert [(each.container_id, each.closed_at) for each in found] == [(early, later(7)), (late, None)]
