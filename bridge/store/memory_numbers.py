"""Missing numbers and signed days on the in-memory twin."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace
from datetime import date

from bridge.bench.answered import GapAnswer, GapEnd
from bridge.bench.gaps import Gap
from bridge.bench.gate import Seat
from bridge.bench.tally import FAULT_RULES
from bridge.errors import Overtaken
from bridge.lifecycle.states import StopEnd, StopGroup, StopState
from bridge.model import Purpose, RunFacts, RunState
from bridge.store import commands as c
from bridge.store import rows
from bridge.store.apply_numbers import ANSWERED
from bridge.store.apply_shift import CONFIRMED, GONE, GROWN
from bridge.store.memory_gate import judge_again
from bridge.store.memory_rows import Shift, State, next_id
from bridge.store.statements import Change


def answer_gap(state: State, command: c.AnswerGap) -> None:
    """Keep a person's word on missing numbers. Raises Overtaken where any of them is accounted for, or the same was said."""
    answer, gap = command.answer, command.answer.gap
    numbers = set(range(gap.first, gap.last + 1))
    for known in state.gap_answers:
        meets = _series(known.gap) == _series(gap) and numbers & set(range(known.gap.first, known.gap.last + 1))
        if meets and (known.end is not GapEnd.NOT_SET or answer.end is GapEnd.NOT_SET):
            raise Overtaken(ANSWERED)
    state.gap_answers.append(answer)
    subject = f"gap:{len(state.gap_answers)}"
    state.note(answer.at, answer.by, "gap.answered", subject, Change(after=answer.end, reason=answer.reason))


def sign_day(state: State, command: c.SignDay) -> int:
    """Keep a signature; give its id."""
    signature_id = len(state.signed) + 1
    state.signed.append(
        rows.DaySignature(
            signature_id=signature_id, day=command.day, content=command.content, by=command.actor.name, verified=command.actor.verified,
            at=command.at, remark=command.remark,
        )
    )  # fmt: skip
    change = Change(after="signed", reason=command.remark)
    state.note(command.at, command.actor, "day.signed", f"day:{signature_id}", change)
    return signature_id


def join_run(state: State, command: c.RecordOutcome) -> None:
    """Let a held strip begin a run that waits for a person, or join it; where a person has confirmed that meanwhile, judge it again."""
    write = command.shift
    if write is None:
        return
    analyzer, seat = command.reading.analyzer, (command.capture_id, command.reading.index)
    if write.begins:
        state.shifts[next_id(state.shifts)] = Shift(analyzer=analyzer, cause=write.cause, first=seat, last=seat)
        return
    newest = max((shift_id for shift_id, run in state.shifts.items() if run.analyzer == analyzer), default=0)
    if newest and not state.shifts[newest].confirmed_by:
        state.shifts[newest] = replace(state.shifts[newest], last=seat)
    else:
        judge_again(state, *seat, CONFIRMED)


def confirm_run(state: State, command: c.ConfirmRun) -> int:
    """Let a held run go; give how many strips are judged again. Raises Overtaken where it was confirmed, or has grown."""
    run = state.shifts.get(command.shift_id)
    if run is None or run.confirmed_by:
        raise Overtaken(GONE)
    if run.last != command.last:
        raise Overtaken(GROWN)
    change = Change(after="confirmed", reason=command.reason)
    state.note(command.at, command.actor, "run.confirmed", f"run:{command.shift_id}", change)
    held = _held_of(state, run)
    state.shifts[command.shift_id] = replace(run, confirmed_by=command.actor.name)
    for stop in held:
        state.stops[stop.stop_id] = replace(
            stop, state=StopState.CLOSED, closed_at=command.at, closed_by=f"{command.actor.name} ({command.actor.verified})",
            closed_how=StopEnd.RELEASED, closed_reason=command.reason,
        )  # fmt: skip
        change = Change(before="open", after=StopEnd.RELEASED, reason=command.reason)
        state.note(command.at, command.actor, "stop.closed", f"stop:{stop.stop_id}", change)
        judge_again(state, stop.capture_id or 0, stop.index or 0, CONFIRMED)
    return len(held)


def _held_of(state: State, run: Shift) -> list[rows.StopRow]:
    """Give the stops of a run's strips that wait for it, in the order in which they were read."""
    found = [
        stop
        for stop in state.stops.values()
        if stop.state is StopState.OPEN
        and stop.group is StopGroup.HELD
        and "number.shift" in stop.rules
        and stop.analyzer == run.analyzer
        and run.first <= (stop.capture_id or 0, stop.index or 0) <= run.last
    ]
    return sorted(found, key=lambda stop: (stop.capture_id or 0, stop.index or 0))


def _series(gap: Gap) -> tuple[str, str, str]:
    return gap.analyzer, gap.mode, gap.series


class NumbersInMemory:
    """The reads of missing numbers and signed days; mixed into the twin."""

    _state: State

    def gap_answers(self, gaps: Iterable[Gap]) -> tuple[GapAnswer, ...]:
        """Give what people said of numbers of the series that these gaps are in, oldest first within a series."""
        wanted = dict.fromkeys(_series(gap) for gap in gaps)
        return tuple(each for series in wanted for each in self._state.gap_answers if _series(each.gap) == series)

    def day_signatures(self, *, since: date, until: date) -> tuple[rows.DaySignature, ...]:
        """Give the signatures of the days from ``since`` to ``until``: by day, newest first, and of one day the latest first."""
        found = [each for each in self._state.signed if since <= each.day <= until]
        return tuple(sorted(found, key=lambda each: (each.day, each.signature_id), reverse=True))

    def last_run(self, analyzer: str) -> RunState | None:
        """Give how an analyzer's run stands after the last strip of it that was recorded; None where there is none."""
        told = [
            strip.row
            for strip in self._state.strips.values()
            if strip.row.analyzer == analyzer and strip.row.outcome not in ("copy", "superseded", "unreadable")
        ]
        if not told:
            return None
        row = max(told, key=lambda each: (each.capture_id, each.index))
        rules = {rule for rule, _, _ in row.findings}
        run = next(
            (each for each in reversed(self._state.shifts.values()) if each.analyzer == analyzer and not each.confirmed_by), None
        )
        is_held = run is not None and run.first <= (row.capture_id, row.index)
        is_held = is_held and ("number.shift" in rules or row.purpose is not Purpose.PATIENT)
        return RunState(
            printed_at=row.analyzed_at, arrived_at=row.arrived_at, has_fault=not rules.isdisjoint(FAULT_RULES),
            broken_by=run.cause if run and is_held else "", is_held=is_held,
        )  # fmt: skip

    def is_run_held(self, analyzer: str) -> bool:
        """Say whether the last run of an analyzer that was held for what went missing in it still waits for a person."""
        of = [run for run in self._state.shifts.values() if run.analyzer == analyzer]
        return bool(of) and not of[-1].confirmed_by

    def held_run(self, analyzer: str, seat: Seat) -> RunFacts | None:
        """Give for what the run of a strip was held, and who has confirmed it; None where the strip stands in no such run."""
        for run in reversed(self._state.shifts.values()):
            if run.analyzer == analyzer and run.first <= seat <= run.last:
                return RunFacts(broken_by=run.cause, confirmed_by=run.confirmed_by)
        return None

    def held_runs(self) -> tuple[rows.ShiftShown, ...]:
        """Give the runs that wait for a person, with the strips that wait for it still; oldest first."""
        shown = (
            rows.ShiftShown(
                shift_id=shift_id,
                analyzer=run.analyzer,
                cause=run.cause,
                last=run.last,
                strips=tuple(self._state.strips[stop.strip_id].row for stop in _held_of(self._state, run) if stop.strip_id),
            )
            for shift_id, run in self._state.shifts.items()
            if not run.confirmed_by
        )
        return tuple(each for each in shown if each.strips)
