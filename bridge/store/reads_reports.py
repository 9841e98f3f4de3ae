"""What reports ask of a time by arrival. Each question walks the strips or stops of that time by an index, whatever else is stored."""

from __future__ import annotations

from collections.abc import Callable
from datetime import date, datetime
from itertools import groupby
from typing import Any

from bridge.bench.operators import Operator
from bridge.bench.stop_figures import Stopped
from bridge.bench.turnaround import Travelled, Went
from bridge.bench.workload import Handled
from bridge.model import Purpose
from bridge.store.codec import json_of, moment, moment_or_none, when
from bridge.store.database import Db

# A strip that was judged again or corrected has several rows, and a result several versions: the first of each moment counts. What takes a
# result back says nothing of how long it took.
_TAKEN_BACK = "SELECT 1 FROM corrections c WHERE c.result_id = d.result_id AND c.withdrawn_version = d.version"
_TURNED_AWAY = "SELECT 1 FROM stops t WHERE t.strip_id = s.id AND t.delivery_id = d.id AND t.grp = 'refused'"
_TRAVELLED = (
    "SELECT s.capture_id, s.idx, min(s.analyzer), min(s.priority), max(CASE WHEN s.is_newest = 1 THEN s.analyzed_at END), min(s.arrived_at),"
    " d.destination, min(d.born_at), min(d.first_attempt_at), min(d.accepted_at),"
    " min(CASE WHEN d.state IN ('accepted', 'superseded', 'discarded') THEN 1 ELSE 0 END),"
    f" max(CASE WHEN EXISTS ({_TURNED_AWAY}) THEN 1 ELSE 0 END)"
    " FROM strips s INDEXED BY strips_arrived JOIN deliveries d ON d.result_id = s.result_id"
    f" WHERE s.arrived_at >= ? AND s.arrived_at < ? AND s.result_id <> '' AND s.purpose = 'patient' AND NOT EXISTS ({_TAKEN_BACK})"
    " GROUP BY s.capture_id, s.idx, d.destination ORDER BY s.capture_id, s.idx, d.destination"
)
_HANDLED = (
    "SELECT capture_id, idx, outcome, findings, analyzer, operator, purpose, analyzed_at, arrived_at FROM strips INDEXED BY strips_arrived"
    " WHERE arrived_at >= ? AND arrived_at < ? ORDER BY capture_id, idx, id"
)
_STOP = "t.grp, t.rule, t.analyzer, t.opened_at, t.closed_at, t.closed_how, t.closed_by, t.id"
_STOPPED = (  # a file that was not taken, and a capture that was never judged, have no strip; there are few of them
    f"SELECT {_STOP} FROM strips s INDEXED BY strips_arrived JOIN stops t ON t.strip_id = s.id WHERE s.arrived_at >= ? AND s.arrived_at < ?"
    f" UNION ALL SELECT {_STOP} FROM stops t WHERE t.strip_id IS NULL AND t.opened_at >= ? AND t.opened_at < ? ORDER BY 8"
)
_NEWER = "SELECT id, arrived_at FROM strips WHERE id > ? ORDER BY id LIMIT ?"


class ReportReads:
    """The reads of reports; mixed into the store, which gives the connection. Times are from ``since`` and before ``until``."""

    _db: Callable[[], Db]

    def travelled(self, *, since: datetime, until: datetime) -> tuple[Travelled, ...]:
        """Give the patients' strips that arrived then and whose result went on its way, in the order in which they were kept."""
        found = self._db().execute(_TRAVELLED, (when(since), when(until))).fetchall()
        return tuple(_travelled(tuple(ways)) for _, ways in groupby(found, key=lambda row: (row[0], row[1])))

    def handled(self, *, since: datetime, until: datetime) -> tuple[Handled, ...]:
        """Give every strip that arrived then, as it was understood last, in the order in which they were kept."""
        rules: dict[str, frozenset[str]] = {}  # findings are alike; their JSON is read once
        found = self._db().execute(_HANDLED, (when(since), when(until))).fetchall()
        seats = (_handled(tuple(rows), rules) for _, rows in groupby(found, key=lambda row: (row[0], row[1])))
        return tuple(each for each in seats if each is not None)

    def stopped(self, *, since: datetime, until: datetime) -> tuple[Stopped, ...]:
        """Give the stops of strips that arrived then, and those of no strip that were opened then, as they stand now."""
        span = (when(since), when(until))
        return tuple(
            Stopped(group, rule, analyzer, moment(opened), moment_or_none(closed), how if closed else "", by if closed else "")
            for group, rule, analyzer, opened, closed, how, by, _ in self._db().execute(_STOPPED, (*span, *span)).fetchall()
        )

    def operators_ever(self) -> tuple[tuple[Operator, datetime | None], ...]:
        """Give every entry of the register that there ever was, in the order in which they were entered, each with when it was ended."""
        found = self._db().execute("SELECT analyzer, number, name, since, until, ended_at FROM operators ORDER BY id").fetchall()
        return tuple(
            (
                Operator(
                    analyzer=analyzer,
                    number=number,
                    name=name,
                    since=date.fromisoformat(since),
                    until=date.fromisoformat(until) if until else None,
                ),
                moment_or_none(ended),
            )
            for analyzer, number, name, since, until, ended in found
        )

    def arrivals_behind(self, strip_id: int, *, limit: int) -> tuple[tuple[int, datetime], ...]:
        """Give the strips that were judged, judged again or corrected behind one, by id, each with when it arrived."""
        return tuple((new, moment(at)) for new, at in self._db().execute(_NEWER, (strip_id, limit)).fetchall())


def _travelled(ways: tuple[Any, ...]) -> Travelled:
    _, _, analyzer, priority, printed, arrived, *_ = ways[0]
    return Travelled(
        analyzer,
        priority,
        moment_or_none(printed),
        moment(arrived),
        moment(min(way[7] for way in ways)),
        tuple(Went(way[6], moment_or_none(way[8]), moment_or_none(way[9]), bool(way[10]), bool(way[11])) for way in ways),
    )


def _handled(rows: tuple[Any, ...], rules: dict[str, frozenset[str]]) -> Handled | None:
    """Give a strip of its rows, oldest first: what was found of any of them; None where the last reading took them all back."""
    last = next((row for row in reversed(rows) if row[2] != "superseded"), None)
    if last is None:
        return None
    for row in rows:
        if row[3] not in rules:
            stored: Any = json_of(row[3])
            rules[row[3]] = frozenset(str(rule) for rule, _, _ in stored)
    found = rules[last[3]] if len(rows) == 1 else frozenset().union(*(rules[row[3]] for row in rows))
    _, _, outcome, _, analyzer, operator, purpose, analyzed, arrived = last
    arrived_at = moment(arrived)
    return Handled(analyzer, operator, Purpose(purpose), outcome, moment_or_none(analyzed) or arrived_at, arrived_at, found)
