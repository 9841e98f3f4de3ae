"""What the pages ask of what is stopped. Each query is named for what it answers."""

from __future__ import annotations

import json
from collections.abc import Callable, Mapping, Sequence
from datetime import datetime
from hashlib import blake2s
from typing import Any

from bridge.lifecycle.states import StopGroup, StopState
from bridge.model import Place, Priority, Purpose
from bridge.store import rows
from bridge.store.apply_desk import why_not
from bridge.store.apply_stop import TURNS
from bridge.store.codec import json_of, moment, moment_or_none, when
from bridge.store.commands import CloseStop
from bridge.store.database import Db
from bridge.store.rows import EVERY_STOP
from bridge.store.snapshots import one_snapshot

_STOP = (
    "SELECT t.id, t.grp, t.state, t.rule, t.sentence, t.remedy, t.place_start, t.place_end, t.opened_at, t.repeats, t.last_repeat_at, t.source,"
    " t.analyzer, coalesce(s.number, ''), coalesce(s.patient_id, ''), coalesce(s.priority, 'routine'), t.releasable, t.rules, t.capture_id, s.idx,"
    " t.strip_id, t.delivery_id, coalesce(d.destination, ''), t.receiver_words, t.closed_at, t.closed_by, t.closed_how, t.closed_reason,"
    " coalesce(s.purpose, 'patient'), t.closed_with, t.specimen, t.owner"
    " FROM stops t LEFT JOIN strips s ON s.id = t.strip_id LEFT JOIN deliveries d ON d.id = t.delivery_id"
)
# What stood for the same strip before a stop, whichever reading of it; of two messages only where they are for the same receiver
_BEFORE = (
    "SELECT e.id FROM stops t JOIN strips s ON s.id = t.strip_id JOIN strips o ON o.capture_id = s.capture_id AND o.idx = s.idx"
    " JOIN stops e ON e.strip_id = o.id AND e.id < t.id LEFT JOIN deliveries td ON td.id = t.delivery_id LEFT JOIN deliveries ed ON ed.id = e.delivery_id"
    " WHERE t.id = ? AND (td.id IS NULL OR ed.id IS NULL OR td.destination = ed.destination) ORDER BY e.id"
)
_TURNS = (
    "SELECT e.id FROM events e WHERE e.id > ? AND e.kind IN (SELECT id FROM event_kinds WHERE subject = 'stop' AND what IN (?, ?))"
    " ORDER BY e.id LIMIT ?"
)
_CALM = "(CASE WHEN s.priority = 'stat' THEN 0 ELSE 1 END)"
_WHERE = "CASE WHEN t.analyzer = '' THEN t.source ELSE t.analyzer END"  # a file that could not be read is of its source alone
_STANDING = (  # small tables, or an index of a few rows
    "SELECT name, state, reason FROM destinations ORDER BY name",
    "SELECT destination, at FROM pauses WHERE ended_at IS NULL ORDER BY destination",
    "SELECT id, state FROM signals WHERE state <> 'ended' ORDER BY kind",
    "SELECT kind, until FROM signal_mutes ORDER BY kind",
)
MOST_NEWS = 1_000  # ours: a person who sees as many opens the page anew, however many more there are


def _stop(row: Any) -> rows.StopRow:
    return rows.StopRow(
        stop_id=row[0], group=StopGroup(row[1]), state=StopState(row[2]), rule=row[3], sentence=row[4], remedy=row[5],
        place=None if row[6] is None else Place(start=row[6], end=row[7]), opened_at=moment(row[8]), repeats=row[9],
        last_repeat_at=moment_or_none(row[10]), source=row[11], analyzer=row[12], number=row[13], patient_id=row[14], priority=Priority(row[15]),
        releasable=bool(row[16]), rules=tuple(str(rule) for rule in json_of(row[17])), capture_id=row[18], index=row[19], strip_id=row[20],
        delivery_id=row[21], destination=row[22], receiver_words=row[23], closed_at=moment_or_none(row[24]), closed_by=row[25], closed_how=row[26],
        closed_reason=row[27], purpose=Purpose(row[28]), closed_with=row[29], specimen=row[30], owner=row[31],
    )  # fmt: skip


def _searched(search: rows.StopSearch) -> tuple[list[str], list[Any]]:
    """Give the conditions and the values of a search among open stops."""
    where, values = ["t.state = 'open'"], []
    for condition, value in (
        ("t.grp = ?", search.group),
        ("t.rule = ?", search.rule),
        ("coalesce(s.priority, 'routine') = ?", search.priority),
        (f"{_WHERE} = ?", search.analyzer),
        ("d.destination = ?", search.destination),
        ("t.opened_at > ?", search.opened_after and when(search.opened_after)),
        ("t.opened_at <= ?", search.opened_until and when(search.opened_until)),
    ):
        if value:
            where.append(condition)
            values.append(value)
    if search.owner is not None:
        where.append("t.owner = ?")
        values.append(search.owner)
    return where, values


class StopReads:
    """The reads of the page Rejected messages; mixed into the store, which gives the connection."""

    _db: Callable[[], Db]
    events: Callable[[str], tuple[rows.EventRow, ...]]

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
        self, search: rows.StopSearch = EVERY_STOP, *, after: int | None = None, limit: int = 100
    ) -> tuple[rows.StopRow, ...]:
        """Give open stops, the most urgent first: STAT before routine, then what waits longest; from behind the stop id ``after``."""
        where, values = _searched(search)
        if after is not None:  # the last row shown may have been closed since: its place in the order stays
            where.append(
                f"({_CALM}, t.id) > (coalesce((SELECT CASE WHEN s2.priority = 'stat' THEN 0 ELSE 1 END FROM stops t2"
                " LEFT JOIN strips s2 ON s2.id = t2.strip_id WHERE t2.id = ?), 1), ?)"
            )
            values += [after, after]
        query = f"{_STOP} WHERE {' AND '.join(where)} ORDER BY {_CALM}, t.id LIMIT ?"
        return tuple(_stop(row) for row in self._db().execute(query, (*values, limit)))

    def newer_stops(self, search: rows.StopSearch, *, after: int, limit: int) -> tuple[rows.StopRow, ...]:
        """Give open stops that came after the stop id ``after``, newest first."""
        where, values = _searched(search)
        query = f"{_STOP} WHERE {' AND '.join(where)} AND t.id > ? ORDER BY t.id DESC LIMIT ?"
        return tuple(_stop(row) for row in self._db().execute(query, (*values, after, limit)))

    def stop_counts(self, edges: Sequence[datetime]) -> tuple[rows.StopCount, ...]:
        """Count the open stops of each kind that a list is narrowed by; ``edges`` part them by when they were opened, the latest first."""
        ages = " ".join(f"WHEN t.opened_at > ? THEN {place}" for place in range(len(edges)))
        age = f"CASE {ages} ELSE {len(edges)} END" if edges else "0"
        found = self._db().execute(
            f"SELECT t.grp, t.rule, {_WHERE}, coalesce(d.destination, ''), t.owner, {age} age, count(*), min(t.opened_at)"
            " FROM stops t LEFT JOIN deliveries d ON d.id = t.delivery_id WHERE t.state = 'open' GROUP BY 1, 2, 3, 4, 5, 6 ORDER BY 1, 2, 3, 4, 5, 6",
            tuple(when(edge) for edge in edges),
        )
        return tuple(
            rows.StopCount(
                group=StopGroup(row[0]),
                rule=row[1],
                analyzer=row[2],
                destination=row[3],
                owner=row[4],
                age=row[5],
                count=row[6],
                oldest=moment(row[7]),
            )
            for row in found
        )

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
            standing=self._standing(),
        )

    def _standing(self) -> str:
        said = [list(row) for query in _STANDING for row in self._db().execute(query)]
        return blake2s(json.dumps(said).encode(), digest_size=8).hexdigest()

    def stop(self, stop_id: int) -> rows.StopRow | None:
        """Give one stop."""
        row = self._db().execute(f"{_STOP} WHERE t.id = ?", (stop_id,)).fetchone()
        return _stop(row) if row else None

    @one_snapshot
    def why_not(self, command: CloseStop) -> str:
        """Say why a command would be refused as things stand, in the words that it would be refused with; "" where it would not."""
        return why_not(self._db(), command)

    @one_snapshot
    def stop_events(self, stop_id: int) -> tuple[rows.EventRow, ...]:
        """Give the history of a stop and of what stood for the same strip before it, oldest first; of a message, not what another receiver said."""
        before = [row[0] for row in self._db().execute(_BEFORE, (stop_id,)).fetchall()]
        found = (event for each in (*before, stop_id) for event in self.events(f"stop:{each}"))
        return tuple(sorted(found, key=lambda event: event.at))

    @one_snapshot
    def stop_turns(self, *, after: int) -> rows.Turns:
        """Give the events by which stops became somebody's or ended, from behind an event's id; and the newest id of all events."""
        last = int(self._db().execute("SELECT coalesce(max(id), 0) FROM events").fetchone()[0])
        found = self._db().execute(_TURNS, (after, *TURNS, MOST_NEWS)).fetchall()
        return rows.Turns(events=tuple(row[0] for row in found), last_event=last)

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
