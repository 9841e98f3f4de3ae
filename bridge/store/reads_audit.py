"""The audit trail for people: by who, what, strip and time, a page at a time from an index, however long the trail is."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from heapq import nlargest
from typing import Any

from bridge.model import SERVICE
from bridge.store.apply_audit import verified_of
from bridge.store.codec import microseconds, moment_of
from bridge.store.database import Db
from bridge.store.interned import joined
from bridge.store.rows import AuditRow, AuditSearch, EventRow, Verified
from bridge.store.snapshots import one_snapshot

_EVENT = (
    "SELECT e.id, e.at_us, k.actor, k.verified, k.what, k.subject, e.number, k.before, k.after, e.reason"
    " FROM events e JOIN event_kinds k ON k.id = e.kind"
)
_LAST = 2**62  # behind every id
READ_AT_ONCE = 2_000  # ours: a megabyte of rows
# A strip, its capture, its stops, and the deliveries of its result
_OF_STRIP = (
    "SELECT 'strip', id FROM strips WHERE id = ?1 UNION ALL SELECT 'capture', capture_id FROM strips WHERE id = ?1"
    " UNION ALL SELECT 'stop', id FROM stops WHERE strip_id = ?1 UNION ALL"
    " SELECT 'delivery', d.id FROM results r JOIN deliveries d ON d.result_id = r.result_id AND d.version = r.version WHERE r.strip_id = ?1"
).replace("?1", "?")


class AuditReads:
    """The reads of the audit trail; mixed into the store, which gives the connection."""

    _db: Callable[[], Db]

    @one_snapshot
    def audit(self, wanted: AuditSearch, *, before: int | None = None, limit: int) -> tuple[AuditRow, ...]:
        """Give events of the audit trail, newest first, from before the event ``before``."""
        db = self._db()
        first = _first_id(db, wanted.since) if wanted.since else 0
        end = min(before or _LAST, _first_id(db, wanted.until) if wanted.until else _LAST)
        if wanted.strip_id is not None:
            found = _of_strip(db, wanted, (first, end))
        elif wanted.what:
            found = _of_kinds(db, wanted, (first, end), limit)
        else:
            found = _of_time(db, wanted.who, (first, end), limit)
        return tuple(map(_row, nlargest(limit, found)))

    def verified(self) -> Verified | None:
        """Give what the last walk along every chain found; None before the first."""
        return verified_of(self._db())

    def audit_names(self) -> tuple[tuple[str, ...], tuple[str, ...]]:
        """Give who did or saw something, and what, each in the order of the alphabet."""
        rows = self._db().execute("SELECT DISTINCT actor, what FROM event_kinds WHERE actor <> ?", (SERVICE.name,)).fetchall()
        return tuple(sorted({row[0] for row in rows})), tuple(sorted({row[1] for row in rows}))


def oldest_first(db: Db, wanted: AuditSearch) -> Iterator[AuditRow]:
    """Give the whole trail between two moments, oldest first, read some thousand events at a time; inside one transaction."""
    last = (_first_id(db, wanted.since) if wanted.since else 0) - 1
    end = _first_id(db, wanted.until) if wanted.until else _LAST
    while found := db.execute(
        f"{_EVENT} WHERE e.id > ? AND e.id < ? ORDER BY e.id LIMIT ?", (last, end, READ_AT_ONCE)
    ).fetchall():
        yield from map(_row, found)
        last = found[-1][0]


def _of_strip(db: Db, wanted: AuditSearch, ids: tuple[int, int]) -> Iterable[tuple[Any, ...]]:
    subjects = db.execute(_OF_STRIP, (wanted.strip_id,) * 4).fetchall()
    for sort, number in subjects:
        of_subject = "e.number = ? AND e.kind IN (SELECT id FROM event_kinds WHERE subject = ?) AND e.id >= ? AND e.id < ?"
        for row in db.execute(f"{_EVENT} WHERE {of_subject}", (number, sort, *ids)).fetchall():
            if wanted.who in ("", row[2]) and wanted.what in ("", row[4]):
                yield row


def _of_kinds(db: Db, wanted: AuditSearch, ids: tuple[int, int], limit: int) -> Iterable[tuple[Any, ...]]:
    """Give the newest of each kind: there are some for each person, and each has them in order."""
    kinds = "SELECT id FROM event_kinds WHERE what = ? AND (? = '' OR actor = ?)"
    for (kind,) in db.execute(kinds, (wanted.what, wanted.who, wanted.who)).fetchall():
        of_kind = "e.kind = ? AND e.who IS NOT NULL AND e.id >= ? AND e.id < ? ORDER BY e.id DESC LIMIT ?"
        yield from db.execute(f"{_EVENT} WHERE {of_kind}", (kind, *ids, limit)).fetchall()


def _of_time(db: Db, who: str, ids: tuple[int, int], limit: int) -> Iterable[tuple[Any, ...]]:
    if not who:
        return db.execute(f"{_EVENT} WHERE e.id >= ? AND e.id < ? ORDER BY e.id DESC LIMIT ?", (*ids, limit)).fetchall()
    row = db.execute("SELECT id FROM words WHERE word = ?", (who,)).fetchone()
    of_who = "e.who = ? AND e.who IS NOT NULL AND e.id >= ? AND e.id < ? ORDER BY e.id DESC LIMIT ?"
    return db.execute(f"{_EVENT} WHERE {of_who}", (row[0], *ids, limit)).fetchall() if row else ()


def _first_id(db: Db, at: Any) -> int:
    """Give the id from which on events are not older than a moment, halving the ids: they come in the order of time but for a clock that was set."""
    at_us = microseconds(at)
    low, high = 0, int(db.execute("SELECT coalesce(max(id), 0) + 1 FROM events").fetchone()[0])
    while low < high:
        middle = (low + high) // 2
        row = db.execute("SELECT id, at_us FROM events WHERE id >= ? ORDER BY id LIMIT 1", (middle,)).fetchone()
        if row is None or row[1] >= at_us:
            high = middle
        else:
            low = int(row[0]) + 1
    return low


def _row(found: tuple[Any, ...]) -> AuditRow:
    event_id, at_us, actor, verified, what, sort, number, before, after, reason = found
    event = EventRow(
        at=moment_of(at_us), actor=actor, verified=verified, what=what, subject=joined(sort, number), before=before, after=after, reason=reason
    )  # fmt: skip
    return AuditRow(event_id=event_id, event=event)
