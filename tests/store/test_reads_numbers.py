"""The queries of missing numbers, on a real file. What they answer is in number_contract.py."""

from __future__ import annotations

import pytest

from bridge.store.commands import AnswerGap, SignDay
from bridge.store.database import SqliteDb
from bridge.store.reads_numbers import _ANSWERS, _SIGNED
from bridge.store.sqlite import SqliteStore
from tests.store.number_contract import DAY, said
from tests.store.strips import EDA, NOW, WAIT


@pytest.mark.parametrize(
    ("query", "values", "index"),
    [(_ANSWERS, ("a", "N", "s"), "gap_answers_series"), (_SIGNED, ("2026-11-01", "2026-11-30"), "day_signatures_day")],
)
def test_a_read_costs_what_is_asked_for(file: SqliteDb, query: str, values: tuple[str, ...], index: str) -> None:
    """By an index, however much was ever said and signed."""
    plan = " ".join(str(row[3]) for row in file.execute(f"EXPLAIN QUERY PLAN {query}", values))
    assert f"USING INDEX {index}" in plan


@pytest.mark.parametrize("table", ["gap_answers", "day_signatures"])
@pytest.mark.parametrize("change", ["UPDATE {} SET at = ''", "DELETE FROM {}"])
def test_what_was_said_and_signed_stays(store: SqliteStore, file: SqliteDb, table: str, change: str) -> None:
    """Nobody changes or deletes it, with the tools of the database neither."""
    store.submit(AnswerGap(answer=said(41, 43))).result(WAIT)
    store.submit(SignDay(day=DAY, content="{}", actor=EDA, remark="", at=NOW)).result(WAIT)
    with pytest.raises(Exception, match=f"{table} are append-only"):
        file.execute(change.format(table))
