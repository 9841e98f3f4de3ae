"""What the in-memory twin keeps and tells of what is stopped."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import replace
from datetime import datetime

from bridge.errors import Overtaken, RefusedAction
from bridge.lifecycle.states import StopGroup, StopState
from bridge.model import SERVICE, Priority
from bridge.store import rows
from bridge.store.apply_audit import ASKED, SEEN
from bridge.store.apply_stop import ENDED, NOTED, NOWHERE, TURNS, taken_by
from bridge.store.memory_rows import State
from bridge.store.rows import EVERY_STOP
from bridge.store.statements import ASSIGNED, Change
from bridge.store.stop_commands import AssignStop, NoteStop


def assign_stop(state: State, command: AssignStop) -> None:
    """Keep whose an open stop is. Raises Overtaken where it is over, or is not whose the person saw it to be."""
    stop = state.stops.get(command.stop_id)
    if stop is None or stop.state is not StopState.OPEN:
        raise Overtaken(ENDED)
    if stop.owner != command.before:
        raise Overtaken(taken_by(stop.owner))
    state.stops[command.stop_id] = replace(stop, owner=command.owner)
    change = Change(before=command.before, after=command.owner)
    state.note(command.at, command.actor, ASSIGNED, f"stop:{command.stop_id}", change)


def owner_before(state: State, strip_id: int, delivery_id: int | None = None) -> str:
    """Give who last had taken a stop of a strip, or of one message of it; "" for nobody."""
    found = (
        stop for stop in reversed(state.stops.values()) if stop.strip_id == strip_id and delivery_id in (None, stop.delivery_id)
    )
    return next((stop.owner for stop in found if stop.owner), "")


def keep_owner(state: State, stop_id: int, owner: str, *, at: datetime) -> None:
    """Let a stop that was just opened be whose it was before."""
    if owner:
        state.stops[stop_id] = replace(state.stops[stop_id], owner=owner)
        state.note(at, SERVICE, ASSIGNED, f"stop:{stop_id}", Change(after=owner))


def note_stop(state: State, command: NoteStop) -> None:
    """Keep a note in a stop's history."""
    if command.stop_id not in state.stops:
        raise RefusedAction(NOWHERE)
    state.note(command.at, command.actor, NOTED, f"stop:{command.stop_id}", Change(reason=command.text))


class StopsInMemory:
    """The reads of stops; mixed into the twin, which has the state."""

    _state: State

    def stops(
        self,
        *,
        group: StopGroup | None = None,
        rule: str = "",
        priority: Priority | None = None,
        is_open: bool = True,
        before: int | None = None,
        limit: int = 100,
    ) -> tuple[rows.StopRow, ...]:
        """Give stops, newest first, before the stop id ``before``; of one group, rule or priority where one is named."""
        found = [
            stop
            for stop in reversed(self._state.stops.values())
            if (stop.state is StopState.OPEN) is is_open
            and group in (None, stop.group)
            and rule in ("", stop.rule)
            and priority in (None, stop.priority)
            and (before is None or stop.stop_id < before)
        ]
        return tuple(found[:limit])

    def stop(self, stop_id: int) -> rows.StopRow | None:
        """Give one stop."""
        return self._state.stops.get(stop_id)

    def stop_events(self, stop_id: int) -> tuple[rows.EventRow, ...]:
        """Give the history of a stop and of what stood for the same strip before it, oldest first."""
        own = self._state.stops.get(stop_id)
        its = [f"stop:{each.stop_id}" for each in self._state.stops.values() if own is not None and _stood_before(each, own)]
        found = [each for each in self._state.events if each.subject in its and each.what not in {SEEN, ASKED}]
        return tuple(sorted(found, key=lambda each: (each.at, its.index(each.subject))))

    def stop_turns(self, *, after: int) -> rows.Turns:
        """Give the events by which stops became somebody's or ended, from behind an event's id; and the newest id of all events."""
        found = (
            number
            for number, each in enumerate(self._state.events, start=1)
            if number > after and each.what in TURNS and each.subject.startswith("stop:")
        )
        return rows.Turns(events=tuple(found), last_event=len(self._state.events))

    def refused_file(self, stop_id: int) -> rows.RefusedFileRow | None:
        """Give the file behind a stop that has no capture."""
        return self._state.refused_files.get(stop_id)

    def open_stops(self) -> Mapping[StopGroup, int]:
        """Count the open stops of each group."""
        counts = Counter(stop.group for stop in self._state.stops.values() if stop.state is StopState.OPEN)
        return {group: counts[group] for group in StopGroup}

    def open_reasons(self) -> tuple[tuple[StopGroup, str, int], ...]:
        """Count the open stops of each (group, rule), in order of group and rule."""
        counts = Counter((stop.group, stop.rule) for stop in self._state.stops.values() if stop.state is StopState.OPEN)
        return tuple((group, rule, count) for (group, rule), count in sorted(counts.items()))

    def urgent_stops(
        self, search: rows.StopSearch = EVERY_STOP, *, after: int | None = None, limit: int = 100
    ) -> tuple[rows.StopRow, ...]:
        """Give open stops, the most urgent first; from behind the stop id ``after``."""
        last = self._state.stops.get(after) if after is not None else None
        found = sorted((stop for stop in self._state.stops.values() if _is_wanted(stop, search)), key=_urgency)
        return tuple([stop for stop in found if last is None or _urgency(stop) > _urgency(last)][:limit])

    def newer_stops(self, search: rows.StopSearch, *, after: int, limit: int) -> tuple[rows.StopRow, ...]:
        """Give open stops that came after the stop id ``after``, newest first."""
        found = [stop for stop in reversed(self._state.stops.values()) if stop.stop_id > after and _is_wanted(stop, search)]
        return tuple(found[:limit])

    def stop_counts(self, edges: Sequence[datetime]) -> tuple[rows.StopCount, ...]:
        """Count the open stops of each kind that a list is narrowed by."""
        alike: dict[tuple[StopGroup, str, str, str, str, int], list[datetime]] = {}
        for stop in self._state.stops.values():
            if stop.state is StopState.OPEN:
                age = sum(stop.opened_at <= edge for edge in edges)
                kind = (stop.group, stop.rule, stop.analyzer or stop.source, stop.destination, stop.owner, age)
                alike.setdefault(kind, []).append(stop.opened_at)
        return tuple(
            rows.StopCount(
                group=group, rule=rule, analyzer=analyzer, destination=destination, owner=owner, age=age,
                count=len(since), oldest=min(since),
            )
            for (group, rule, analyzer, destination, owner, age), since in sorted(alike.items())
        )  # fmt: skip


def _stood_before(stop: rows.StopRow, own: rows.StopRow) -> bool:
    """Say whether a stop is this one, or stood before it for the same strip: not of a message to another receiver."""
    if stop.stop_id == own.stop_id:
        return True
    is_of_strip = own.strip_id is not None and (stop.capture_id, stop.index) == (own.capture_id, own.index)
    return (
        stop.stop_id < own.stop_id
        and is_of_strip
        and ("" in {stop.destination, own.destination} or stop.destination == own.destination)
    )


def _urgency(stop: rows.StopRow) -> tuple[bool, int]:
    return stop.priority is not Priority.STAT, stop.stop_id


def _is_wanted(stop: rows.StopRow, search: rows.StopSearch) -> bool:
    return (
        stop.state is StopState.OPEN
        and search.group in (None, stop.group)
        and search.rule in ("", stop.rule)
        and search.priority in (None, stop.priority)
        and search.analyzer in ("", stop.analyzer or stop.source)
        and search.destination in ("", stop.destination)
        and search.owner in (None, stop.owner)
        and (search.opened_after is None or stop.opened_at > search.opened_after)
        and (search.opened_until is None or stop.opened_at <= search.opened_until)
    )
