"""The register in the file: every change is in the append-only history, and nothing is rewritten. The contract: operator_contract.py."""

from __future__ import annotations

from bridge.store.commands import EndOperator, EnterOperator
from bridge.store.database import SqliteDb
from bridge.store.sqlite import SqliteStore
from tests.store.operator_contract import ANA
from tests.store.strips import BO, EDA, NOW, WAIT


def test_an_ended_entry_stays_in_the_file(store: SqliteStore, file: SqliteDb) -> None:
    """Who read last year's strips can still be told."""
    number = store.submit(EnterOperator(operator=ANA, actor=BO, at=NOW)).result(WAIT)
    store.submit(EndOperator(operator_id=number, actor=EDA, reason="left", at=NOW)).result(WAIT)
    (row,) = file.execute("SELECT number, name, since, until, entered_by, ended_by FROM operators").fetchall()
    assert row == ("12", "Ana", "2026-11-01", "2026-11-30", "Bo", "Eda")
