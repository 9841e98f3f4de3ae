"""Day logs in the file: nothing is ever rewritten, whoever tries. The contract: day_log_contract.py."""

from __future__ import annotations

import sqlite3

import pytest

from bridge.check.rulebook import RULES
from bridge.store.apply_day_log import ONLY_MISSING
from bridge.store.codec import json_of
from bridge.store.database import SqliteDb
from bridge.store.sqlite import SqliteStore
from tests.store.day_log_contract import CLEANED, WARM, noted


def test_a_line_in_the_file_can_be_neither_changed_nor_deleted(store: SqliteStore, file: SqliteDb) -> None:
    """Not even by who opens the file."""
    noted(store, CLEANED, WARM)
    for change in ("UPDATE day_log SET typed = '22'", "DELETE FROM day_log"):
        with pytest.raises(sqlite3.IntegrityError, match="day_log are append-only"):
            file.execute(change)
    assert file.execute("SELECT item, typed, scale FROM day_log ORDER BY id").fetchall() == [
        ("cleaning", "", ""),
        ("temperature", "72", "°C"),
    ]


def test_the_rule_that_a_complete_log_mends_is_the_rulebooks() -> None:
    """The store stands below the checks and names the rule itself: both must say the same."""
    assert json_of(ONLY_MISSING) == [RULES["day_log.missing"].rule]
