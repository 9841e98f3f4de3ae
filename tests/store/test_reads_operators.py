"""The register is read whole: entries in force, in the order in which they were entered. The contract: operator_contract.py."""

from __future__ import annotations

from dataclasses import replace

from bridge.store.commands import EnterOperator
from bridge.store.sqlite import SqliteStore
from tests.store.operator_contract import ANA, BEN
from tests.store.strips import BO, NOW, WAIT


def test_days_that_are_not_set_come_back_as_none(store: SqliteStore) -> None:
    """No end and no due day are no dates; every field comes back as it was entered."""
    for each in (BEN, replace(ANA, number="14", until=None)):
        store.submit(EnterOperator(operator=each, actor=BO, at=NOW)).result(WAIT)
    assert [each.operator for each in store.operators()] == [BEN, replace(ANA, number="14", until=None)]
