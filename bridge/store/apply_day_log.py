"""Lines of day logs: appended, never changed, and what maintenance does to gates."""

from __future__ import annotations

from datetime import datetime

from bridge.bench.day_log import Found, LogLine
from bridge.bench.gate import BegunAnew, Cause, GateKey
from bridge.errors import Overtaken
from bridge.model import Actor
from bridge.store.apply_container import HeldStrips, free_held
from bridge.store.apply_gate import say_of_gate
from bridge.store.codec import json_text, when
from bridge.store.commands import SayOfGate
from bridge.store.database import Db
from bridge.store.life_commands import NoteDayLog
from bridge.store.statements import Change, first_said, note
from bridge.tables.control_table import GatePolicy
from bridge.tables.day_log_table import DayItem

CORRECTED = "Somebody has corrected this line already. Look at the log again."
COMPLETE = "day log complete"  # why a strip that was held is judged again
ONLY_MISSING = json_text(["day_log.missing"])


def note_day_log(db: Db, command: NoteDayLog) -> tuple[int, ...]:
    """Append lines; give their ids. Raises Overtaken where the line to correct was corrected before, or never was."""
    if command.corrects is not None:
        db.hold("day_log")
        _require_standing(db, command.corrects)
    made = tuple(_append(db, command, line) for line in command.lines)
    for line in command.lines:
        if line.item is DayItem.SERVICE and line.found is not Found.MISTAKE:
            ask_for_controls(db, line.analyzer, command.policy, by=command.actor, at=command.at)
    if command.frees is not None:
        _free(db, command, command.frees)
    return made


def _require_standing(db: Db, line_id: int) -> None:
    known = db.execute("SELECT 1 FROM day_log WHERE id = ?", (line_id,)).fetchone()
    corrected = db.execute("SELECT entered_by FROM day_log WHERE corrects = ?", (line_id,)).fetchone()
    if known is None or corrected is not None:
        raise Overtaken(first_said(corrected[0] if corrected else "", CORRECTED))


def _append(db: Db, command: NoteDayLog, line: LogLine) -> int:
    new = db.insert(
        "INSERT INTO day_log (analyzer, item, done_at, found, typed, scale, remark, corrects, reason, entered_by, verified, entered_at)"
        " VALUES (?,?,?,?,?,?,?,?,?,?,?,?)",
        (
            line.analyzer, line.item, when(line.done_at), line.found, line.typed, line.scale or "", line.remark, command.corrects, command.reason,
            command.actor.name, command.actor.verified, when(command.at),
        ),
    )  # fmt: skip
    line_id = int(new)
    what = "day_log.noted" if command.corrects is None else "day_log.corrected"
    change = Change(before=line.item, after=line.found, reason=command.reason)
    note(db, command.at, command.actor, what, f"day_log:{line_id}", change)
    return line_id


def ask_for_controls(db: Db, analyzer: str, policy: GatePolicy | None, *, by: Actor, at: datetime) -> None:
    """Let every gate of an analyzer begin anew, where the site's policy asks for controls after maintenance, repair or return."""
    if policy is None or not policy.after_service:
        return
    found = db.execute("SELECT strip_type, strip_lot FROM gates WHERE analyzer = ? ORDER BY strip_type, strip_lot", (analyzer,))
    for strip_type, strip_lot in found.fetchall():
        key = GateKey(analyzer=analyzer, strip_type=strip_type, strip_lot=strip_lot)
        say_of_gate(db, SayOfGate(key=key, word=BegunAnew(at=at, by=by, cause=Cause.SERVICE), policy=policy))


def _free(db: Db, command: NoteDayLog, span: tuple[datetime, datetime]) -> None:
    read_at = "coalesce(s.analyzed_at, s.arrived_at)"
    held = HeldStrips(
        rules=ONLY_MISSING,
        where=f"s.analyzer = ? AND {read_at} >= ? AND {read_at} < ?",
        values=(command.lines[0].analyzer, *map(when, span)),
    )
    free_held(db, held, at=command.at, actor=command.actor, because=COMPLETE)
