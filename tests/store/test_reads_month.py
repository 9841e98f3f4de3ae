"""The queries of the monthly review, on a real file. What they answer is in month_contract.py."""

from __future__ import annotations

import pytest

from bridge.store.database import SqliteDb
from bridge.store.reads_month import _ACTIONS, _HISTORY, _LOTS, _REVIEWED, _SIGNED, _STOOD, _USES, _WHY

OF, SPAN = ("bench-a", "quill-10"), ("2026-11-01", "2026-12-01")


@pytest.mark.parametrize(
    ("query", "values", "indexes"),
    [
        (_HISTORY, (*OF, *SPAN), ["gate_events_order"]),
        (_STOOD, (*OF, "24A01", SPAN[0]), ["gate_events_order"]),
        (_LOTS, OF, ["gate_events_order"]),
        (_USES, (*OF, *SPAN), ["strips_arrived"]),
        (_ACTIONS, (*OF, *SPAN), ["corrective_actions"]),
        (_REVIEWED, (*OF, *SPAN), ["gate_events", "strips_reading"]),
        (_WHY, (1, 0, 1, 0, ""), ["strips_capture", "events_subject", "stops_strip"]),
        (_SIGNED.format(""), SPAN, ["month_signatures_month"]),
    ],
)
def test_a_read_costs_what_a_month_brought(file: SqliteDb, query: str, values: tuple[object, ...], indexes: list[str]) -> None:
    """By an index, however much was ever read and signed; strips and events, of which there are many, are never walked through."""
    plan = [str(row[3]) for row in file.execute(f"EXPLAIN QUERY PLAN {query}", values)]
    for index in indexes:
        assert any(index in line for line in plan), plan
    assert not [line for line in plan if line in {"SCAN s", "SCAN strips", "SCAN e", "SCAN events"}]
