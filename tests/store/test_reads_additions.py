"""The reads of additions use their indexes, however many strips there are."""

from __future__ import annotations

from pathlib import Path

from bridge.store.sqlite import SqliteStore
from tests.store.strips import NOW


def test_no_question_walks_through_all_strips(tmp_path: Path) -> None:
    """What waits is found by the index of what is open, its strip by its capture."""
    store = SqliteStore(tmp_path / "store", now=lambda: NOW)
    try:
        for question, index in (
            ("SELECT min(due_at) FROM additions_awaited WHERE state = 'open'", "additions_awaited_open"),
            ("SELECT count(*) FROM additions_awaited WHERE state = 'open'", "additions_awaited_open"),
            ("SELECT id FROM strips WHERE capture_id = 1 AND idx = 0 AND is_newest = 1", "USING"),
            ("SELECT what FROM additions WHERE capture_id = 1 AND idx = 0", "additions_reading"),
        ):
            plan = " ".join(str(row[3]) for row in store._db().execute(f"EXPLAIN QUERY PLAN {question}"))
            assert index in plan, question
    finally:
        store.close()
