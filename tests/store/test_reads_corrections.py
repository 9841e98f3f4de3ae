"""The queries of corrections, on a real file. What they answer is in correction_contract.py."""

from __future__ import annotations

from bridge.bench.corrections import Kind
from bridge.model import Answer
from bridge.store.commands import PurgeCaptures
from bridge.store.sqlite import SqliteStore
from tests.store import strips as s
from tests.store.correction_contract import change
from tests.store.strips import NOW


def test_the_newest_comes_first_and_no_more_than_asked_for(store: SqliteStore) -> None:
    """Of a month with many only the last are shown."""
    (first,) = s.post(store, "A1").delivery_ids
    s.attempt(store, first, Answer.ACCEPTED)
    numbers = [change(store, "A1", Kind.CORRECTED).correction_id for _ in range(3)]
    assert [row.correction_id for row in store.corrections()] == numbers[::-1]
    assert [row.correction_id for row in store.corrections(limit=1)] == numbers[-1:]
    assert [version.version for version in store.result_versions("A1")] == [1, 2, 3, 4]
    assert store.corrections(result_id="B1") == ()
    assert store.result_versions("B1") == ()


def test_the_purge_takes_what_people_wrote(store: SqliteStore) -> None:
    """A reason may name a patient; who did what, and when, stays."""
    s.post(store, "A1")
    change(store, "A1", Kind.WITHDRAWN)
    store.submit(PurgeCaptures(capture_ids=(1,), results=True, at=NOW)).result(s.WAIT)
    (row,) = store.corrections()
    assert (row.correction.by.name, row.correction.kind, row.correction.reason) == ("Eda", Kind.WITHDRAWN, "")
    assert store.result_versions("A1") == ()
