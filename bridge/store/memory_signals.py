"""Signals on the in-memory twin."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from datetime import datetime

from bridge.errors import Overtaken, RefusedAction
from bridge.lifecycle.states import OPEN_DELIVERY, StopState
from bridge.model import SERVICE, Priority
from bridge.signals.causes import Standing, Stuck
from bridge.signals.kinds import WITHOUT_DELAY
from bridge.signals.machine import MAY_ACKNOWLEDGE, Signal, SignalState, What, acknowledged
from bridge.store import commands as c
from bridge.store.apply_signals import NO_SIGNAL, NOT_ANY_MORE, NOT_IN_PASSING
from bridge.store.memory_rows import State, next_id
from bridge.store.rows import MuteRow, SayRow, SayState
from bridge.store.statements import Change


def keep_signals(state: State, command: c.KeepSignals) -> tuple[int, ...]:
    """Keep signals as a look left them; give their ids, 0 for one that was changed meanwhile."""
    return tuple(_keep(state, signal, says, command.at) for signal, says in command.signals)


def _keep(state: State, signal: Signal, says: tuple[c.NewSay, ...], at: datetime) -> int:
    known = state.signals.get(signal.signal_id)
    if signal.signal_id:
        if known is None or known.version != signal.version:
            return 0
    elif any(each.kind is signal.kind and each.state is not SignalState.ENDED for each in state.signals.values()):
        return 0
    signal_id = signal.signal_id or next_id(state.signals)
    state.signals[signal_id] = replace(signal, signal_id=signal_id, version=signal.version + 1)
    before = known.state if known else ""
    if before != signal.state:
        state.note(at, SERVICE, "signal.moved", f"signal:{signal_id}", Change(before=before, after=signal.state))
    for say in says:
        _put(state, signal_id, say, at)
    if signal.state is SignalState.ENDED:
        _drop(state, at, lambda row: row.signal_id == signal_id and row.what != What.ENDED)
    return signal_id


def _put(state: State, signal_id: int, say: c.NewSay, at: datetime) -> None:
    def is_its_own(row: SayRow) -> bool:
        return (row.signal_id, row.way) == (signal_id, say.way)

    _drop(state, at, is_its_own)
    if say.what is What.ENDED and not any(is_its_own(row) and row.state is SayState.SAID for row in state.says.values()):
        return
    say_id = next_id(state.says)
    state.says[say_id] = SayRow(
        say_id=say_id, signal_id=signal_id, way=say.way, what=say.what, headline=say.headline, text=say.text, at=at, state=SayState.DUE,
        due_at=say.due_at, tries=0, ended_at=None, fault="", actor="",
    )  # fmt: skip


def _drop(state: State, at: datetime, which: Callable[[SayRow], bool]) -> None:
    for say_id, row in state.says.items():
        if row.state is SayState.DUE and which(row):
            state.says[say_id] = replace(row, state=SayState.DROPPED, ended_at=at)


def note_said(state: State, command: c.NoteSaid) -> None:
    """Note what came of a try; what was dropped meanwhile stays so, unless it was said."""
    row = state.says.get(command.say_id)
    after = SayState.SAID if not command.fault else SayState.DUE if command.due_at else SayState.GIVEN_UP
    if row is None or (row.state is not SayState.DUE and after is not SayState.SAID):
        return
    ended_at = None if after is SayState.DUE else command.at
    state.says[command.say_id] = replace(
        row, state=after, tries=row.tries + 1, fault=command.fault, due_at=command.due_at, ended_at=ended_at
    )


def keep_test(state: State, command: c.KeepTest) -> int:
    """Keep what came of a test; give its id."""
    say_id = next_id(state.says)
    state.says[say_id] = SayRow(
        say_id=say_id, signal_id=None, way=command.way, what="test", headline=command.headline, text="", at=command.at,
        state=SayState.GIVEN_UP if command.fault else SayState.SAID, due_at=None, tries=1, ended_at=command.at, fault=command.fault,
        actor=command.actor.name,
    )  # fmt: skip
    return say_id


def acknowledge_signal(state: State, command: c.AcknowledgeSignal) -> None:
    """Note that a person has a signal in hand. Raises Overtaken where it is acknowledged or ended already."""
    signal = state.signals.get(command.signal_id)
    if signal is None or signal.state not in MAY_ACKNOWLEDGE:
        raise Overtaken(NOT_ANY_MORE)
    if signal.kind in WITHOUT_DELAY:
        raise RefusedAction(NOT_IN_PASSING)
    after = acknowledged(signal, by=command.actor.name, at=command.at)
    state.signals[command.signal_id] = replace(after, version=signal.version + 1)
    _drop(state, command.at, lambda row: row.signal_id == command.signal_id)
    change = Change(before=signal.state, after=after.state, reason=command.reason)
    state.note(command.at, command.actor, "signal.acknowledged", f"signal:{command.signal_id}", change)


def note_on_signal(state: State, command: c.NoteOnSignal) -> None:
    """Keep a person's note. Raises Overtaken where there is no such signal."""
    if command.signal_id not in state.signals:
        raise Overtaken(NO_SIGNAL)
    state.note(command.at, command.actor, "signal.noted", f"signal:{command.signal_id}", Change(reason=command.text))


def mute_signals(state: State, command: c.MuteSignals) -> None:
    """Say nothing of a kind until then."""
    state.mutes[command.kind] = MuteRow(
        kind=command.kind, until=command.until, by=command.actor, at=command.at, reason=command.reason
    )
    after = "muted" if command.until > command.at else "heard"
    state.note(command.at, command.actor, "signals.muted", f"signals:{command.kind}", Change(after=after, reason=command.reason))
    if after == "muted":
        of_kind = {number for number, signal in state.signals.items() if signal.kind is command.kind}
        _drop(state, command.at, lambda row: row.signal_id in of_kind)


class SignalsInMemory:
    """The reads of signals; mixed into the twin."""

    _state: State

    def standing_signals(self) -> tuple[Signal, ...]:
        """Give the signals that are not over, by kind."""
        return tuple(
            sorted(
                (each for each in self._state.signals.values() if each.state is not SignalState.ENDED), key=lambda each: each.kind
            )
        )

    def last_digest(self) -> datetime | None:
        """Give for which time the last digest of a shift was kept; None before the first."""
        return self._state.last_digest

    def ended_signals(self, *, limit: int) -> tuple[Signal, ...]:
        """Give signals that are over, newest first."""
        return tuple(each for each in reversed(self._state.signals.values()) if each.state is SignalState.ENDED)[:limit]

    def muted_kinds(self, *, now: datetime) -> tuple[MuteRow, ...]:
        """Give the kinds that are muted at ``now``, by kind."""
        return tuple(row for _, row in sorted(self._state.mutes.items()) if row.until > now)

    def due_says(self, *, now: datetime, limit: int) -> tuple[SayRow, ...]:
        """Give what is to be said by ``now``, oldest first."""
        due = (row for row in self._state.says.values() if row.state is SayState.DUE and row.due_at and row.due_at <= now)
        return tuple(due)[:limit]

    def says_of(self, signal_id: int) -> tuple[SayRow, ...]:
        """Give what was said of a signal or is to be said, oldest first."""
        return tuple(row for row in self._state.says.values() if row.signal_id == signal_id)

    def newest_says(self, *, limit: int) -> tuple[SayRow, ...]:
        """Give what was said last, of whatever signal, and the last tests; newest first."""
        return tuple(reversed(self._state.says.values()))[:limit]

    def old_stops(self, *, before: datetime) -> Standing | None:
        """Count the open stops that were opened by ``before``, and give the oldest's time; None where there is none."""
        opened = [
            stop.opened_at for stop in self._state.stops.values() if stop.state is StopState.OPEN and stop.opened_at <= before
        ]
        return Standing(count=len(opened), since=min(opened)) if opened else None

    def stuck_stat(self, *, before: datetime, limit: int) -> tuple[Stuck, ...]:
        """Give STAT strips that have stood since ``before``: stopped, waiting for controls, or not received; at most ``limit`` of each."""
        stopped = [
            Stuck(subject=f"stop:{stop.stop_id}", since=stop.opened_at)
            for stop in self._state.stops.values()
            if stop.state is StopState.OPEN and stop.priority is Priority.STAT and stop.opened_at <= before
        ]
        waiting = [
            Stuck(subject=f"strip:{row.strip_id}", since=row.arrived_at)
            for row in (strip.row for strip in self._state.strips.values())
            if (row.outcome, row.priority) == ("waiting", Priority.STAT) and row.arrived_at <= before
        ]
        return (*stopped[:limit], *waiting[:limit], *self._unreceived(before)[:limit])

    def _unreceived(self, before: datetime) -> tuple[Stuck, ...]:
        born: dict[int, datetime] = {}
        for row in (sent.row for sent in self._state.sent.values()):
            if row.priority is Priority.STAT and row.state in OPEN_DELIVERY and row.born_at <= before:
                strip_id = self._state.results[row.result_id, row.version].strip_id
                born[strip_id] = min(row.born_at, born.get(strip_id, row.born_at))
        return tuple(Stuck(subject=f"strip:{number}", since=since) for number, since in sorted(born.items()))

    def waiting_for_controls(self) -> tuple[Standing, ...]:
        """Count by analyzer the strips that wait for controls, with the arrival of the first."""
        waiting = [strip.row for strip in self._state.strips.values() if strip.row.outcome == "waiting"]
        found = {
            name: [row.arrived_at for row in waiting if row.analyzer == name]
            for name in sorted({row.analyzer for row in waiting})
        }
        return tuple(Standing(name=name, count=len(came), since=min(came)) for name, came in found.items())
