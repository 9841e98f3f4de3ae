"""What the pages ask of the store. Each query is named for what it answers."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from datetime import UTC, date, datetime, time, timedelta
from typing import Any
from zoneinfo import ZoneInfo

from bridge.lifecycle.states import StopGroup, StopState
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
_STOP = (
    "SELECT t.id, t.grp, t.state, t.rule, t.sentence, t.remedy, t.place_start, t.place_end, t.opened_at, t.repeats, t.last_repeat_at, t.source,"
    " t.analyzer, coalesce(s.number, ''), coalesce(s.patient_id, ''), coalesce(s.priority, 'routine'), t.releasable, t.rules, t.capture_id, s.idx,"
    " t.strip_id, t.delivery_id, coalesce(d.destination, ''), t.receiver_words, t.closed_at, t.closed_by, t.closed_how, t.closed_reason,"
    " coalesce(s.purpose, 'patient'), t.closed_with, t.specimen"
    " FROM stops t LEFT JOIN strips s ON s.id = t.strip_id LEFT JOIN deliveries d ON d.id = t.delivery_id"
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
MOST_NEWS = 1_000  # ours: a person who sees as many opens the page anew, however many more there are
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


def _stop(row: Any) -> rows.StopRow:
    return rows.StopRow(
        stop_id=row[0], group=StopGroup(row[1]), state=StopState(row[2]), rule=row[3], sentence=row[4], remedy=row[5],
        place=None if row[6] is None else Place(start=row[6], end=row[7]), opened_at=moment(row[8]), repeats=row[9],
        last_repeat_at=moment_or_none(row[10]), source=row[11], analyzer=row[12], number=row[13], patient_id=row[14], priority=Priority(row[15]),
        releasable=bool(row[16]), rules=tuple(str(rule) for rule in json_of(row[17])), capture_id=row[18], index=row[19], strip_id=row[20],
        delivery_id=row[21], destination=row[22], receiver_words=row[23], closed_at=moment_or_none(row[24]), closed_by=row[25], closed_how=row[26],
        closed_reason=row[27], purpose=Purpose(row[28]), closed_with=row[29], specimen=row[30],
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

    # --- stops

    def stops(
        self,
        *,
        group: StopGroup | None = None,
        rule: str = "",
        priority: Priority | None = None,
        is_open: bool = True,
        before: int | None = None,
        limit: int = 100,
    ) -> tuple[rows.StopRow, ...]:
        """Give stops, newest first, before the stop id ``before``; of one group, rule or priority where one is named."""
        where, values = ["t.state = ?"], ["open" if is_open else "closed"]
        for column, value in (("t.grp", group), ("t.rule", rule), ("coalesce(s.priority, 'routine')", priority)):
            if value:
                where.append(f"{column} = ?")
                values.append(value)
        if before is not None:
            where.append("t.id < ?")
            values.append(before)  # type: ignore[arg-type]  # a database takes both
        query = f"{_STOP} WHERE {' AND '.join(where)} ORDER BY t.id DESC LIMIT ?"
        return tuple(_stop(row) for row in self._db().execute(query, (*values, limit)))

    def urgent_stops(
        self,
        *,
        group: StopGroup | None = None,
        rule: str = "",
        priority: Priority | None = None,
        after: int | None = None,
        limit: int = 100,
    ) -> tuple[rows.StopRow, ...]:
        """Give open stops, the most urgent first: STAT before routine, then what waits longest; from behind the stop id ``after``."""
        calm = "(CASE WHEN s.priority = 'stat' THEN 0 ELSE 1 END)"
        where, values = ["t.state = 'open'"], []
        for column, value in (("t.grp", group), ("t.rule", rule), ("coalesce(s.priority, 'routine')", priority)):
            if value:
                where.append(f"{column} = ?")
                values.append(value)
        if after is not None:  # the last row shown may have been closed since: its place in the order stays
            where.append(
                f"({calm}, t.id) > (coalesce((SELECT CASE WHEN s2.priority = 'stat' THEN 0 ELSE 1 END FROM stops t2"
                " LEFT JOIN strips s2 ON s2.id = t2.strip_id WHERE t2.id = ?), 1), ?)"
            )
            values += [after, after]  # type: ignore[list-item]  # a database takes both
        query = f"{_STOP} WHERE {' AND '.join(where)} ORDER BY {calm}, t.id LIMIT ?"
        return tuple(_stop(row) for row in self._db().execute(query, (*values, limit)))

    @one_snapshot
    def news(self, *, after_stop: int, after_strip: int) -> rows.News:
        """Give what came after a stop id and a strip id; counts end at ``MOST_NEWS``."""

        def last(table: str) -> int:
            return int(self._db().execute(f"SELECT coalesce(max(id), 0) FROM {table}").fetchone()[0])

        def newer(table: str, which: str, after: int) -> int:
            query = f"SELECT count(*) FROM (SELECT 1 FROM {table} WHERE {which} AND id > ? LIMIT ?) newer"
            return int(self._db().execute(query, (after, MOST_NEWS)).fetchone()[0])

        return rows.News(
            stops=newer("stops", "state = 'open'", after_stop),
            strips=newer("strips", "outcome <> 'superseded'", after_strip),
            last_stop=last("stops"),
            last_strip=last("strips"),
        )

    def stop(self, stop_id: int) -> rows.StopRow | None:
        """Give one stop."""
        row = self._db().execute(f"{_STOP} WHERE t.id = ?", (stop_id,)).fetchone()
        return _stop(row) if row else None

    def refused_file(self, stop_id: int) -> rows.RefusedFileRow | None:
        """Give the file behind a stop that has no capture."""
        row = (
            self._db().execute("SELECT name, digest, size, beginning FROM refused_files WHERE stop_id = ?", (stop_id,)).fetchone()
        )
        return rows.RefusedFileRow(name=row[0], digest=row[1], size=row[2], beginning=row[3]) if row else None

    def open_stops(self) -> Mapping[StopGroup, int]:
        """Count the open stops of each group."""
        counts = dict(self._db().execute("SELECT grp, count(*) FROM stops WHERE state = 'open' GROUP BY grp"))
        return {group: counts.get(group.value, 0) for group in StopGroup}

    def open_reasons(self) -> tuple[tuple[StopGroup, str, int], ...]:
        """Count the open stops of each (group, rule), in order of group and rule."""
        found = self._db().execute(
            "SELECT grp, rule, count(*) FROM stops WHERE state = 'open' GROUP BY grp, rule ORDER BY grp, rule"
        )
        return tuple((StopGroup(group), rule, count) for group, rule, count in found)

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
            f" {_CORRECTED} FROM {table} JOIN results r ON r.strip_id = s.id WHERE {' AND '.join(where)} ORDER BY s.id DESC LIMIT ?",
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
            states=tuple((destination, DeliveryState(state)) for destination, state in states),
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
