"""What Today asks of the store. Every question costs what the last days brought or what is open, however much was ever stored."""

from __future__ import annotations

from collections.abc import Callable
from datetime import date, datetime
from typing import Any
from zoneinfo import ZoneInfo

from bridge.bench.feed import Came
from bridge.lifecycle.states import OPEN_DELIVERY, STOPPED_DELIVERY, DestinationState
from bridge.model import DeliveryState, Purpose, Severity
from bridge.store import rows
from bridge.store.codec import json_of, moment, moment_or_none, when
from bridge.store.database import Db
from bridge.store.reads_runs import RunReads
from bridge.store.reads_shown import SENT_TO, bounds_of
from bridge.store.snapshots import one_snapshot

# Names alone, one step of an index each: DISTINCT would walk through every row of all years
_ANALYZERS = (
    "WITH RECURSIVE heard (who) AS (SELECT min(analyzer) FROM captures UNION ALL"
    " SELECT (SELECT min(c.analyzer) FROM captures c WHERE c.analyzer > heard.who) FROM heard WHERE heard.who IS NOT NULL)"
    " SELECT who FROM heard WHERE who IS NOT NULL"
)
# The last strip that came, and not the row that was written last: a correction or a reading anew writes one of an old strip
_LAST = (
    "SELECT arrived_at, coalesce((SELECT n.number FROM strips n WHERE n.capture_id = s.capture_id AND n.idx = s.idx AND n.is_newest = 1), s.number)"
    " FROM strips s WHERE analyzer = ? AND NOT EXISTS (SELECT 1 FROM strips e WHERE e.capture_id = s.capture_id AND e.idx = s.idx AND e.id < s.id)"
    " ORDER BY id DESC LIMIT 1"
)
_COUNT = "SELECT count(*) FROM deliveries WHERE destination = ? AND state = ? AND born_at >= ?"
_OLDEST = "SELECT min(born_at) FROM deliveries WHERE destination = ? AND state = ?"
_OF_DAY = "s.arrived_at >= ? AND s.arrived_at < ?"
# A day's strips and the numbers of a series come in one text each: thousands of rows made one by one in Python cost several times as much
# Which findings decide what became of a strip: those that hold it, and an error of the analyzer's, which used a number
_FAULT = """(s.findings LIKE '%["analyzer.fault"%' OR s.findings LIKE '%["pad.error"%')"""
_TOLD = f"s.outcome = 'held' OR (s.outcome IN ('rejected', 'discarded') AND {_FAULT})"
_DAY_GROUPS = (
    f"SELECT s.analyzer, s.mode, s.series, s.outcome, s.purpose, CASE WHEN {_TOLD} THEN s.findings ELSE '' END AS held_by,"
    " group_concat(CAST(s.id AS TEXT), ','), group_concat(s.number, ',') FROM strips s INDEXED BY strips_arrived"
    f" WHERE {_OF_DAY} AND s.outcome <> 'superseded' GROUP BY s.analyzer, s.mode, s.series, s.outcome, s.purpose, held_by"
)
_NEWER = (
    "SELECT 1 FROM deliveries n WHERE n.result_id = d.result_id AND n.destination = d.destination"
    " AND (n.version > d.version OR (n.version = d.version AND n.id > d.id))"
)
_DAY_SENT = (
    f"SELECT d.destination, d.state, EXISTS ({_NEWER}) AS is_older, max(d.accepted_at), group_concat(CAST(s.id AS TEXT), ',')"
    " FROM strips s INDEXED BY strips_arrived JOIN deliveries d ON d.result_id = s.result_id"
    f" WHERE {_OF_DAY} AND s.result_id <> '' AND s.outcome IN ('coded', 'withdrawn', 'non_patient') GROUP BY d.destination, d.state, is_older"
)
_TRIED = "SELECT 1 FROM deliveries WHERE destination = ? AND (attempts > 0 OR state = 'unsure') LIMIT 1"


class TodayReads(RunReads):
    """The reads of Today; mixed into the store, which gives the connection."""

    _db: Callable[[], Db]

    def came_lately(self, analyzer: str, *, limit: int) -> tuple[Came, ...]:
        """Give an analyzer's newest patients' strips and what could not be read, copies left out: what stopped each, newest first."""
        found = self._db().execute(
            "SELECT arrived_at, findings FROM strips WHERE analyzer = ? AND is_newest = 1 AND purpose = 'patient' AND outcome <> 'copy'"
            " ORDER BY id DESC LIMIT ?",
            (analyzer, limit),
        )
        return tuple(Came(arrived_at=moment(row[0]), stopped_by=_stopping(row[1])) for row in found)

    @one_snapshot
    def destinations(self, *, since: datetime | None = None) -> tuple[rows.DestinationRow, ...]:
        """Give every destination that was ever named, by name; ``accepted`` counts what was made since then, without it all."""
        db = self._db()
        states = {row[0]: row[1:] for row in db.execute("SELECT name, state, reason, since FROM destinations")}
        names = states.keys() | {name for (name,) in db.execute(SENT_TO)}

        def counted(name: str, *states: DeliveryState, born_from: str = "") -> int:
            return sum(db.execute(_COUNT, (name, state, born_from)).fetchone()[0] for state in states)

        def oldest(name: str) -> datetime | None:
            found = (db.execute(_OLDEST, (name, state)).fetchone()[0] for state in OPEN_DELIVERY)
            return moment_or_none(min((at for at in found if at), default=None))

        return tuple(
            rows.DestinationRow(
                name=name,
                state=DestinationState(states[name][0] if name in states else "open"),
                reason=states[name][1] if name in states else "",
                since=moment(states[name][2]) if name in states else None,
                waiting=counted(name, *OPEN_DELIVERY),
                oldest=oldest(name),
                accepted=counted(name, DeliveryState.ACCEPTED, born_from=when(since) or ""),
                refused=counted(name, *STOPPED_DELIVERY),
                is_tried=name in states or db.execute(_TRIED, (name,)).fetchone() is not None,
            )
            for name in sorted(names)
        )

    @one_snapshot
    def analyzers(self) -> tuple[rows.AnalyzerRow, ...]:
        """Give every analyzer that was ever heard, by name."""
        db = self._db()
        work = dict(db.execute("SELECT analyzer, count(*) FROM intake WHERE ended_at IS NULL GROUP BY analyzer"))
        found = ((name, db.execute(_LAST, (name,)).fetchone()) for (name,) in db.execute(_ANALYZERS).fetchall())
        return tuple(
            rows.AnalyzerRow(
                analyzer=name,
                last_strip_at=moment(strip[0]) if strip else None,
                last_number=strip[1] if strip else "",
                waiting_to_be_judged=work.get(name, 0),
            )
            for name, strip in found
        )

    @one_snapshot
    def day(self, day: date, zone: ZoneInfo) -> rows.DayStrips:
        """Give everything that the day tally adds up, by arrival within the local day."""
        db, span = self._db(), bounds_of(day, zone)
        sent = db.execute(_DAY_SENT, span).fetchall()
        refused = (
            "SELECT count(*) FROM stops t JOIN refused_files f ON f.stop_id = t.id WHERE t.opened_at >= ? AND t.opened_at < ?"
        )
        return rows.DayStrips(
            day=day,
            groups=tuple(_group(row) for row in db.execute(_DAY_GROUPS, span)),
            sent=tuple(
                rows.DaySent(destination=destination, state=DeliveryState(state), strips=tuple(sorted(map(int, ids.split(",")))))
                for destination, state, is_older, _, ids in sent
                if not is_older
            ),
            refused_files=db.execute(refused, span).fetchone()[0],
            last_accepted_at=moment_or_none(max((at for _, _, _, at, _ in sent if at), default=None)),
            runs=self._runs_within(span),
        )


def _group(row: tuple[str, ...]) -> rows.DayGroup:
    analyzer, mode, series, outcome, purpose, findings, ids, numbers = row
    rules = tuple(str(found[0]) for found in json_of(findings)) if findings else ()  # type: ignore[index]  # JSON holds what apply_outcome wrote
    strips = sorted(zip(map(int, ids.split(",")), numbers.split(","), strict=True))
    return rows.DayGroup(
        analyzer=analyzer, mode=mode, series=series, outcome=outcome, purpose=Purpose(purpose), rules=rules, strips=tuple(strips)
    )


def _stopping(findings: str) -> frozenset[str]:
    stored: list[Any] = json_of(findings)
    return frozenset(rule for rule, severity, _ in stored if severity != Severity.NOTE)
