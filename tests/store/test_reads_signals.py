"""What is asked at every look goes by an index, however many strips are stored. The contract: signal_contract.py."""

from __future__ import annotations

import pytest

from bridge.store.database import SqliteDb
from bridge.store.reads_signals import _FOR_CONTROLS, _OLD_STOPS, _SAY, _STANDING, _STAT_SENT, _STAT_STOPS, _STAT_WAITING
from bridge.store.sqlite import SqliteStore

THEN = "2026-11-25T12:00:00.000000Z"


@pytest.mark.parametrize(
    ("query", "values", "index"),
    [
        (_STANDING, (), "signals_standing"),
        (f"{_SAY} WHERE state = 'due' AND due_at <= ? ORDER BY id LIMIT ?", (THEN, 9), "signal_says_due"),
        (_OLD_STOPS, (THEN,), "stops_open"),
        (_STAT_STOPS, (THEN, 9), "stops_open"),
        (_STAT_WAITING, (THEN, 9), "strips_waiting"),
        (_STAT_SENT, (THEN, 9), "deliveries_stat"),
        (_FOR_CONTROLS, (), "strips_waiting"),
    ],
)
def test_each_goes_by_its_index(store: SqliteStore, file: SqliteDb, query: str, values: tuple[object, ...], index: str) -> None:
    """A look of every few seconds must not read a million rows."""
    assert store.standing_signals() == ()
    plan = " ".join(str(row[3]) for row in file.execute(f"EXPLAIN QUERY PLAN {query}", values).fetchall())
    assert index in plan, plan
