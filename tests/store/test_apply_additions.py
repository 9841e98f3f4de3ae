"""What the statements of additions must not do: the contract in addition_contract.py has the rest."""

from __future__ import annotations

from bridge.store.addition_commands import EndAwaiting
from bridge.store.database import SqliteDb
from bridge.store.sound import faults
from bridge.store.sqlite import SqliteStore
from tests.store import strips as s
from tests.store.addition_contract import one, waiting
from tests.store.strips import WAIT, later


def test_the_waits_end_oldest_first_and_not_all_at_once(store: SqliteStore) -> None:
    """A command is short, so that a strip that comes just then waits a moment."""
    for number in range(5):
        waiting(store, f"W{number}", patient=f"47{number}")
    assert store.submit(EndAwaiting(at=later(10), most=3)).result(WAIT) == 3
    assert [row.result_id for row in store.awaited()] == ["W3", "W4"]


def test_the_way_of_the_lanes_is_sound_while_one_waits(store: SqliteStore, file: SqliteDb) -> None:
    """What is kept of lanes is what the rows say, also behind a blocked head: a look through the store finds nothing wrong."""
    waiting(store, "W1")
    s.post(store, "L1")
    assert s.heads(store) == []
    assert one(store).strip.number == "W1"
    assert [fault for _, fault in faults(file) if fault] == []
