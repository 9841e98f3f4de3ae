"""The question about clocks goes by its index and reads no more than it gives. The contract: clock_contract.py."""

from __future__ import annotations

from pathlib import Path

from bridge.store.migrate import migrate
from bridge.store.reads_clock import _HEARD
from bridge.store.sqlite import FILE, connect


def test_the_question_goes_by_its_index(tmp_path: Path) -> None:
    """SQLite's own word (EXPLAIN QUERY PLAN): from the analyzer's newest strip backwards, without sorting all of its years."""
    migrate(tmp_path / FILE)
    connection = connect(tmp_path / FILE)
    plan = " ".join(row[3] for row in connection.execute(f"EXPLAIN QUERY PLAN {_HEARD} ORDER BY s.id DESC LIMIT 40", ("a",)))
    connection.close()
    assert "strips_analyzer" in plan
    assert "TEMP B-TREE" not in plan
