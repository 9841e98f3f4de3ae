"""A digest of a shift on the database; what every store does is in the contract (signal_contract.py)."""

from __future__ import annotations

from pathlib import Path

from bridge.store.apply_digest import last_digest
from bridge.store.digest_commands import KeepDigest
from bridge.store.sqlite import SqliteStore
from tests.store.strips import NOW, WAIT, later


def test_of_two_processes_one_keeps_it(tmp_path: Path) -> None:
    """HZ-K03: both saw that it was due before either kept it."""
    store = SqliteStore(tmp_path, now=lambda: NOW)
    command = KeepDigest(due=later(10), ways=("lab",), headline="h", text="t", at=later(10))
    store.submit(KeepDigest(due=NOW, ways=("lab",), headline="h", text="t", at=NOW)).result(WAIT)
    both = [store.submit(command), store.submit(command)]
    assert sorted(each.result(WAIT) for each in both) == [False, True]
    assert last_digest(store._db()) == later(10)
    assert len(store.newest_says(limit=9)) == 1
    store.close()
