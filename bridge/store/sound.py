"""Whether what a store says of itself is so: its bytes, its references, its lanes, and that nothing waits where nobody sees it.

Only reads, stretch by stretch, so that it may be asked beside a running service. What the service is just doing is seen as a whole: each
question is one statement.
"""

from __future__ import annotations

import hashlib
from collections.abc import Iterator

from bridge.lifecycle.states import OVER_DELIVERY, STOPPED_DELIVERY
from bridge.store.codec import unpacked
from bridge.store.database import Db
from bridge.store.lanes import OPEN, opened
from bridge.store.reads_shown import SENT_TO

AT_ONCE = 500  # ours: captures unpacked by one question; some hundred kilobytes
# ours: the newest whose bytes are compared with their digests, some tens of seconds; older ones have stood longer
MOST_CAPTURES = 100_000
_OVER = ", ".join(f"'{state}'" for state in sorted(OVER_DELIVERY))
_STOPPED = ", ".join(f"'{state}'" for state in sorted(STOPPED_DELIVERY))

# What is counted must be none. Each is answered from an index of what is open or seldom.
_COUNTS: tuple[tuple[str, str, str], ...] = (
    (
        "lanes: each with something open has a head",
        (
            f"SELECT count(*) FROM deliveries d WHERE {opened('d.')} AND NOT EXISTS (SELECT 1 FROM deliveries h WHERE h.destination = d.destination"
            " AND h.lane = d.lane AND h.is_head = 1)"
        ),
        "{} waiting messages stand in lanes that nothing leads; they are not sent",
    ),
    (
        "lanes: every head is open",
        f"SELECT count(*) FROM deliveries WHERE is_head = 1 AND NOT ({OPEN})",
        "{} lanes are led by a message that is over; what stands behind it is not sent",
    ),
    (
        "lanes: the oldest goes first",
        (
            "SELECT count(*) FROM deliveries h WHERE h.is_head = 1 AND h.state <> 'sending' AND EXISTS (SELECT 1 FROM deliveries d WHERE d.destination ="
            f" h.destination AND d.lane = h.lane AND {opened('d.')} AND d.id < h.id)"
        ),
        "{} lanes are led by a younger message than their oldest",
    ),
    (
        "deliveries: none waits for one that is over",
        f"SELECT count(*) FROM deliveries d JOIN deliveries a ON a.id = d.after WHERE d.is_blocked = 1 AND {opened('d.')} AND a.state IN ({_OVER})",
        "{} messages wait for an earlier version that is over; they are not sent",
    ),
    (
        "deliveries: none waits for additions that nobody is asked for",
        (
            f"SELECT count(*) FROM deliveries d WHERE d.is_blocked = 1 AND d.after IS NULL AND {opened('d.')} AND NOT EXISTS"
            " (SELECT 1 FROM additions_awaited a WHERE a.state = 'open' AND a.result_id = d.result_id AND a.version = d.version)"
        ),
        "{} messages wait for additions, and stand on no list; they are not sent",
    ),
    (
        "deliveries: each that stopped stands on Rejected messages",
        (
            f"SELECT count(*) FROM deliveries d WHERE d.destination IN ({SENT_TO}) AND d.state IN ({_STOPPED})"
            " AND d.id NOT IN (SELECT t.delivery_id FROM stops t WHERE t.state = 'open' AND t.delivery_id IS NOT NULL)"
        ),
        "{} messages stopped and stand on no list; nobody sees them",
    ),
    (
        "strips: each that is held stands on Rejected messages",
        (
            # "<> 'coded'", as the index of the seldom ones says it
            "SELECT count(*) FROM strips s WHERE s.outcome = 'held' AND s.outcome <> 'coded' AND s.is_newest = 1"
            " AND NOT EXISTS (SELECT 1 FROM stops t WHERE t.strip_id = s.id AND t.state = 'open')"
            # what a person has just decided about is held until it is judged again
            " AND NOT EXISTS (SELECT 1 FROM intake i WHERE i.capture_id = s.capture_id AND i.ended_at IS NULL)"
        ),
        "{} strips are held and stand on no list; nobody sees them",
    ),
    (
        "results: each that waits has its values",
        (
            f"SELECT count(*) FROM deliveries d WHERE {opened('d.')} AND NOT EXISTS (SELECT 1 FROM results r WHERE r.result_id = d.result_id"
            " AND r.version = d.version AND length(r.content) > 0)"
        ),
        "{} waiting messages have no result behind them",
    ),
)


def faults(db: Db) -> Iterator[tuple[str, str]]:
    """Give (what was looked at, what is wrong with it), the latter "" where all is well; one line a check, as they come."""
    for line, query, fault in _COUNTS:
        (count,) = db.execute(query).fetchone()
        yield line, fault.format(count) if count else ""
    yield from _digests(db)


def file_faults(db: Db) -> Iterator[tuple[str, str]]:
    """Give what SQLite itself finds wrong with a file: its pages and indexes, and rows that name a row which is not there."""
    (verdict,) = db.execute("PRAGMA quick_check(1)").fetchone()
    yield "file: pages and indexes", "" if verdict == "ok" else f"damaged ({verdict})"
    wrong: dict[str, int] = {}
    for table, *_ in db.execute("PRAGMA foreign_key_check"):
        wrong[table] = wrong.get(table, 0) + 1
    yield "file: references", ", ".join(f"{count} rows of {table} name a row that is not there" for table, count in wrong.items())


def _digests(db: Db) -> Iterator[tuple[str, str]]:
    (newest,) = db.execute("SELECT coalesce(max(id), 0) FROM captures").fetchone()
    first = max(newest - MOST_CAPTURES, 0)
    looked_at, wrong = 0, []
    for after in range(first, newest, AT_ONCE):
        kept = "SELECT id, digest, payload FROM captures WHERE id > ? AND id <= ? AND purged_at IS NULL"
        for capture_id, digest, payload in db.execute(kept, (after, after + AT_ONCE)).fetchall():
            looked_at += 1
            if _digest(payload) != digest:
                wrong.append(str(capture_id))
    fault = f"the bytes of {len(wrong)} are not what came in, the first of them capture {wrong[0]}" if wrong else ""
    yield f"captures: bytes of the newest {looked_at}", fault


def _digest(payload: bytes) -> str:
    """Give the digest of what is kept, "" where it cannot be unpacked."""
    try:
        return hashlib.sha256(unpacked(payload)).hexdigest()
    except Exception:  # noqa: BLE001 - whatever spoilt bytes do to what unpacks them, they are spoilt
        return ""
