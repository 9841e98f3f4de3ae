"""Lines come back in the order in which they were entered, whenever they were done. The contract: day_log_contract.py."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta

from bridge.store.sqlite import SqliteStore
from tests.store.day_log_contract import CLEANED, noted
from tests.store.strips import NOW, later


def test_what_was_entered_later_comes_later(store: SqliteStore) -> None:
    """A line of the morning that is entered at noon stands behind that of eleven."""
    (noon,) = noted(store, replace(CLEANED, done_at=later(60)))
    (morning,) = noted(store, CLEANED)
    assert [each.line_id for each in store.day_log(since=NOW)] == [noon, morning]
    assert store.day_log(since=NOW + timedelta(days=1)) == ()
