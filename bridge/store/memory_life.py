"""Analyzers' lives on the in-memory twin."""

from __future__ import annotations

from datetime import datetime

from bridge.bench.analyzer_life import ASKS_FOR_CONTROLS, KeptHappening, LifeEvent, in_order, may_happen, standing
from bridge.errors import Overtaken
from bridge.model import Actor
from bridge.store.apply_life import AGREED, CONFIRMED, OTHERWISE
from bridge.store.life_commands import NoteLife
from bridge.store.memory_day_log import ask_for_controls
from bridge.store.memory_lots import free_held
from bridge.store.memory_rows import State, next_id
from bridge.store.statements import Change


def note_life(state: State, command: NoteLife) -> int:
    """Append what happened; give its id. Raises Overtaken where it cannot have happened."""
    of = command.happened
    known = (each for each in state.life.values() if each.happened.analyzer == of.analyzer)
    if not may_happen(standing(in_order(known), of.at), of.what):
        raise Overtaken(OTHERWISE)
    event_id = next_id(state.life)
    state.life[event_id] = KeptHappening(
        event_id=event_id, happened=of, entered_by=command.actor.name, verified=command.actor.verified, entered_at=command.at
    )
    change = Change(after=of.what, reason=of.reason)
    state.note(command.at, command.actor, "analyzer.life", f"analyzer_event:{event_id}", change)
    if command.second:
        agreed = Actor(name=command.second, verified=command.actor.verified)
        state.note(command.at, agreed, AGREED, f"analyzer_event:{event_id}", Change(after=of.what))
    if of.what in ASKS_FOR_CONTROLS:
        ask_for_controls(state, of.analyzer, command.policy, by=command.actor, at=command.at)
    if of.what is LifeEvent.STRIP_TYPE:
        of_it = lambda strip: strip.analyzer == of.analyzer  # noqa: E731 - one line, for the call below
        free_held(state, "analyzer.strip_type", of_it, at=command.at, actor=command.actor, because=CONFIRMED)
    return event_id


class LivesInMemory:
    """The reads of analyzers' lives; mixed into the twin."""

    _state: State

    def life_events(self, *, since: datetime) -> tuple[KeptHappening, ...]:
        """Give what happened to analyzers since then, and of before the last of each kind, in the order in which it was entered."""
        life = self._state.life.values()
        before = {(each.happened.analyzer, each.happened.what): each.event_id for each in life if each.happened.at < since}
        return tuple(each for each in life if each.happened.at >= since or each.event_id in before.values())
