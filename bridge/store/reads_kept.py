"""Stored captures with their patients' strips, for trying rules over them. Only reads."""

from __future__ import annotations

from collections.abc import Callable
from typing import cast

from bridge.model import Capture, Way
from bridge.rehearsal import Kept, KeptStrip
from bridge.store.codec import json_of, moment, unpacked
from bridge.store.database import Db
from bridge.store.snapshots import one_snapshot

_CAPTURES = "SELECT id, analyzer, profile, source, way, name, arrived_at, torn, live, payload FROM captures WHERE id < ? ORDER BY id DESC LIMIT ?"
_STRIPS = (
    "SELECT capture_id, id, idx, number, record_digest, findings FROM strips WHERE capture_id BETWEEN ? AND ? AND is_newest = 1 AND purpose = 'patient'"
    " AND outcome NOT IN ('copy', 'unreadable') ORDER BY capture_id, idx"
)
_TOLD = "SELECT capture_id, idx, rule FROM tellings WHERE capture_id BETWEEN ? AND ?"
NEWEST = 2**62  # behind every id that a database gives


class KeptReads:
    """The reads of stored captures; mixed into the store, which gives the connection."""

    _db: Callable[[], Db]

    @one_snapshot
    def kept_before(self, before: int | None, *, limit: int) -> tuple[Kept, ...]:
        """Give stored captures, the newest first, before a capture's id (None: from the newest), each with its patients' strips."""
        db = self._db()
        captures = db.execute(_CAPTURES, (before or NEWEST, limit)).fetchall()
        if not captures:
            return ()
        between = captures[-1][0], captures[0][0]
        told: dict[tuple[int, int], set[str]] = {}
        for capture_id, index, rule in db.execute(_TOLD, between).fetchall():
            told.setdefault((capture_id, index), set()).add(rule)
        strips: dict[int, list[KeptStrip]] = {}
        for capture_id, strip_id, index, number, digest, findings in db.execute(_STRIPS, between).fetchall():
            strips.setdefault(capture_id, []).append(
                KeptStrip(
                    strip_id=strip_id,
                    index=index,
                    number=number,
                    record_digest=digest,
                    told=frozenset(told.get((capture_id, index), ())),
                    found=frozenset(str(each[0]) for each in cast("list[list[str]]", json_of(findings))),
                )
            )
        return tuple(
            Kept(
                capture_id=row[0],
                analyzer=row[1],
                profile=row[2],
                capture=Capture(
                    source=row[3],
                    way=Way(row[4]),
                    name=row[5],
                    arrived_at=moment(row[6]),
                    torn=bool(row[7]),
                    live=bool(row[8]),
                    payload=unpacked(row[9]) if row[9] else b"",
                ),
                strips=tuple(strips.get(row[0], ())),
            )
            for row in captures
        )
