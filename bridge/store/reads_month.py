"""What the monthly review asks of a month's controls. Each query is named for what it answers."""

from __future__ import annotations

from collections.abc import Callable
from datetime import date
from typing import Any

from bridge.bench.containers import ContainerEnd
from bridge.bench.look_back import Verdict
from bridge.bench.month import Action, Facts, Happened, Month, Opened, Release, Reviewed, Window
from bridge.bench.month_due import Use
from bridge.bench.run_text import kept_run
from bridge.model import Actor, GateState
from bridge.store.codec import moment, moment_or_none, when
from bridge.store.database import Db
from bridge.store.reads_gate import EVENT, event_row
from bridge.store.rows import ControlledSpan, GateEventRow, MonthSignature
from bridge.store.snapshots import one_snapshot

_OF = "analyzer = ? AND strip_type = ?"
_HISTORY = f"{EVENT} WHERE {_OF} AND at >= ? AND at < ? ORDER BY at, capture_id, idx, id"
_STOOD = f"SELECT after FROM gate_events WHERE {_OF} AND strip_lot = ? AND at < ? ORDER BY at DESC, capture_id DESC, idx DESC, id DESC LIMIT 1"
_LOTS = f"SELECT DISTINCT strip_lot FROM gate_events WHERE {_OF}"
# the store's times have one form, so their first sixteen characters are the minute; controls.* are the rules of check/controls.py
_USES = (
    "SELECT strip_lot, min(arrived_at), count(*), sum(CASE WHEN outcome = 'coded' AND findings LIKE '%[\"controls.%' THEN 1 ELSE 0 END) FROM strips INDEXED BY strips_arrived"
    f" WHERE {_OF} AND arrived_at >= ? AND arrived_at < ? AND purpose = 'patient' AND is_newest = 1 AND outcome <> 'copy'"
    " GROUP BY strip_lot, substr(arrived_at, 1, 16) ORDER BY min(arrived_at), strip_lot"
)
_ACTIONS = (
    "SELECT a.event_id, a.content, a.actor, a.verified, a.at FROM corrective_actions a JOIN gate_events e ON e.id = a.event_id"
    " WHERE e.analyzer = ? AND e.strip_type = ? AND e.at >= ? AND e.at < ? ORDER BY a.id"
)
_RELEASES = (
    "SELECT s.id, s.number, s.strip_lot, d.actor, d.verified, d.at, d.capture_id, d.idx FROM decisions d"
    " JOIN strips s ON s.capture_id = d.capture_id AND s.idx = d.idx AND s.is_newest = 1"
    " WHERE d.at >= ? AND d.at < ? AND d.rules LIKE '%\"controls.%' AND s.analyzer = ? AND s.strip_type = ? ORDER BY d.id"
)
_WHY = (  # a strip that waited has it in its history, one that was held with its stop
    "SELECT e.reason FROM strips s JOIN events e ON e.number = s.id JOIN event_kinds k ON k.id = e.kind"
    " WHERE s.capture_id = ? AND s.idx = ? AND k.subject = 'strip' AND k.what = 'strip.released'"
    " UNION ALL SELECT t.closed_reason FROM strips s JOIN stops t ON t.strip_id = s.id"
    " WHERE s.capture_id = ? AND s.idx = ? AND t.closed_how = 'released' AND t.closed_at = ?"
)
_REVIEWED = (
    "SELECT s.id, s.number, s.strip_lot, e.at, l.verdict, l.actor, l.verified, l.decided_at, l.reason FROM gate_events e"
    " JOIN look_backs l ON l.failed_capture_id = e.capture_id AND l.failed_idx = e.idx"
    " JOIN strips s ON s.capture_id = l.capture_id AND s.idx = l.idx AND s.is_newest = 1"
    " WHERE e.analyzer = ? AND e.strip_type = ? AND e.at >= ? AND e.at < ? AND e.what = 'failed' ORDER BY l.capture_id, l.idx"
)
_CONTAINERS = (
    "SELECT strip_lot, opened_at, expires FROM containers WHERE analyzer = ? AND strip_type = ? AND opened_at < ?"
    " AND (closed_at IS NULL OR closed_at >= ?) AND closed_how <> ? ORDER BY opened_at, id"
)
_SIGNED = (
    "SELECT id, analyzer, strip_type, month, content, digest, statement, remark, actor, verified, at FROM month_signatures"
    " WHERE month >= ? AND month <= ?{} ORDER BY month DESC, id DESC"
)


class MonthReads:
    """The reads of the monthly review; mixed into the store, which gives the connection."""

    _db: Callable[[], Db]

    @one_snapshot
    def month_facts(self, month: Month, window: Window) -> Facts:
        """Give all that is known of a month of controls."""
        of, inside = (month.analyzer, month.strip_type), (when(month.begins), when(month.ends))
        db, around = self._db(), (when(window.since), when(window.until))
        history = tuple(happened(event_row(row)) for row in db.execute(_HISTORY, (*of, *around)).fetchall())
        lots = [lot for (lot,) in db.execute(_LOTS, of).fetchall()]
        stood = ((lot, db.execute(_STOOD, (*of, lot, around[0])).fetchone()) for lot in lots)
        containers = db.execute(_CONTAINERS, (*of, inside[1], inside[0], ContainerEnd.MISTAKE)).fetchall()
        return Facts(
            history=history,
            uses=tuple(
                Use(strip_lot=lot, at=moment(at), strips=strips, noted=noted)
                for lot, at, strips, noted in db.execute(_USES, (*of, *inside))
            ),
            stood={lot: GateState(row[0]) for lot, row in stood if row is not None},
            actions=tuple(
                Action(line_id=row[0], text=row[1], by=Actor(name=row[2], verified=row[3]), at=moment(row[4]))
                for row in db.execute(_ACTIONS, (*of, *inside)).fetchall()
            ),
            releases=tuple(self._release(row) for row in db.execute(_RELEASES, (*inside, *of)).fetchall()),
            reviewed=tuple(_reviewed(row) for row in db.execute(_REVIEWED, (*of, *inside)).fetchall()),
            containers=tuple(
                Opened(strip_lot=row[0], opened_at=moment(row[1]), expires=date.fromisoformat(row[2])) for row in containers
            ),
        )

    def _release(self, row: Any) -> Release:
        seat = (row[6], row[7])
        why = self._db().execute(_WHY, (*seat, *seat, row[5])).fetchone()
        return Release(
            strip_id=row[0],
            number=row[1],
            strip_lot=row[2],
            by=Actor(name=row[3], verified=row[4]),
            at=moment(row[5]),
            reason=why[0] if why else "",
        )

    def control_spans(self) -> tuple[ControlledSpan, ...]:
        """Give each analyzer and strip type that a gate's history is of, by name."""
        found = self._db().execute(
            "SELECT analyzer, strip_type, min(at), max(at) FROM gate_events GROUP BY analyzer, strip_type ORDER BY analyzer, strip_type"
        )
        return tuple(
            ControlledSpan(analyzer=row[0], strip_type=row[1], first_at=moment(row[2]), last_at=moment(row[3])) for row in found
        )

    def month_signatures(self, *, since: date, until: date, of: tuple[str, str] | None = None) -> tuple[MonthSignature, ...]:
        """Give the signatures of the months (first days) from ``since`` to ``until``, of one analyzer and strip type or all; the latest first."""
        clause, values = (f" AND {_OF}", of) if of else ("", ())
        found = self._db().execute(_SIGNED.format(clause), (since.isoformat(), until.isoformat(), *values))
        return tuple(
            MonthSignature(
                signature_id=row[0], analyzer=row[1], strip_type=row[2], month=date.fromisoformat(row[3]), content=row[4], digest=row[5],
                statement=row[6], remark=row[7], by=row[8], verified=row[9], at=moment(row[10]),
            )
            for row in found
        )  # fmt: skip


def happened(event: GateEventRow) -> Happened:
    """Give a line of a gate's history as the review reads it."""
    return Happened(
        line_id=event.event_id,
        at=event.at,
        seat=(event.capture_id, event.index),
        strip_lot=event.key.strip_lot,
        what=event.what,
        before=event.before,
        after=event.after,
        level=event.level,
        run=kept_run(event.run) if event.run else None,
        is_set=event.decides is True,
        by=Actor(name=event.actor, verified=event.verified),
        reason=event.reason,
    )


def _reviewed(row: Any) -> Reviewed:
    return Reviewed(
        strip_id=row[0],
        number=row[1],
        strip_lot=row[2],
        failed_at=moment(row[3]),
        verdict=Verdict(row[4]) if row[4] else None,
        by=Actor(name=row[5], verified=row[6]) if row[5] else None,
        at=moment_or_none(row[7]),
        reason=row[8],
    )
