"""How the audit trail is looked through: each question goes by an index, and a strip's capture is part of its way."""

from __future__ import annotations

from datetime import timedelta

import pytest

from bridge.model import Actor
from bridge.store.commands import NoteSights, Sight
from bridge.store.database import SqliteDb
from bridge.store.reads_audit import _first_id
from bridge.store.rows import AuditSearch
from bridge.store.sqlite import SqliteStore
from tests.store import strips as s
from tests.store.strips import NOW, WAIT, later


def test_a_strip_was_received_before_it_was_judged(store: SqliteStore) -> None:
    """The bytes came under a number of their own, which the strip leads to."""
    s.post(store, "R1", destinations=("records",))
    rows = store.audit(AuditSearch(strip_id=1), limit=9)
    assert (rows[-1].event.what, rows[-1].event.subject) == ("capture.kept", "capture:1")
    assert ("strip.judged", "strip:1") in [(row.event.what, row.event.subject) for row in rows]


@pytest.mark.parametrize(
    ("where", "index"),
    [
        ("e.who = 1 AND e.who IS NOT NULL AND e.id >= 0 AND e.id < 9 ORDER BY e.id DESC LIMIT 5", "events_who"),
        ("e.kind = 1 AND e.who IS NOT NULL AND e.id >= 0 AND e.id < 9 ORDER BY e.id DESC LIMIT 5", "events_kind"),
        ("e.number = 1 AND e.kind IN (SELECT id FROM event_kinds WHERE subject = 'strip') AND e.id >= 0", "events_subject"),
    ],
)
def test_no_question_looks_through_the_whole_trail(file: SqliteDb, where: str, index: str) -> None:
    """SQLite's own plan: an index, and no sorting behind it."""
    plan = " ".join(row[3] for row in file.execute(f"EXPLAIN QUERY PLAN SELECT * FROM events e WHERE {where}"))
    assert f"USING INDEX {index}" in plan
    assert "SCAN e " not in f"{plan} "
    assert "TEMP B-TREE" not in plan


def test_a_moment_is_found_by_halving(store: SqliteStore, file: SqliteDb) -> None:
    """The first event that is not older; before all, between two, at one, behind all; also where ids are missing."""
    who = Actor(name="Bo", verified="unverified")
    for minute in range(0, 40, 2):
        sight = Sight(at=later(minute), actor=who, page="results", subject="list", address="from 192.0.2.7")
        store.submit(NoteSights(sights=(sight,))).result(WAIT)
    file.execute("DROP TRIGGER events_no_delete")
    file.execute("DELETE FROM events WHERE id BETWEEN 5 AND 9")
    first = [_first_id(file, later(minute)) for minute in (-1, 0, 1, 2, 8, 17, 18, 19, 38, 39)]
    ids = [1, 1, 2, 2, 10, 10, 10, 11, 20, 21]
    newest = [file.execute("SELECT min(id) FROM events WHERE id >= ?", (each,)).fetchone()[0] for each in first]
    assert newest == [*ids[:-1], None]
    assert _first_id(file, NOW + timedelta(days=99)) == 21
