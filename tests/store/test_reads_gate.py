"""The questions about gates go by their indexes, however many years of controls the file holds. The contract: gate_contract.py."""

from __future__ import annotations

from pathlib import Path

import pytest

from bridge.store.migrate import migrate
from bridge.store.reads_gate import _AHEAD, _FOLLOWING, _IN_SPITE, _LAST
from bridge.store.sqlite import FILE, connect

KEY = "analyzer = 'a' AND strip_type = 'b' AND strip_lot = 'c'"


@pytest.mark.parametrize(
    ("question", "index"),
    [
        (_LAST.replace("?", "9"), "gate_events_order"),
        (_AHEAD.replace("?", "9"), "gate_events_order"),
        (_FOLLOWING.replace("?", "9"), "gate_events_order"),
        ("SELECT 1 FROM gate_events WHERE capture_id = 1 AND idx = 2 AND what IN ('passed', 'failed')", "gate_events_reading"),
        (f"SELECT capture_id, idx FROM strips WHERE {KEY} AND outcome = 'waiting' ORDER BY capture_id, idx", "strips_waiting"),
        (
            "SELECT analyzer, strip_type, strip_lot, count(*) FROM strips WHERE outcome = 'waiting' GROUP BY analyzer, strip_type, strip_lot",
            "strips_waiting",
        ),
        (_IN_SPITE.replace("?", "9"), "strips_noted"),
    ],
)
def test_a_question_goes_by_its_index(tmp_path: Path, question: str, index: str) -> None:
    """SQLite's own word on how it would answer (EXPLAIN QUERY PLAN)."""
    migrate(tmp_path / FILE)
    connection = connect(tmp_path / FILE)
    plan = " ".join(row[3] for row in connection.execute(f"EXPLAIN QUERY PLAN {question}"))
    connection.close()
    assert index in plan
