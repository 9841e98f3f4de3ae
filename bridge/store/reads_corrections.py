"""What the pages ask of corrections. Each query is named for what it answers."""

from __future__ import annotations

from collections.abc import Callable
from datetime import datetime
from typing import Any

from bridge.bench.corrections import Call, Correction, Kind, Unit
from bridge.model import Actor, CodedResult, DeliveryState
from bridge.store.codec import json_of, moment, moment_or_none, result_of, when
from bridge.store.database import Db
from bridge.store.rows import CorrectionRow
from bridge.store.snapshots import one_snapshot

_CORRECTION = (
    "SELECT id, kind, result_id, version, new_result_id, new_version, withdrawn_version, fields, actor, verified, second, reason, at, is_critical,"
    " calls_by FROM corrections"
)


class CorrectionReads:
    """The reads of corrections; mixed into the store, which gives the connection."""

    _db: Callable[[], Db]

    @one_snapshot
    def corrections(self, *, result_id: str = "", since: datetime | None = None, limit: int = 100) -> tuple[CorrectionRow, ...]:
        """Give corrections, newest first: of a result, as it was or as it is now, or those made since then."""
        where, values = ["1 = 1"], list[object]()
        if result_id:
            where.append("(result_id = ? OR new_result_id = ?)")
            values += [result_id, result_id]
        if since is not None:
            where.append("at >= ?")
            values.append(when(since))
        found = self._db().execute(f"{_CORRECTION} WHERE {' AND '.join(where)} ORDER BY id DESC LIMIT ?", (*values, limit))
        return tuple(self._correction(row) for row in found.fetchall())

    def correction(self, correction_id: int) -> CorrectionRow | None:
        """Give one correction."""
        row = self._db().execute(f"{_CORRECTION} WHERE id = ?", (correction_id,)).fetchone()
        return self._correction(row) if row else None

    def _correction(self, row: Any) -> CorrectionRow:
        withdrawals = self._db().execute(
            "SELECT destination, state FROM deliveries WHERE result_id = ? AND version = ? ORDER BY id", (row[2], row[6] or 0)
        ).fetchall()  # fmt: skip
        calls = self._db().execute(
            "SELECT unit, told, read_back, actor, verified, at FROM calls WHERE correction_id = ? ORDER BY id", (row[0],)
        ).fetchall()  # fmt: skip
        return CorrectionRow(
            correction_id=row[0],
            correction=_said(row),
            withdrawals=tuple((destination, DeliveryState(state)) for destination, state in withdrawals),
            calls=tuple(
                Call(unit=Unit(unit), told=told, read_back=bool(read_back), by=Actor(name=actor, verified=verified), at=moment(at))
                for unit, told, read_back, actor, verified, at in calls
            ),
        )  # fmt: skip

    def result_versions(self, result_id: str) -> tuple[CodedResult, ...]:
        """Give every version of a result that still has its values, oldest first."""
        found = self._db().execute("SELECT content FROM results WHERE result_id = ? ORDER BY version", (result_id,))
        return tuple(result_of(content) for (content,) in found.fetchall() if content)


def correction_of(db: Db, correction_id: int) -> Correction:
    """Give what was said of a correction, without where it stands."""
    return _said(db.execute(f"{_CORRECTION} WHERE id = ?", (correction_id,)).fetchone())


def _said(row: Any) -> Correction:
    return Correction(
        kind=Kind(row[1]), result_id=row[2], version=row[3], new_result_id=row[4], new_version=row[5],
        fields=tuple(str(name) for name in json_of(row[7])), by=Actor(name=row[8], verified=row[9]), second=row[10], reason=row[11],
        at=moment(row[12]), is_critical=bool(row[13]), calls_by=moment_or_none(row[14]),
    )  # fmt: skip
