"""What the page Telling and Today ask of critical results that somebody is to be told of."""

from __future__ import annotations

from collections.abc import Callable
from datetime import datetime
from typing import Any

from bridge.bench.telling import Critical, Means, Said, TellingStep
from bridge.store.apply_telling import TASK, task_of
from bridge.store.codec import json_of, moment, moment_or_none, when
from bridge.store.database import Db
from bridge.store.reads_shown import STRIP, strip_row
from bridge.store.rows import TellingShown, ToldStep
from bridge.store.snapshots import one_snapshot

_TELLING = f"SELECT id, capture_id, idx, rule, words, pads, (SELECT w.word FROM words w WHERE w.id = tellings.tables), {TASK} FROM tellings"
_HISTORY = (
    "SELECT at, what, name, role, means, done_at, reason, actor, verified FROM telling_steps WHERE telling_id = ? ORDER BY id"
)
_TOLD = (
    "SELECT o.at, (SELECT min(coalesce(t.done_at, t.at)) FROM telling_steps t WHERE t.telling_id = o.telling_id AND t.what = ?)"
    " FROM telling_steps o WHERE o.what = ? AND o.at >= ? AND o.at < ? ORDER BY o.id"
)


class TellingReads:
    """The reads of tasks of telling; mixed into the store, which gives the connection."""

    _db: Callable[[], Db]

    @one_snapshot
    def tellings_open(self) -> tuple[TellingShown, ...]:
        """Give every critical result that nobody closed, in the order in which they came."""
        found = self._db().execute(f"{_TELLING} WHERE state <> 'closed' ORDER BY id").fetchall()
        return tuple(self._telling(row) for row in found)

    @one_snapshot
    def tellings_closed(self, *, before: int | None = None, limit: int = 50) -> tuple[TellingShown, ...]:
        """Give critical results that were closed, the last that came first, before a task's id."""
        behind, values = ("AND id < ? ", (before, limit)) if before is not None else ("", (limit,))
        found = self._db().execute(f"{_TELLING} WHERE state = 'closed' {behind}ORDER BY id DESC LIMIT ?", values).fetchall()
        return tuple(self._telling(row) for row in found)

    @one_snapshot
    def telling(self, telling_id: int) -> TellingShown | None:
        """Give one task; None where there is none."""
        row = self._db().execute(f"{_TELLING} WHERE id = ?", (telling_id,)).fetchone()
        return self._telling(row) if row else None

    def critical_told(self, *, since: datetime, until: datetime) -> tuple[tuple[datetime, datetime | None], ...]:
        """Give the tasks of telling that were opened then, in order, each with when somebody first read it back; None for nobody yet."""
        asked = (TellingStep.TOLD.value, TellingStep.OPENED.value, when(since), when(until))
        return tuple((moment(opened), moment_or_none(told)) for opened, told in self._db().execute(_TOLD, asked).fetchall())

    def _telling(self, row: Any) -> TellingShown:
        telling_id, capture_id, index, rule, words, pads, tables, *task = row
        newest = f"{STRIP} WHERE capture_id = ? AND idx = ? ORDER BY is_newest DESC, id DESC LIMIT 1"
        strip = self._db().execute(newest, (capture_id, index)).fetchone()
        history = self._db().execute(_HISTORY, (telling_id,)).fetchall()
        values = tuple((str(each[0]), str(each[1])) for each in json_of(pads))  # type: ignore[index]  # JSON holds what apply_telling wrote
        return TellingShown(
            telling_id=telling_id,
            critical=Critical(rule=rule, text=words, values=values),
            task=task_of(tuple(task)),
            strip=strip_row(strip),
            tables=tables,
            history=tuple(_step(each) for each in history),
        )


def _step(row: Any) -> ToldStep:
    at, what, name, role, means, done_at, reason, actor, verified = row
    return ToldStep(
        said=Said(
            step=TellingStep(what),
            name=name,
            role=role,
            means=Means(means) if means else None,
            done_at=moment_or_none(done_at),
            reason=reason,
        ),
        at=moment(at),
        actor=actor,
        verified=verified,
    )
