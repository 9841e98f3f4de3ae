"""When sets of controls were due in a stretch of time, whether they were done, and how long a gate stood how; reckoned from its history.

A set is due where the policy asks for it and patients' strips were read before it was next due: a day without a patient's strip asks for
none. Strips are counted by the minute, so a set that was done in the same minute as a strip counts as before it.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from enum import IntEnum
from itertools import pairwise

from bridge.bench.control_day import first_due
from bridge.bench.gate import GateEvent
from bridge.model import GateState
from bridge.tables.control_table import GatePolicy

BY_CLOCK = "a day or shift began"
BY_COUNT = "the count of patients' strips was reached"
BY_REPAIR = "after a failure was put right"
FIRST_USE = "nothing had passed on this lot"
_MOMENT = timedelta(microseconds=1)  # of the store's times


@dataclass(frozen=True, kw_only=True, slots=True)
class Line:
    """One line of a gate's history that matters here. ``is_set``: a control that completed a set that counts. ``what`` is a person's word or ""."""

    at: datetime
    before: GateState
    after: GateState
    is_set: bool
    what: GateEvent | None = None
    reason: str = ""


@dataclass(frozen=True, kw_only=True, slots=True)
class Use:
    """Patients' strips of one minute, on one lot: when the first arrived, how many, and how many were sent though controls were not right."""

    strip_lot: str
    at: datetime
    strips: int
    noted: int = 0


@dataclass(frozen=True, kw_only=True, slots=True)
class DueSet:
    """A set that was due, or was done though none was. ``why`` is empty for the latter.

    ``strips_before`` counts patients' strips that were read from then until it was done, or until the next was due; ``strips`` all until then.
    """

    strip_lot: str
    at: datetime
    why: tuple[str, ...]
    done_at: datetime | None = None
    strips: int = 0
    strips_before: int = 0

    @property
    def is_asked(self) -> bool:
        """Say whether the policy asked for it, of strips that were used."""
        return bool(self.why) and self.strips > 0

    @property
    def is_missed(self) -> bool:
        """Say whether it was asked for and never done."""
        return self.is_asked and self.done_at is None


class _Kind(IntEnum):
    """What happens at one instant, in this order."""

    CLOCK = 0
    LINE = 1
    USE = 2


def clock_dues(since: datetime, until: datetime, policy: GatePolicy) -> tuple[datetime, ...]:
    """Give the instants, UTC, from ``since`` on and before ``until`` at which controls come due by the clock."""
    found: list[datetime] = []
    after = since - _MOMENT
    while (due := first_due(after, until - _MOMENT, policy)) is not None:
        found.append(due)
        after = due
    return tuple(found)


@dataclass(slots=True)
class _Walk:
    """What is known half-way through a gate's month."""

    strip_lot: str
    policy: GatePolicy
    may_go: bool
    found: list[DueSet]
    current: DueSet | None = None
    strips: int = 0  # since the last set

    def begin(self, at: datetime, why: str) -> None:
        """Let a set come due; one that is due still is due for that too."""
        if self.current is not None and self.current.done_at is None and self.current.why and why != BY_CLOCK:
            self.current = replace(
                self.current, why=(*self.current.why, why) if why not in self.current.why else self.current.why
            )
            return
        self.end()
        self.current = DueSet(strip_lot=self.strip_lot, at=at, why=(why,))

    def end(self) -> None:
        """Close what was due: it is told where it was asked for, or done all the same."""
        if self.current is not None and (self.current.is_asked or self.current.done_at is not None):
            self.found.append(self.current)
        self.current = None

    def line(self, line: Line) -> None:
        """Take a line of the history."""
        if line.what is GateEvent.BEGIN_ANEW and not line.after.may_go:
            self.begin(line.at, line.reason)
        elif line.what is GateEvent.MEND:
            self.begin(line.at, BY_REPAIR)
        if line.is_set:
            self.strips = 0
            if self.current is None or (self.current.done_at is not None and not self.current.why):
                self.end()
                self.current = DueSet(strip_lot=self.strip_lot, at=line.at, why=())
            if self.current.done_at is None:
                self.current = replace(self.current, done_at=line.at)
        self.may_go = line.after.may_go

    def use(self, use: Use) -> None:
        """Take patients' strips."""
        if self.current is None and not self.may_go:
            self.begin(use.at, FIRST_USE)
        if self.current is not None:
            before = use.strips if self.current.done_at is None else 0
            self.current = replace(
                self.current, strips=self.current.strips + use.strips, strips_before=self.current.strips_before + before
            )
        self.strips += use.strips
        every = self.policy.every_strips
        is_settled = self.current is None or self.current.done_at is not None
        if every is not None and self.strips >= every and self.may_go and is_settled:
            self.begin(use.at, BY_COUNT)


def due_sets(
    strip_lot: str,
    lines: Iterable[Line],
    uses: Iterable[Use],
    *,
    stood: GateState,
    between: tuple[datetime, datetime],
    policy: GatePolicy,
) -> tuple[DueSet, ...]:
    """Give the sets of one gate that were due or done, in order. ``lines`` and ``uses`` lie ``between``; ``stood``: how the gate stood at the beginning."""
    walk = _Walk(strip_lot=strip_lot, policy=policy, may_go=stood.may_go, found=[])
    for _, kind, what in sorted(_happened(lines, uses, clock_dues(*between, policy)), key=lambda each: each[:2]):
        if kind is _Kind.CLOCK:
            walk.begin(what, BY_CLOCK)  # type: ignore[arg-type] # the kind says which it is
        elif isinstance(what, Line):
            walk.line(what)
        elif isinstance(what, Use):
            walk.use(what)
    walk.end()
    return tuple(walk.found)


def _happened(
    lines: Iterable[Line], uses: Iterable[Use], dues: Iterable[datetime]
) -> Iterator[tuple[datetime, _Kind, Line | Use | datetime]]:
    yield from ((due, _Kind.CLOCK, due) for due in dues)
    yield from ((line.at, _Kind.LINE, line) for line in lines)
    yield from ((use.at, _Kind.USE, use) for use in uses)


# --- hours


@dataclass(frozen=True, kw_only=True, slots=True)
class GateHours:
    """How long one gate stood how, from the first thing that happened to it to the last: open (due included), shut for want of controls, shut by a failure."""

    strip_lot: str
    open: timedelta = timedelta(0)
    waiting: timedelta = timedelta(0)
    failed: timedelta = timedelta(0)


def gate_hours(
    strip_lot: str,
    lines: Sequence[Line],
    *,
    counted: Iterable[datetime],
    stood: GateState,
    between: tuple[datetime, datetime],
    policy: GatePolicy,
) -> GateHours:
    """Give how long a gate stood how, ``between`` two instants. ``counted``: when controls came due by the count of strips."""
    moments = [(between[0], stood), *((line.at, line.after) for line in lines), (between[1], stood)]
    extra = sorted(counted)
    hours = GateHours(strip_lot=strip_lot)
    due_at: datetime | None = None
    for (at, state), (then, _) in pairwise(moments):
        due_at = due_at if state is GateState.DUE else None
        for spell, begins, ends in _spells(state, (at, then), (due_at, extra), policy):
            due_at = begins if spell is GateState.DUE and due_at is None else due_at
            hours = _added(hours, spell, ends - begins)
    return hours


def _spells(
    state: GateState, between: tuple[datetime, datetime], due: tuple[datetime | None, Sequence[datetime]], policy: GatePolicy
) -> Iterator[tuple[GateState, datetime, datetime]]:
    """Cut a stretch in which nothing happened where the clock, or the count, moved the gate."""
    (begins, ends), (due_at, counted) = between, due
    if state in {GateState.OPEN, GateState.REPEATED}:
        came = first_due(begins, ends, policy)
        first = min(
            (each for each in (came, *(at for at in counted if begins < at <= ends and state is GateState.OPEN)) if each),
            default=None,
        )
        if first is None:
            yield state, begins, ends
            return
        yield state, begins, first
        if state is GateState.REPEATED:
            yield GateState.FAILED, first, ends
            return
        state, begins, due_at = GateState.DUE, first, first
    if state is GateState.DUE:
        over = min(max((due_at or begins) + policy.grace, begins), ends)
        yield state, begins, over
        yield GateState.START, over, ends
    else:
        yield state, begins, ends


def _added(hours: GateHours, state: GateState, length: timedelta) -> GateHours:
    if state.may_go:
        return replace(hours, open=hours.open + length)
    if state.is_failure or state is GateState.MENDED:
        return replace(hours, failed=hours.failed + length)
    return replace(hours, waiting=hours.waiting + length)
