"""What waits for a withdrawal is found by its index. The contract: replacement_contract.py."""

from __future__ import annotations

from bridge.store.apply_replacement import _WITHDRAWALS
from bridge.store.database import SqliteDb


def test_a_strips_withdrawals_are_found_by_its_place(file: SqliteDb) -> None:
    """SQLite's own word (EXPLAIN QUERY PLAN): a strip that is judged again asks, however many results were ever replaced."""
    plan = " ".join(row[3] for row in file.execute(f"EXPLAIN QUERY PLAN {_WITHDRAWALS}", (1, 0)))
    assert "replacements_strip (capture_id=? AND idx=?)" in plan
    assert "deliveries_result (result_id=? AND version=?)" in plan
