"""The queries of reports, on a real file. What they answer is in report_contract.py."""

from __future__ import annotations

import pytest

from bridge.store.database import SqliteDb
from bridge.store.reads_reports import _HANDLED, _NEWER, _STOPPED, _TRAVELLED

SPAN = ("2026-11-01", "2026-12-01")


@pytest.mark.parametrize(
    ("query", "values", "indexes"),
    [
        (_TRAVELLED, SPAN, ["strips_arrived (arrived_at>? AND arrived_at<?)", "deliveries_result (result_id=?)", "corrections_result", "stops_strip"]),
        (_HANDLED, SPAN, ["strips_arrived (arrived_at>? AND arrived_at<?)"]),
        (_STOPPED, (*SPAN, *SPAN), ["strips_arrived (arrived_at>? AND arrived_at<?)", "stops_strip (strip_id=?)"]),
        (_NEWER, (7, 9), ["INTEGER PRIMARY KEY (rowid>?)"]),
    ],
)  # fmt: skip
def test_a_read_costs_what_a_day_brought(file: SqliteDb, query: str, values: tuple[object, ...], indexes: list[str]) -> None:
    """By an index, however much was ever stored."""
    plan = [str(row[3]) for row in file.execute(f"EXPLAIN QUERY PLAN {query}", values)]
    assert not [line for line in plan if line.startswith("SCAN")], plan
    for index in indexes:
        assert any(index in line for line in plan), plan
