"""Corrective actions and signatures, on a real file. What every store does with them is in month_contract.py."""

from __future__ import annotations

import pytest

from bridge.bench.controls import RunVerdict
from bridge.store.commands import NoteAction
from bridge.store.database import SqliteDb
from bridge.store.sqlite import SqliteStore
from tests.store.lot_contract import Bench
from tests.store.month_contract import signed
from tests.store.strips import BO, NOW, WAIT


@pytest.mark.parametrize("table", ["corrective_actions", "month_signatures"])
@pytest.mark.parametrize("change", ["UPDATE {} SET at = ''", "DELETE FROM {}"])
def test_what_was_written_and_signed_stays(store: SqliteStore, file: SqliteDb, table: str, change: str) -> None:
    """HZ-E11: nobody changes or deletes it, with the tools of the database neither."""
    bench = Bench(store)
    bench.control("1", RunVerdict.FAILED)
    store.submit(NoteAction(line_id=1, text="new vial", actor=BO, at=NOW)).result(WAIT)
    signed(store)
    with pytest.raises(Exception, match=f"{table} are append-only"):
        file.execute(change.format(table))
