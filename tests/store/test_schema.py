"""The declared tables: what their indexes are for, and what they refuse."""

from __future__ import annotations

import re
import sqlite3

import pytest

from bridge.lifecycle.states import OPEN_DELIVERY
from bridge.store.database import SqliteDb
from bridge.store.lanes import MAY_GO, OPEN, WAITING
from bridge.store.schema import metadata

WORDS = re.compile(r"'(\w+)'")


def test_what_holds_a_lane_is_spelt_alike_everywhere() -> None:
    """The partial index serves a query only if both say the same states as the state table."""
    assert set(WORDS.findall(OPEN)) == OPEN_DELIVERY
    parts = {str(index.name): index for index in metadata.tables["deliveries"].indexes}
    for name, words in (
        ("deliveries_waiting", WAITING),
        ("deliveries_stat", f"priority = 'stat' AND {OPEN}"),
        ("deliveries_tables", OPEN),
        ("deliveries_ready", f"{MAY_GO} AND due_at IS NULL"),
        ("deliveries_due", f"{MAY_GO} AND due_at IS NOT NULL"),
    ):
        for kind in ("sqlite", "postgresql"):
            assert str(parts[name].dialect_options[kind]["where"]) == words


def test_a_lane_has_one_head(file: SqliteDb) -> None:
    """The file itself lets no second message of a lane stand at its front, whatever a later program does."""
    insert = (
        "INSERT INTO deliveries (destination, lane, priority, result_id, version, format, state, attempts, born_at, last_code, is_head)"
        " VALUES (?, ?, 'routine', ?, 1, '', 'queued', 0, 'x', '', ?)"
    )
    for values in (("records", "A", "R1", 1), ("records", "A", "R2", 0), ("records", "B", "R3", 1), ("chart", "A", "R1", 1)):
        file.execute(insert, values)
    with pytest.raises(sqlite3.IntegrityError, match=r"UNIQUE constraint failed: deliveries\.destination, deliveries\.lane"):
        file.execute(insert, ("records", "A", "R4", 1))


def test_a_version_of_a_result_waits_once_for_a_destination(file: SqliteDb) -> None:
    """Whatever two processes do at once, and whatever became of it: what is sent again is the same delivery."""
    insert = (
        "INSERT INTO deliveries (destination, lane, priority, result_id, version, format, state, attempts, born_at, last_code)"
        " VALUES (?, 'A', 'routine', 'R1', ?, '', ?, 0, 'x', '')"
    )
    for values in (("records", 1, "queued"), ("records", 2, "unborn"), ("chart", 1, "sending"), ("chart", 2, "accepted")):
        file.execute(insert, values)
    for state in ("unborn", "queued", "sending", "retrying", "accepted"):
        for destination, version in (("records", 1), ("chart", 2)):
            with pytest.raises(
                sqlite3.IntegrityError, match=r"deliveries\.result_id, deliveries\.version, deliveries\.destination"
            ):
                file.execute(insert, (destination, version, state))


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
