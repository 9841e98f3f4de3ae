"""Stored captures with their patients' strips, on a real file."""

from __future__ import annotations

from bridge.store.commands import PurgeCaptures
from bridge.store.database import SqliteDb
from bridge.store.reads_kept import _STRIPS, _TOLD
from bridge.store.sqlite import SqliteStore
from tests.store import strips as s
from tests.store.strips import NOW, WAIT
from tests.store.telling_contract import ONCE, told


def test_captures_come_newest_first_with_what_can_be_tried(store: SqliteStore) -> None:
    """Patients' strips as they stand, copies, controls and what could not be read left out; with the rules that somebody was to be told by."""
    first = s.reading("1")
    one = s.record(store, first, s.held(first), tell=ONCE)
    told(store)
    s.record(store, s.unreadable(), None)
    s.record(store, first, s.copy(first, one.strip_id))
    s.record(store, s.reading("2"), s.control(s.reading("2")))
    s.post(store, "3")
    found = store.kept_before(None, limit=10)
    assert [(each.capture_id, [(strip.number, sorted(strip.told)) for strip in each.strips]) for each in found] == [
        (5, [("3", [])]),
        (4, []),
        (3, []),
        (2, []),
        (1, [("1", ["sugar-ketones"])]),
    ]
    kept = store.capture(1)
    assert (found[-1].capture, found[-1].analyzer, found[-1].profile) == (kept.capture, kept.analyzer, kept.profile)
    assert (found[-1].strips[0].strip_id, found[-1].strips[0].record_digest) == (one.strip_id, first.record_digest)
    assert [each.capture_id for each in store.kept_before(5, limit=2)] == [4, 3]
    assert store.kept_before(1, limit=2) == ()


def test_what_was_purged_has_no_bytes(store: SqliteStore) -> None:
    """It is counted, and not taken for a strip that meets nothing."""
    of = s.reading("1")
    s.record(store, of, s.copy(of, 1), capture_id=s.keep(store))
    store.submit(PurgeCaptures(capture_ids=(1,), results=False, at=NOW)).result(WAIT)
    (kept,) = store.kept_before(None, limit=2)
    assert kept.capture.payload == b""


def test_a_stretch_costs_what_it_holds(file: SqliteDb) -> None:
    """By an index of the captures, however many there are."""
    for query, index in ((_STRIPS, "strips_reading"), (_TOLD, "sqlite_autoindex_tellings_1")):
        plan = " ".join(str(row[3]) for row in file.execute(f"EXPLAIN QUERY PLAN {query}", (1, 9)))
        assert f"INDEX {index}" in plan
