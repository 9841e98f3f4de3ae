"""Day logs on the in-memory twin."""

from __future__ import annotations

from datetime import datetime

from bridge.bench.day_log import Found, KeptLine
from bridge.bench.gate import BegunAnew, Cause
from bridge.errors import Overtaken
from bridge.model import Actor
from bridge.store import commands as c
from bridge.store.apply_day_log import COMPLETE, CORRECTED
from bridge.store.life_commands import NoteDayLog
from bridge.store.memory_gate import say_of_gate
from bridge.store.memory_lots import free_held
from bridge.store.memory_rows import State, next_id
from bridge.store.rows import StripRow
from bridge.store.statements import Change
from bridge.tables.control_table import GatePolicy
from bridge.tables.day_log_table import DayItem


def note_day_log(state: State, command: NoteDayLog) -> tuple[int, ...]:
    """Append lines; give their ids. Raises Overtaken where the line to correct was corrected before, or never was."""
    if command.corrects is not None:
        corrected = {each.corrects for each in state.day_log.values()}
        if command.corrects not in state.day_log or command.corrects in corrected:
            raise Overtaken(CORRECTED)
    made = []
    for line in command.lines:
        line_id = next_id(state.day_log)
        state.day_log[line_id] = KeptLine(
            line_id=line_id, line=line, corrects=command.corrects, reason=command.reason, entered_by=command.actor.name,
            verified=command.actor.verified, entered_at=command.at,
        )  # fmt: skip
        what = "day_log.noted" if command.corrects is None else "day_log.corrected"
        change = Change(before=line.item, after=line.found, reason=command.reason)
        state.note(command.at, command.actor, what, f"day_log:{line_id}", change)
        made.append(line_id)
    for line in command.lines:
        if line.item is DayItem.SERVICE and line.found is not Found.MISTAKE:
            ask_for_controls(state, line.analyzer, command.policy, by=command.actor, at=command.at)
    if command.frees is not None:
        _free(state, command, command.frees)
    return tuple(made)


def ask_for_controls(state: State, analyzer: str, policy: GatePolicy | None, *, by: Actor, at: datetime) -> None:
    """Let every gate of an analyzer begin anew, where the site's policy asks for controls after maintenance, repair or return."""
    if policy is None or not policy.after_service:
        return
    keys = [key for key in state.gates if key.analyzer == analyzer]
    for key in sorted(keys, key=lambda each: (each.strip_type, each.strip_lot)):
        say_of_gate(state, c.SayOfGate(key=key, word=BegunAnew(at=at, by=by, cause=Cause.SERVICE), policy=policy))


def _free(state: State, command: NoteDayLog, span: tuple[datetime, datetime]) -> None:
    def concerns(strip: StripRow) -> bool:
        read_at = strip.analyzed_at or strip.arrived_at
        return strip.analyzer == command.lines[0].analyzer and span[0] <= read_at < span[1]

    free_held(state, "day_log.missing", concerns, at=command.at, actor=command.actor, because=COMPLETE)


class DayLogsInMemory:
    """The reads of day logs; mixed into the twin."""

    _state: State

    def day_log(self, *, since: datetime, until: datetime | None = None) -> tuple[KeptLine, ...]:
        """Give the lines of what was done since a moment and before another, corrected ones too, in the order in which they were entered."""
        return tuple(
            each
            for each in self._state.day_log.values()
            if since <= each.line.done_at and (until is None or each.line.done_at < until)
        )

    def day_log_line(self, line_id: int) -> KeptLine | None:
        """Give one line; None where there is none."""
        return self._state.day_log.get(line_id)
