"""Pauses of receivers and the hand-over list on the in-memory twin."""

from __future__ import annotations

from dataclasses import replace
from datetime import datetime

from bridge.bench.hand_over import HandOver
from bridge.errors import Overtaken
from bridge.lifecycle.pauses import Pause
from bridge.lifecycle.states import DestinationState
from bridge.store.apply_today import CLOSED, NOT_PAUSED, PAUSED
from bridge.store.memory_rows import State, next_id
from bridge.store.statements import Change
from bridge.store.today_commands import CloseNote, LeaveNote, PauseDestination, ResumeDestination


def pause_destination(state: State, command: PauseDestination) -> None:
    """Keep that a destination is paused. Raises Overtaken where it is paused already."""
    name = command.destination
    if name in state.pauses:
        raise Overtaken(PAUSED)
    state.pauses[name] = Pause(destination=name, by=command.actor.name, at=command.at, reason=command.reason)
    change = Change(after="paused", reason=command.reason)
    state.note(command.at, command.actor, "destination.paused", f"destination:{name}", change)


def resume_destination(state: State, command: ResumeDestination) -> None:
    """Keep that a destination's pause is over. Raises Overtaken where it is not paused."""
    if state.pauses.pop(command.destination, None) is None:
        raise Overtaken(NOT_PAUSED)
    change = Change(before="paused", after="resumed", reason=command.reason)
    state.note(command.at, command.actor, "destination.resumed", f"destination:{command.destination}", change)


def leave_note(state: State, command: LeaveNote) -> int:
    """Keep a note; give its id."""
    number = next_id(state.hand_over)
    state.hand_over[number] = HandOver(note_id=number, text=command.text, by=command.actor.name, at=command.at)
    state.note(command.at, command.actor, "note.left", f"note:{number}", Change(after="open"))
    return number


def close_note(state: State, command: CloseNote) -> None:
    """Close a note. Raises Overtaken where it is closed already, or never was."""
    known = state.hand_over.get(command.note_id)
    if known is None or known.closed_at is not None:
        raise Overtaken(CLOSED)
    state.hand_over[command.note_id] = replace(known, closed_by=command.actor.name, closed_at=command.at)
    state.note(command.at, command.actor, "note.closed", f"note:{command.note_id}", Change(before="open", after="closed"))


class TodayInMemory:
    """The reads of pauses and notes; mixed into the twin."""

    _state: State

    def pauses(self) -> tuple[Pause, ...]:
        """Give the pauses that nobody has ended, by destination."""
        return tuple(self._state.pauses[name] for name in sorted(self._state.pauses))

    def shut_destinations(self) -> tuple[str, ...]:
        """Give the destinations that were shut when somebody last said how they stand, by name."""
        return tuple(sorted(name for name, door in self._state.doors.items() if door.state is DestinationState.SHUT))

    def hand_over(self, *, since: datetime) -> tuple[HandOver, ...]:
        """Give the notes that stand, and those that were closed since then, in the order in which they were left."""
        return tuple(each for each in self._state.hand_over.values() if each.closed_at is None or each.closed_at >= since)
