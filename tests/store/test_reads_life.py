"""What happened comes back in the order in which it was entered. The contract: life_contract.py."""

from __future__ import annotations

from dataclasses import replace

from bridge.bench.analyzer_life import LifeEvent
from bridge.store.sqlite import SqliteStore
from tests.store.life_contract import OUT, said
from tests.store.strips import NOW, later


def test_of_long_ago_only_the_last_of_each_kind_is_told(store: SqliteStore) -> None:
    """So that a serial number of last year counts, and a year of error codes costs nothing."""
    codes = [said(store, replace(OUT, what=LifeEvent.ERROR, text=f"E{n}", at=later(n))) for n in range(3)]
    serial = said(store, replace(OUT, what=LifeEvent.SERIAL, text="7"))
    assert [each.event_id for each in store.life_events(since=later(10))] == [codes[-1], serial]
    assert [each.event_id for each in store.life_events(since=NOW)] == [*codes, serial]
