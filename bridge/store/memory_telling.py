"""Telling somebody of critical results, on the in-memory twin."""

from __future__ import annotations

from dataclasses import replace
from datetime import datetime

from bridge.bench.gate import Seat
from bridge.bench.telling import Critical, Said, TellingState, TellingStep, after, changed_step, may, opened
from bridge.errors import Overtaken
from bridge.model import SERVICE, Actor, Coded
from bridge.store import commands as c
from bridge.store import rows
from bridge.store.apply_telling import GROWN, IS_COPY, NOT_MET, OTHER_PATIENT, OTHER_VALUES, Why
from bridge.store.memory_rows import State, Strip, Telling, next_id
from bridge.store.statements import Change


def open_tellings(state: State, command: c.RecordOutcome, *, strip_id: int, before: Strip | None) -> None:
    """Open a task for each critical rule that a recorded strip meets, and change those of a strip that stood in its place."""
    strip = state.strips[strip_id].row
    same = strip if strip.copy_of is None else state.strips[strip.copy_of].row
    own, seat = (strip.capture_id, strip.index), (same.capture_id, same.index)
    met = command.tell.met if command.tell else ()
    known = [number for number, each in state.tellings.items() if each.seat == seat]
    rules = {state.tellings[number].critical.rule for number in known}
    for critical in met:
        if critical.rule not in rules:
            _open(state, command, seat, critical)
    if before is None:
        return
    if seat != own:
        tell_again(state, own, Why(reason=IS_COPY, actor=SERVICE, at=command.at))
        return
    for number in known:
        reason = _difference(state.tellings[number].critical, met, command, before)
        now = next((each for each in met if each.rule == state.tellings[number].critical.rule), None)
        if now is not None and reason == OTHER_VALUES:
            state.tellings[number] = replace(state.tellings[number], critical=now, tables=command.tables_digest)
        if reason:
            _change(state, number, Why(reason=reason, actor=SERVICE, at=command.at))


def _difference(told: Critical, met: tuple[Critical, ...], command: c.RecordOutcome, before: Strip) -> str:
    now = next((each for each in met if each.rule == told.rule), None)
    if now is None:
        return NOT_MET
    if now != told:
        return OTHER_VALUES
    checked = command.outcome.checked if command.outcome else None
    return OTHER_PATIENT if checked is not None and checked.patient_id != before.row.patient_id else ""


def tell_again(state: State, seat: Seat, why: Why) -> None:
    """Have whoever was told of a strip told again, because what was said of it does not stand."""
    for number, each in list(state.tellings.items()):
        if each.seat == seat:
            _change(state, number, why)


def _change(state: State, telling_id: int, why: Why) -> None:
    step = changed_step(state.tellings[telling_id].task.state)
    _move(state, telling_id, Said(step=step, reason=why.reason), why.actor, why.at)


def say_of_telling(state: State, command: c.SayOfTelling) -> None:
    """Keep a step. Raises Overtaken where somebody wrote another one down meanwhile, or it may not follow."""
    known = state.tellings.get(command.telling_id)
    if known is None or known.task.steps != command.steps or not may(known.task.state, command.said.step):
        raise Overtaken(GROWN)
    _move(state, command.telling_id, command.said, command.actor, command.at)


def _open(state: State, command: c.RecordOutcome, seat: Seat, critical: Critical) -> None:
    telling_id = next_id(state.tellings)
    first = rows.ToldStep(said=Said(step=TellingStep.OPENED), at=command.at, actor=SERVICE.name, verified=SERVICE.verified)
    state.tellings[telling_id] = Telling(
        seat=seat, critical=critical, tables=command.tables_digest, task=opened(command.at), history=(first,)
    )
    state.note(command.at, SERVICE, "telling.opened", f"telling:{telling_id}", Change(after=TellingState.OPEN))
    if _is_repeat(state, command, critical):
        _move(state, telling_id, Said(step=TellingStep.REPEAT), SERVICE, command.at)


def _is_repeat(state: State, command: c.RecordOutcome, critical: Critical) -> bool:
    write, outcome = command.tell, command.outcome
    if write is None or not isinstance(outcome, Coded) or not outcome.checked.patient_id:
        return False
    return bool(write.repeat) and any(
        each.critical.rule == critical.rule
        and each.task.state is not TellingState.OPEN
        and each.task.told_at is not None
        and each.task.told_at >= command.at - write.repeat
        and (strip := _newest(state, each.seat)).patient_id == outcome.checked.patient_id
        and strip.outcome != "discarded"
        for each in state.tellings.values()
    )


def _move(state: State, telling_id: int, said: Said, actor: Actor, at: datetime) -> None:
    known = state.tellings[telling_id]
    step = rows.ToldStep(said=said, at=at, actor=actor.name, verified=actor.verified)
    left = after(known.task, said, at=at)
    state.tellings[telling_id] = replace(known, task=left, history=(*known.history, step))
    change = Change(before=known.task.state, after=left.state, reason=said.in_short)
    state.note(at, actor, f"telling.{said.step.name.lower()}", f"telling:{telling_id}", change)


def _newest(state: State, seat: Seat) -> rows.StripRow:
    of = [strip for strip in state.strips.values() if (strip.row.capture_id, strip.row.index) == seat]
    return max(of, key=lambda strip: (strip.is_newest, strip.row.strip_id)).row


class TellingsInMemory:
    """The reads of tasks of telling; mixed into the twin."""

    _state: State

    def tellings_open(self) -> tuple[rows.TellingShown, ...]:
        """Give every critical result that nobody closed, in the order in which they came."""
        found = self._state.tellings.items()
        return tuple(self._shown(number, each) for number, each in found if each.task.state is not TellingState.CLOSED)

    def tellings_closed(self, *, before: int | None = None, limit: int = 50) -> tuple[rows.TellingShown, ...]:
        """Give critical results that were closed, the last that came first, before a task's id."""
        found = [
            self._shown(number, each)
            for number, each in reversed(self._state.tellings.items())
            if each.task.state is TellingState.CLOSED and (before is None or number < before)
        ]
        return tuple(found[:limit])

    def telling(self, telling_id: int) -> rows.TellingShown | None:
        """Give one task; None where there is none."""
        known = self._state.tellings.get(telling_id)
        return self._shown(telling_id, known) if known else None

    def critical_told(self, *, since: datetime, until: datetime) -> tuple[tuple[datetime, datetime | None], ...]:
        """Give the tasks of telling that were opened then, in order, each with when somebody first read it back; None for nobody yet."""
        histories = [each.history for each in self._state.tellings.values()]
        return tuple(
            (began, min((step.said.done_at or step.at for step in steps if step.said.step is TellingStep.TOLD), default=None))
            for steps in histories
            for began in (step.at for step in steps if step.said.step is TellingStep.OPENED)
            if since <= began < until
        )

    def _shown(self, telling_id: int, of: Telling) -> rows.TellingShown:
        return rows.TellingShown(
            telling_id=telling_id,
            critical=of.critical,
            task=of.task,
            strip=_newest(self._state, of.seat),
            tables=of.tables,
            history=of.history,
        )
