"""What the pages ask of the store. Each query is named for what it answers."""

from __future__ import annotations

from collections.abc import Callable
from datetime import UTC, date, datetime, time, timedelta
from typing import Any
from zoneinfo import ZoneInfo

from bridge.model import DeliveryState, Format, Message, Place, Priority, Purpose
from bridge.store import rows
from bridge.store.apply_audit import ASKED, SEEN
from bridge.store.codec import json_of, moment, moment_of, moment_or_none, result_of, unpacked, unpacked_column, when
from bridge.store.database import Db
from bridge.store.interned import parted
from bridge.store.snapshots import one_snapshot

STRIP = (
    "SELECT id, capture_id, idx, outcome, analyzer, mode, series, number, purpose, priority, patient_id, specimen_id, operator, strip_type, strip_lot,"
    " analyzed_at, arrived_at, judged_at, copy_of, result_id, findings, printed, place_start, place_end, record_digest,"
    " (SELECT w.word FROM words w WHERE w.id = strips.tables), purged_at FROM strips"
)
# The destinations that anything was ever sent to, one step of an index each
SENT_TO = (
    "WITH RECURSIVE named (who) AS (SELECT min(destination) FROM deliveries UNION ALL"
    " SELECT (SELECT min(e.destination) FROM deliveries e WHERE e.destination > named.who) FROM named WHERE named.who IS NOT NULL)"
    " SELECT who FROM named WHERE who IS NOT NULL"
)
# The strips that a technician's text may mean; each part is one look into an index
_FOUND = (
    "SELECT id FROM strips WHERE number = ? UNION SELECT id FROM strips WHERE specimen_id = ? AND specimen_id <> ''"
    " UNION SELECT id FROM strips WHERE patient_printed = ? AND patient_id = ? AND purpose = 'patient'"
    " UNION SELECT id FROM strips WHERE patient_id = ? AND patient_id <> patient_printed AND purpose = 'patient'"
    " UNION SELECT strip_id FROM results WHERE result_id IN (SELECT result_id FROM deliveries WHERE control_id = ?)"
)
# The time of analysis as a person corrected it, of the strip s
_CORRECTED = (
    "(SELECT d.analyzed_at FROM decisions d WHERE d.capture_id = s.capture_id AND d.idx = s.idx AND d.record_digest = s.record_digest"
    " AND d.analyzed_at IS NOT NULL ORDER BY d.id DESC LIMIT 1)"
)
MOST_FEW = 500  # ours: results that are named one by one in a question
_NO_PADS = b"[]"
_DELIVERY = (
    "SELECT id, destination, result_id, version, coalesce(control_id, ''), state, attempts, born_at, due_at, accepted_at, last_code, lane, priority,"
    " coalesce(payload_digest, '') FROM deliveries"
)


def strip_row(row: Any) -> rows.StripRow:
    """Give a strip from what ``STRIP`` selects."""
    return rows.StripRow(
        strip_id=row[0], capture_id=row[1], index=row[2], outcome=row[3], analyzer=row[4], mode=row[5], series=row[6], number=row[7],
        purpose=Purpose(row[8]), priority=Priority(row[9]), patient_id=row[10], specimen_id=row[11], operator=row[12], strip_type=row[13],
        strip_lot=row[14], analyzed_at=moment_or_none(row[15]), arrived_at=moment(row[16]), judged_at=moment(row[17]), copy_of=row[18],
        result_id=row[19], findings=tuple(tuple(f) for f in json_of(row[20])), pads=tuple(tuple(p) for p in json_of(unpacked_column(row[21] or _NO_PADS))),  # type: ignore[arg-type,misc]  # JSON holds what apply_outcome wrote
        place=Place(start=row[22], end=row[23]), record_digest=row[24], tables_digest=row[25], purged_at=moment_or_none(row[26]),
    )  # fmt: skip


def _delivery(row: Any) -> rows.DeliveryRow:
    return rows.DeliveryRow(
        delivery_id=row[0], destination=row[1], result_id=row[2], version=row[3], control_id=row[4], state=DeliveryState(row[5]), attempts=row[6],
        born_at=moment(row[7]), due_at=moment_or_none(row[8]), accepted_at=moment_or_none(row[9]), last_code=row[10], lane=row[11],
        priority=Priority(row[12]), payload_digest=row[13],
    )  # fmt: skip


def bounds_of(day: date, zone: ZoneInfo) -> tuple[str | None, str | None]:
    """Give the beginning and end of a local day as stored times."""
    start = datetime.combine(day, time(), tzinfo=zone).astimezone(UTC)
    end = datetime.combine(day + timedelta(days=1), time(), tzinfo=zone).astimezone(UTC)
    return when(start), when(end)


class ShownReads:
    """The reads of the pages; mixed into the store, which gives the connection."""

    _db: Callable[[], Db]

    # --- results and strips

    @one_snapshot
    def results(
        self,
        *,
        before: int | None = None,
        limit: int = 50,
        search: str = "",
        day: tuple[date, ZoneInfo] | None = None,
        states: frozenset[DeliveryState] = frozenset(),
    ) -> tuple[rows.ResultRow, ...]:
        """Give results, newest first, before the strip id ``before``; patients' and, where they were sent, controls'.

        ``search``: patient ID, number, specimen or control ID. ``day``: arrived on that local day. ``states``: at least one
        receiver's delivery of the newest version is in one of them.
        """
        table, where = "strips s", ["s.outcome IN ('coded', 'withdrawn', 'non_patient')"]
        values: list[Any] = []
        if day is not None:
            table = "strips s INDEXED BY strips_arrived"  # a day's strips, and not all that came since
            where.append("s.arrived_at >= ? AND s.arrived_at < ?")
            values += bounds_of(*day)
        if states:
            here, its = self._in_states(states)
            where.append(here)
            values += its
        if before is not None:
            where.append("s.id < ?")
            values.append(before)
        if search:
            where.append(f"s.id IN ({_FOUND})")
            values += [search] * 6
        found = self._db().execute(
            "SELECT s.id, r.result_id, r.version, s.analyzer, s.number, s.patient_id, s.priority, s.analyzed_at, s.judged_at, s.abnormal, s.arrived_at, s.purpose,"
            f" {_CORRECTED}, s.outcome FROM {table} JOIN results r ON r.strip_id = s.id WHERE {' AND '.join(where)} ORDER BY s.id DESC LIMIT ?",
            (*values, limit),
        ).fetchall()  # fmt: skip
        return tuple(self._result_row(row) for row in found)

    def _in_states(self, states: frozenset[DeliveryState]) -> tuple[str, list[str]]:
        """Give the condition that a result's newest version is in one of ``states`` somewhere, and its values.

        Few such deliveries are named one by one; of many the newest results are looked at in turn, and a page is soon full.
        """
        marks = ", ".join("?" * len(states))
        of_states = f"d.destination IN ({SENT_TO}) AND d.state IN ({marks})"
        few = self._db().execute(f"SELECT DISTINCT d.result_id FROM deliveries d WHERE {of_states} LIMIT ?", (*sorted(states), MOST_FEW + 1)).fetchall()  # fmt: skip
        here = f"EXISTS (SELECT 1 FROM deliveries d WHERE d.result_id = r.result_id AND d.version = r.version AND d.state IN ({marks}))"
        if len(few) > MOST_FEW:
            return here, sorted(states)
        named = f"r.result_id IN ({', '.join('?' * len(few))})" if few else "r.result_id = ''"
        return f"{named} AND {here}", [*(row[0] for row in few), *sorted(states)]

    def _result_row(self, row: Any) -> rows.ResultRow:
        states = self._db().execute(
            "SELECT destination, state FROM deliveries WHERE result_id = ? AND version = ? ORDER BY id", (row[1], row[2])
        )
        purpose = Purpose(row[11])
        return rows.ResultRow(
            strip_id=row[0], result_id=row[1], version=row[2], analyzer=row[3], number=row[4],
            patient_id=row[5] if purpose is Purpose.PATIENT else "", purpose=purpose, priority=Priority(row[6]),
            analyzed_at=moment(row[12] or row[7] or row[10]), judged_at=moment(row[8]), abnormal=row[9],
            states=tuple((destination, DeliveryState(state)) for destination, state in states), is_withdrawn=row[13] == "withdrawn",
        )  # fmt: skip

    @one_snapshot
    def result(self, result_id: str) -> rows.ResultDetail | None:
        """Give one result's newest version with its whole way."""
        row = (
            self._db()
            .execute(
                "SELECT strip_id, content, version FROM results WHERE result_id = ? ORDER BY version DESC LIMIT 1", (result_id,)
            )
            .fetchone()
        )
        if row is None:
            return None
        strip = self.strip(row[0])
        assert strip is not None
        return rows.ResultDetail(
            strip=strip,
            version=row[2],
            result=result_of(row[1]) if row[1] else None,
            deliveries=tuple(self._way(d) for d in self.deliveries(result_id)),
        )

    def _way(self, delivery: rows.DeliveryRow) -> tuple[rows.DeliveryRow, Message, tuple[rows.AttemptRow, ...]]:
        fmt, payload = (
            self._db()
            .execute(
                "SELECT d.format, m.payload FROM deliveries d LEFT JOIN messages m ON m.delivery_id = d.id WHERE d.id = ?",
                (delivery.delivery_id,),
            )
            .fetchone()
        )
        message = Message(
            destination=delivery.destination, format=Format(fmt or "oru_r01"), control_id=delivery.control_id, payload=unpacked(payload) if payload else b"",
            result_id=delivery.result_id, version=delivery.version, lane=delivery.lane, priority=delivery.priority,
        )  # fmt: skip
        tries = self._db().execute(
            "SELECT started_at, ended_at, code, words FROM attempts WHERE delivery_id = ? ORDER BY id", (delivery.delivery_id,)
        )
        shown = tuple(
            rows.AttemptRow(started_at=moment(t[0]), ended_at=moment_or_none(t[1]), code=t[2], text=t[3]) for t in tries
        )
        return delivery, message, shown

    def strip(self, strip_id: int) -> rows.StripRow | None:
        """Give one judged strip."""
        row = self._db().execute(f"{STRIP} WHERE id = ?", (strip_id,)).fetchone()
        return strip_row(row) if row else None

    def capture_strips(self, capture_id: int) -> tuple[rows.StripRow, ...]:
        """Give the newest interpretation of every strip of a capture, by index; superseded ones left out."""
        return tuple(
            strip_row(row)
            for row in self._db().execute(f"{STRIP} WHERE capture_id = ? AND is_newest = 1 ORDER BY idx", (capture_id,))
        )

    def strips(self, *, outcome: str = "", before: int | None = None, limit: int = 50) -> tuple[rows.StripRow, ...]:
        """Give judged strips, newest first, superseded ones left out unless asked for by ``outcome``."""
        where, values = (["outcome = ?"], [outcome]) if outcome else (["outcome <> 'superseded'"], [])
        if outcome not in ("", "coded"):
            where.append("outcome <> 'coded'")  # as the index of the seldom ones says it
        if before is not None:
            where.append("id < ?")
            values.append(before)  # type: ignore[arg-type]  # a database takes both
        return tuple(
            strip_row(row)
            for row in self._db().execute(f"{STRIP} WHERE {' AND '.join(where)} ORDER BY id DESC LIMIT ?", (*values, limit))
        )

    def deliveries(self, result_id: str) -> tuple[rows.DeliveryRow, ...]:
        """Give a result's deliveries of all versions, oldest first."""
        return tuple(_delivery(row) for row in self._db().execute(f"{_DELIVERY} WHERE result_id = ? ORDER BY id", (result_id,)))

    def events(self, subject: str) -> tuple[rows.EventRow, ...]:
        """Give the history of ``stop:ID``, ``strip:ID``, ``delivery:ID`` or ``destination:NAME``, oldest first; who looked at it is the audit trail's."""
        sort, number = parted(subject)
        found = self._db().execute(
            "SELECT e.at_us, k.actor, k.verified, k.what, k.before, k.after, e.reason FROM events e JOIN event_kinds k ON k.id = e.kind"
            " WHERE e.number = ? AND e.kind IN (SELECT id FROM event_kinds WHERE subject = ? AND what NOT IN (?, ?)) ORDER BY e.id",
            (number, sort, SEEN, ASKED),
        )
        return tuple(
            rows.EventRow(
                at=moment_of(e[0]), actor=e[1], verified=e[2], what=e[3], subject=subject, before=e[4], after=e[5], reason=e[6]
            )
            for e in found
        )
