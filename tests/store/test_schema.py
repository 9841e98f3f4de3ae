"""The declared tables: what their indexes are for, and what they refuse."""

from __future__ import annotations

import re
import sqlite3

import pytest

from bridge.lifecycle.states import OPEN_DELIVERY
from bridge.store.database import SqliteDb
from bridge.store.reads_work import OPEN
from bridge.store.schema import metadata

WORDS = re.compile(r"'(\w+)'")


def test_what_holds_a_lane_is_spelt_alike_everywhere() -> None:
    """The partial index serves a query only if both say the same states as the state table."""
    (index,) = [each for each in metadata.tables["deliveries"].indexes if each.name == "deliveries_open"]
    for kind in ("sqlite", "postgresql"):
        assert set(WORDS.findall(str(index.dialect_options[kind]["where"]))) == OPEN_DELIVERY
    assert str(index.dialect_options["sqlite"]["where"]) == f"state IN {OPEN}"


@pytest.mark.parametrize(
    ("statement", "words"),
    [
        ("INSERT INTO intake (capture_id, analyzer, next_index, because) VALUES (99, 'a', 0, '')", "FOREIGN KEY"),
        ("INSERT INTO attempts (delivery_id, started_at, code, words) VALUES (99, 'x', '', '')", "FOREIGN KEY"),
        ("INSERT INTO meta (name, value) VALUES ('epoch', 'X')", "UNIQUE constraint failed: meta.name"),
        ("INSERT INTO meta (name) VALUES ('other')", "NOT NULL constraint failed: meta.value"),
    ],
)
def test_what_belongs_to_nothing_is_refused(file: SqliteDb, statement: str, words: str) -> None:
    """The file itself keeps rows together, whatever a later program does."""
    file.execute("PRAGMA foreign_keys = ON")
    with pytest.raises(sqlite3.IntegrityError, match=words):
        file.execute(statement)
