"""The task of telling somebody of a critical result: what may follow what, when it is overdue, and whose turn it is to be told.

Pure: the store keeps a task as it was last moved, beside every step that moved it. Time is not stored: who looks reckons it.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from enum import StrEnum
from types import MappingProxyType

from bridge.tables.telling_terms import TellingTerms, ToTell


class TellingState(StrEnum):
    """Where a task stands: somebody is to be told, was told and read it back, or a person closed it."""

    OPEN = "open"
    TOLD = "told"
    CLOSED = "closed"


class TellingStep(StrEnum):
    """Something that happened to a task. The words are stored and shown."""

    OPENED = "opened"
    NOT_REACHED = "not reached"
    NOT_READ_BACK = "told, not read back"
    TOLD = "told and read back"
    PASSED_ON = "passed on"
    CHANGED = "changed"
    REOPENED = "to be told again"
    CLOSED = "closed"
    CLOSED_UNTOLD = "closed without telling"
    REPEAT = "closed as a repeat"


class Means(StrEnum):
    """How somebody was told, or was tried to be told."""

    TELEPHONE = "by telephone"
    IN_PERSON = "in person"
    MESSAGE = "by message"


# Every step that may follow; what is not here may not. The page docs/telling.md draws it.
STEPS: Mapping[tuple[TellingState, TellingStep], TellingState] = MappingProxyType(
    {
        (TellingState.OPEN, TellingStep.NOT_REACHED): TellingState.OPEN,
        (TellingState.OPEN, TellingStep.NOT_READ_BACK): TellingState.OPEN,
        (TellingState.OPEN, TellingStep.PASSED_ON): TellingState.OPEN,
        (TellingState.OPEN, TellingStep.CHANGED): TellingState.OPEN,
        (TellingState.OPEN, TellingStep.TOLD): TellingState.TOLD,
        (TellingState.OPEN, TellingStep.CLOSED_UNTOLD): TellingState.CLOSED,
        (TellingState.OPEN, TellingStep.REPEAT): TellingState.CLOSED,
        (TellingState.TOLD, TellingStep.TOLD): TellingState.TOLD,
        (TellingState.TOLD, TellingStep.CLOSED): TellingState.CLOSED,
        (TellingState.TOLD, TellingStep.REOPENED): TellingState.OPEN,
        (TellingState.CLOSED, TellingStep.REOPENED): TellingState.OPEN,
    }
)


@dataclass(frozen=True, kw_only=True, slots=True)
class Critical:
    """A critical rule that a strip meets. ``values`` holds (the pad's name, its value as printed and its grade) of the rule's pads, in its order."""

    rule: str
    text: str
    values: tuple[tuple[str, str], ...]


@dataclass(frozen=True, kw_only=True, slots=True)
class Said:
    """What a step says. ``name`` and ``role`` are of who was told, or was tried; of a task that is closed without telling, ``name`` is who agreed.

    ``done_at`` (aware) is when it was done, where that is not when it was written down.
    """

    step: TellingStep
    name: str = ""
    role: str = ""
    means: Means | None = None
    done_at: datetime | None = None
    reason: str = ""

    @property
    def in_short(self) -> str:
        """Give whom, what they are, how and when, without the free text: what the history binds of it."""
        means = self.means.value if self.means else ""
        return "; ".join(filter(None, (self.name, self.role, means, self.done_at.isoformat() if self.done_at else "")))


@dataclass(frozen=True, kw_only=True, slots=True)
class Task:
    """A task as it was last moved. Times are aware.

    ``steps`` counts what happened to it, so that two people at one task are told apart. It is to be told since ``since``; it is the turn of the
    person at place ``turn`` of the site's list, since ``turn_at``. ``told_at`` is when somebody last read it back, None where it is to be told (again).
    """

    state: TellingState
    steps: int
    since: datetime
    turn: int
    turn_at: datetime
    told_at: datetime | None = None


def opened(at: datetime) -> Task:
    """Give a new task."""
    return Task(state=TellingState.OPEN, steps=1, since=at, turn=0, turn_at=at)


def may(state: TellingState, step: TellingStep) -> bool:
    """Say whether a step may follow."""
    return (state, step) in STEPS


def after(task: Task, said: Said, *, at: datetime) -> Task:
    """Give the task after a step that was written down ``at``. Raises ValueError for one that may not follow."""
    if not may(task.state, said.step):
        raise ValueError(f"a task that is {task.state.value} cannot be {said.step.value}")
    moved = replace(task, state=STEPS[task.state, said.step], steps=task.steps + 1)
    match said.step:
        case TellingStep.TOLD:
            return replace(moved, told_at=said.done_at or at)
        case TellingStep.PASSED_ON:
            return replace(moved, turn=task.turn + 1, turn_at=at)
        case TellingStep.REOPENED:
            return replace(moved, since=at, turn=0, turn_at=at, told_at=None)
    return moved


def changed_step(state: TellingState) -> TellingStep:
    """Give what it is for a task that its strip is not any more what somebody was told, or is to be told."""
    return TellingStep.CHANGED if state is TellingState.OPEN else TellingStep.REOPENED


def overdue_at(task: Task, terms: TellingTerms) -> datetime:
    """Give when an open task is overdue."""
    return task.since + timedelta(minutes=terms.overdue_minutes)


def is_overdue(task: Task, terms: TellingTerms, *, now: datetime) -> bool:
    """Say whether somebody should have been told by now."""
    return task.state is TellingState.OPEN and now >= overdue_at(task, terms)


def next_turn_at(task: Task, terms: TellingTerms) -> datetime | None:
    """Give when a task is passed on; None where it is not open, or everybody of the list had a turn.

    It is passed on once more behind the last one, so that the history says when the list was used up; with an empty list, once.
    """
    if task.state is not TellingState.OPEN or task.turn >= max(1, len(terms.people)):
        return None
    return task.turn_at + timedelta(minutes=terms.overdue_minutes)


def whose_turn(task: Task, terms: TellingTerms) -> ToTell | None:
    """Give whom to tell now; None where the list is empty or used up."""
    return terms.people[task.turn] if task.turn < len(terms.people) else None
