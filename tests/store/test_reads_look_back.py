"""The questions about look-backs go by their indexes, however many years of them the file holds. The contract: look_back_contract.py."""

from __future__ import annotations

from pathlib import Path

import pytest

from bridge.store.migrate import migrate
from bridge.store.reads_look_back import _OPEN, _STANDING, _UNDER_WAY
from bridge.store.sqlite import FILE, connect


@pytest.mark.parametrize(
    ("question", "indexes"),
    [
        (_OPEN, ("look_backs_verdict (verdict=?)",)),
        (_UNDER_WAY, ("look_backs_verdict (verdict=?)", "deliveries_result (result_id=? AND version=?)")),
        (_STANDING, ("deliveries_result (result_id=? AND version=?)",)),
    ],
)
def test_a_question_goes_by_its_index(tmp_path: Path, question: str, indexes: tuple[str, ...]) -> None:
    """SQLite's own word on how it would answer (EXPLAIN QUERY PLAN)."""
    migrate(tmp_path / FILE)
    connection = connect(tmp_path / FILE)
    plan = " ".join(row[3] for row in connection.execute(f"EXPLAIN QUERY PLAN {question.replace('?', '9')}"))
    connection.close()
    assert all(index in plan for index in indexes), plan
