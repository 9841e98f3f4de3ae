"""Old rows are found a stretch at a time, and the search ends where nothing old follows."""

from __future__ import annotations

from bridge.model import Answer
from bridge.store.rows import Old
from bridge.store.sqlite import SqliteStore
from tests.store import strips as s
from tests.store.strips import NOW, later
from tests.store.test_apply_purge import purge


def test_captures_that_are_over_are_found_in_stretches(store: SqliteStore) -> None:
    """Two at a time: what is open is passed over and looked past; the first stretch without anything old is the end."""
    for number in range(1, 4):
        recorded = s.post(store, f"R{number}", lane=str(number))
        if number != 2:
            s.attempt(store, recorded.delivery_ids[0], Answer.ACCEPTED)
    assert store.old_captures(before=later(1), results=False, after=0, limit=2) == Old(ids=(1,), last=2)
    assert store.old_captures(before=later(1), results=False, after=2, limit=2) == Old(ids=(3,), last=3)
    assert store.old_captures(before=later(1), results=False, after=3, limit=2) == Old(ids=(), last=None)
    assert store.old_captures(before=NOW, results=False, after=0, limit=2) == Old(ids=(), last=None)


def test_what_is_purged_is_not_found_again(store: SqliteStore) -> None:
    """Neither the bytes nor the results; bytes that went earlier leave the results to be found."""
    recorded = s.post(store, "R1")
    s.attempt(store, recorded.delivery_ids[0], Answer.ACCEPTED)
    assert purge(store, 1, results=False) == 1
    assert store.old_captures(before=later(1), results=False, after=0, limit=9) == Old(ids=(), last=1)
    assert store.old_captures(before=later(1), results=True, after=0, limit=9) == Old(ids=(1,), last=1)
    assert purge(store, 1) == 1
    assert store.old_captures(before=later(1), results=True, after=0, limit=9) == Old(ids=(), last=1)


def test_events_of_what_is_open_are_passed_over(store: SqliteStore) -> None:
    """A held strip's history stays while the row stands on Rejected messages."""
    of = s.reading("1")
    s.record(store, of, s.held(of))
    recorded = s.post(store, "R2")
    s.attempt(store, recorded.delivery_ids[0], Answer.ACCEPTED)
    found = store.old_events(before=later(1), after=0, limit=100)
    subjects = {row[1] for row in store._db().execute("SELECT id, subject FROM history") if row[0] in found.ids}
    assert subjects == {"capture:2", "strip:2", "delivery:1"}
    assert store.old_events(before=NOW, after=0, limit=100) == Old(ids=(), last=None)
