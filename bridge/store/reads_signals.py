"""What looks for signals, and what the page Signals shows. Each query is named for what it answers; all go by partial indexes."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from datetime import datetime
from typing import Any

from bridge.model import Actor
from bridge.signals.causes import Standing, Stuck
from bridge.signals.kinds import Kind
from bridge.signals.machine import Signal
from bridge.store.apply_digest import last_digest
from bridge.store.codec import moment, moment_or_none, when
from bridge.store.database import Db
from bridge.store.lanes import opened
from bridge.store.rows import MuteRow, SayRow, SayState
from bridge.store.signal_codec import COLUMNS, signal_of
from bridge.store.snapshots import one_snapshot

_STANDING = f"SELECT {COLUMNS} FROM signals WHERE state <> 'ended' ORDER BY kind"
_ENDED = f"SELECT {COLUMNS} FROM signals WHERE state = 'ended' ORDER BY id DESC LIMIT ?"
_SAY = "SELECT id, signal_id, way, what, headline, text, at, state, due_at, tries, ended_at, fault, actor FROM signal_says"
_OLD_STOPS = "SELECT count(*), min(opened_at) FROM stops WHERE state = 'open' AND opened_at <= ?"
# of a STAT strip: what waits for a person, for controls, and for a receiver
_STAT_STOPS = (
    "SELECT t.id, t.opened_at FROM stops t JOIN strips s ON s.id = t.strip_id"
    " WHERE t.state = 'open' AND s.priority = 'stat' AND t.opened_at <= ? ORDER BY t.grp, t.id LIMIT ?"
)
_STAT_WAITING = "SELECT id, arrived_at FROM strips WHERE outcome = 'waiting' AND priority = 'stat' AND arrived_at <= ? ORDER BY analyzer, strip_type, strip_lot LIMIT ?"
_STAT_SENT = (
    "SELECT r.strip_id, d.born_at FROM deliveries d JOIN results r ON r.result_id = d.result_id AND r.version = d.version"
    f" WHERE d.priority = 'stat' AND {opened('d.')} AND d.born_at <= ? ORDER BY d.destination, d.lane LIMIT ?"
)
_FOR_CONTROLS = (
    "SELECT analyzer, count(*), min(arrived_at) FROM strips WHERE outcome = 'waiting' GROUP BY analyzer ORDER BY analyzer"
)


class SignalReads:
    """The reads of signals; mixed into the store, which gives the connection."""

    _db: Callable[[], Db]

    def standing_signals(self) -> tuple[Signal, ...]:
        """Give the signals that are not over, by kind."""
        return tuple(map(signal_of, self._db().execute(_STANDING)))

    def last_digest(self) -> datetime | None:
        """Give for which time the last digest of a shift was kept; None before the first."""
        return last_digest(self._db())

    def ended_signals(self, *, limit: int) -> tuple[Signal, ...]:
        """Give signals that are over, newest first."""
        return tuple(map(signal_of, self._db().execute(_ENDED, (limit,))))

    def muted_kinds(self, *, now: datetime) -> tuple[MuteRow, ...]:
        """Give the kinds that are muted at ``now``, by kind."""
        rows = self._db().execute(
            "SELECT kind, until, actor, verified, at, reason FROM signal_mutes WHERE until > ? ORDER BY kind", (when(now),)
        )
        return tuple(
            MuteRow(kind=Kind(kind), until=moment(until), by=Actor(name=actor, verified=verified), at=moment(at), reason=reason)
            for kind, until, actor, verified, at, reason in rows
        )

    def due_says(self, *, now: datetime, limit: int) -> tuple[SayRow, ...]:
        """Give what is to be said by ``now``, oldest first."""
        return self._says("WHERE state = 'due' AND due_at <= ? ORDER BY id LIMIT ?", (when(now), limit))

    def says_of(self, signal_id: int) -> tuple[SayRow, ...]:
        """Give what was said of a signal or is to be said, oldest first."""
        return self._says("WHERE signal_id = ? ORDER BY id", (signal_id,))

    def newest_says(self, *, limit: int) -> tuple[SayRow, ...]:
        """Give what was said last, of whatever signal, and the last tests; newest first."""
        return self._says("ORDER BY id DESC LIMIT ?", (limit,))

    def _says(self, which: str, values: tuple[Any, ...]) -> tuple[SayRow, ...]:
        return tuple(map(_say, self._db().execute(f"{_SAY} {which}", values)))

    def old_stops(self, *, before: datetime) -> Standing | None:
        """Count the open stops that were opened by ``before``, and give the oldest's time; None where there is none."""
        count, oldest = self._db().execute(_OLD_STOPS, (when(before),)).fetchone()
        return Standing(count=count, since=moment(oldest)) if count else None

    @one_snapshot
    def stuck_stat(self, *, before: datetime, limit: int) -> tuple[Stuck, ...]:
        """Give STAT strips that have stood since ``before``: stopped, waiting for controls, or not received; at most ``limit`` of each."""
        return tuple(self._stuck(before, limit))

    def _stuck(self, before: datetime, limit: int) -> Iterator[Stuck]:
        for sort, query in (("stop", _STAT_STOPS), ("strip", _STAT_WAITING), ("strip", _STAT_SENT)):
            first: dict[int, str] = {}  # a strip may wait for several receivers
            for number, since in self._db().execute(query, (when(before), limit)):
                first[number] = min(since, first.get(number, since))
            for number, since in sorted(first.items()):
                yield Stuck(subject=f"{sort}:{number}", since=moment(since))

    def waiting_for_controls(self) -> tuple[Standing, ...]:
        """Count by analyzer the strips that wait for controls, with the arrival of the first."""
        found = self._db().execute(_FOR_CONTROLS)
        return tuple(Standing(name=analyzer, count=count, since=moment(since)) for analyzer, count, since in found)


def _say(row: tuple[Any, ...]) -> SayRow:
    return SayRow(
        say_id=row[0],
        signal_id=row[1],
        way=row[2],
        what=row[3],
        headline=row[4],
        text=row[5],
        at=moment(row[6]),
        state=SayState(row[7]),
        due_at=moment_or_none(row[8]),
        tries=row[9],
        ended_at=moment_or_none(row[10]),
        fault=row[11],
        actor=row[12],
    )
