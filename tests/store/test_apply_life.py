"""Analyzers' lives in the file: nothing is rewritten. The contract: life_contract.py."""

from __future__ import annotations

import sqlite3

import pytest

from bridge.check.rulebook import RULES
from bridge.store.apply_life import ONLY_STRIP_TYPE
from bridge.store.codec import json_of
from bridge.store.database import SqliteDb
from bridge.store.sqlite import SqliteStore
from tests.store.life_contract import OUT, said


def test_what_happened_in_the_file_can_be_neither_changed_nor_deleted(store: SqliteStore, file: SqliteDb) -> None:
    """Not even by who opens the file."""
    said(store, OUT)
    for change in ("UPDATE analyzer_events SET reason = ''", "DELETE FROM analyzer_events"):
        with pytest.raises(sqlite3.IntegrityError, match="analyzer_events are append-only"):
            file.execute(change)


def test_the_rule_that_a_confirmed_strip_type_mends_is_the_rulebooks() -> None:
    """The store stands below the checks and names the rule itself: both must say the same."""
    assert json_of(ONLY_STRIP_TYPE) == [RULES["analyzer.strip_type"].rule]
