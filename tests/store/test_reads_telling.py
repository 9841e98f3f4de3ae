"""The queries of what is to be told, on a real file. What they answer is in telling_contract.py."""

from __future__ import annotations

import pytest

from bridge.store.database import SqliteDb
from bridge.store.reads_telling import _HISTORY, _TELLING


@pytest.mark.parametrize(
    ("query", "index"),
    [
        (f"{_TELLING} WHERE state <> 'closed' ORDER BY id", "tellings_unsettled"),
        (_HISTORY, "telling_steps_task"),
    ],
)
def test_a_read_costs_what_is_open(file: SqliteDb, query: str, index: str) -> None:
    """By an index: Today asks it at every look, and closed ones are kept for years."""
    plan = " ".join(str(row[3]) for row in file.execute(f"EXPLAIN QUERY PLAN {query}", (1,) * query.count("?")))
    assert f"INDEX {index}" in plan
