"""The command that seals, on the store that tests have; two processes on one database are in tests/store/postgres/test_chains.py."""

from __future__ import annotations

from bridge.store.database import SqliteDb
from bridge.store.sqlite import SqliteStore
from tests.store import strips as s
from tests.store.chained import seal


def test_a_store_to_which_nothing_was_written_is_sealed_once(store: SqliteStore, file: SqliteDb) -> None:
    """A chain begins with its first event, and its beginning names what was there: a start that does nothing leaves nothing."""
    assert seal(store) is None
    assert file.execute("SELECT count(*) FROM audit_chains").fetchone() == (1,)
    assert seal(store) is None
    s.keep(store)
    assert seal(store) is not None
