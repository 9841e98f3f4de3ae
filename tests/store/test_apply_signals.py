"""Signals in the file: one standing signal a kind, whoever looks. The contract: signal_contract.py."""

from __future__ import annotations

import sqlite3

import pytest

from bridge.store.database import SqliteDb
from bridge.store.sqlite import SqliteStore
from tests.store.signal_contract import OPENED, keep


def test_the_file_itself_takes_no_second_signal_of_a_kind(store: SqliteStore, file: SqliteDb) -> None:
    """Whatever a defect of ours would write, a person is told once."""
    keep(store, OPENED)
    with pytest.raises(sqlite3.IntegrityError, match=r"signals\.kind"):
        file.execute(
            "INSERT INTO signals SELECT 99, kind, state, content, since, opened_at, said_at, acknowledged_by, acknowledged_at, 1 FROM signals"
        )
