"""Leases on the in-memory twin: heartbeats, tokens, and what a new owner finds under way."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from datetime import datetime, timedelta

from bridge.errors import LeaseLost
from bridge.lifecycle.sharing import NOBODY, is_every, share_out
from bridge.lifecycle.states import DeliveryEvent
from bridge.model import SERVICE, Actor, DeliveryState
from bridge.store import commands as c
from bridge.store.memory_rows import Alive, State

Move = Callable[[State, int, DeliveryEvent, datetime, Actor], DeliveryState]


def check_lease(state: State, lease: c.Lease) -> None:
    """Raise LeaseLost unless ``lease`` is the newest of its name."""
    if lease.name not in state.leases or state.leases[lease.name][1] != lease.token:
        raise LeaseLost(f"{lease.name} is another process's now.")


def hold_leases(state: State, command: c.HoldLeases) -> c.HeldLeases:
    """Renew, free what the dead held, give back what is wound up, take a fair share of what is free."""
    now, me = command.at, command.owner
    for owner, alive in list(state.processes.items()):
        is_void = command.length_s is None and owner != me
        if is_void or (alive.seen_until is not None and alive.seen_until <= now):
            del state.processes[owner]
    _free(state)
    until = None if command.length_s is None else now + timedelta(seconds=command.length_s)
    for owner, alive in list(state.processes.items()):  # a clock that was set back must not keep a dead process alive
        if until is not None and alive.seen_until is not None and alive.seen_until > until:
            state.processes[owner] = replace(alive, seen_until=until)
    state.processes[me] = Alive(wishes=command.wishes, seen_until=until, steps_back=command.steps_back)
    for name in command.wound_up:
        if state.leases.get(name, (NOBODY, 0))[0] == me:
            _pass(state, name, NOBODY)
    for name in command.wishes:
        if not is_every(name):
            state.leases.setdefault(name, (NOBODY, 0))
    share = share_out(
        me,
        {owner: alive.wishes for owner, alive in state.processes.items()},
        {name: owner for name, (owner, _) in state.leases.items()},
        {owner: alive.steps_back for owner, alive in state.processes.items()},
    )
    for name in share.take:
        _pass(state, name, me)
    ends = [alive.seen_until for owner, alive in state.processes.items() if owner != me and alive.seen_until is not None]
    return c.HeldLeases(
        held=tuple(c.Lease(name=name, token=token) for name, (owner, token) in sorted(state.leases.items()) if owner == me),
        give_back=frozenset(share.give_back),
        next_end_s=(min(ends) - now).total_seconds() if ends else None,
    )


def leave_leases(state: State, command: c.LeaveLeases) -> None:
    """Give everything back."""
    state.processes.pop(command.owner, None)
    _free(state)


def _free(state: State) -> None:
    for name, (owner, _) in list(state.leases.items()):
        if owner != NOBODY and owner not in state.processes:
            _pass(state, name, NOBODY)


def _pass(state: State, name: str, following: str) -> None:
    state.leases[name] = (following, state.leases[name][1] + 1)


def recover_deliveries(state: State, destination: str, at: datetime, move: Move) -> int:
    """Make due again what was being sent, under the same identity and bytes; its try's outcome is unknown."""
    sending = [
        number
        for number, sent in state.sent.items()
        if (sent.row.destination, sent.row.state) == (destination, DeliveryState.SENDING)
    ]
    for number in sending:
        after = move(state, number, DeliveryEvent.RECOVER, at, SERVICE)
        sent = state.sent[number]
        state.sent[number] = replace(sent, row=replace(sent.row, state=after, due_at=at))
        for attempt, tried in list(state.tried.items()):
            if tried.delivery_id == number and tried.row.ended_at is None:
                state.tried[attempt] = replace(tried, row=replace(tried.row, ended_at=at, code="unknown"))
    return len(sending)
