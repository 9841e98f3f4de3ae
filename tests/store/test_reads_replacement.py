"""The strips of one specimen are found by their index. The contract: replacement_contract.py."""

from __future__ import annotations

import pytest

from bridge.store.database import SqliteDb
from bridge.store.reads_replacement import _OTHERS, _REPLACING


@pytest.mark.parametrize(
    ("question", "values", "index"),
    [(_OTHERS, ("U-1", "A", 1, 0, 9), "strips_specimen"), (_REPLACING, ("R1",), "corrections_result")],
)
def test_a_question_goes_by_its_index(file: SqliteDb, question: str, values: tuple[object, ...], index: str) -> None:
    """SQLite's own word on how it would answer (EXPLAIN QUERY PLAN): no walk through a million strips."""
    plan = " ".join(row[3] for row in file.execute(f"EXPLAIN QUERY PLAN {question}", values))
    assert index in plan
    assert "SCAN strips" not in plan
