"""The queries of held runs, on a real file. What they answer is in number_contract.py."""

from __future__ import annotations

import pytest

from bridge.store.database import SqliteDb
from bridge.store.reads_shift import _LAST, _LAST_HELD, _NEWEST, _OF_SEAT, _OPEN, _WAITING


@pytest.mark.parametrize(
    ("query", "values", "index"),
    [
        (_NEWEST, ("a",), "strips_analyzer"),
        (_LAST, ("a",), "shifts_analyzer"),
        (_LAST_HELD, ("a",), "shifts_analyzer"),
        (_OF_SEAT, ("a", 1, 0, 1, 0), "shifts_analyzer"),
        (_OPEN, (), "shifts_open"),
        (_WAITING, ("a", 1, 0, 2, 0), "stops_open"),
    ],
)
def test_a_read_costs_what_is_open(file: SqliteDb, query: str, values: tuple[object, ...], index: str) -> None:
    """By an index, and without sorting what was ever kept."""
    plan = " ".join(str(row[3]) for row in file.execute(f"EXPLAIN QUERY PLAN {query}", values))
    assert f"INDEX {index}" in plan
    assert "SCAN strips" not in plan
