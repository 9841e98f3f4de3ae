"""Sealed envelopes on the in-memory twin."""

from __future__ import annotations

from dataclasses import replace

from bridge.accounts.envelope import ACCOUNT, Envelope, is_emergency
from bridge.errors import Overtaken, RefusedAction
from bridge.store.account_commands import KeepAccount
from bridge.store.apply_envelopes import NO_LOOK, NOT_RIGHT, look_fault
from bridge.store.envelope_commands import LookIntoEnvelope, OpenEnvelope, SealEnvelope
from bridge.store.memory_accounts import keep_account, open_session
from bridge.store.memory_rows import State, next_id
from bridge.store.statements import Change, first_said


def seal_envelope(state: State, command: SealEnvelope) -> int:
    """Keep a new envelope; give its id."""
    if not any(map(is_emergency, state.accounts.values())):
        keep_account(state, KeepAccount(account=ACCOUNT, what="account.emergency", actor=command.actor, at=command.at))
    number = next_id(state.envelopes)
    state.envelopes[number] = Envelope(
        envelope_id=number, digest=command.digest, sealed_by=command.actor.name, sealed_at=command.at
    )
    state.note(command.at, command.actor, "envelope.sealed", f"envelope:{number}", Change(reason=command.reason))
    return number


def open_envelope(state: State, command: OpenEnvelope) -> None:
    """Spend the newest envelope. Raises RefusedAction where it is another one, or spent."""
    newest = state.envelopes.get(max(state.envelopes, default=0))
    if newest is None or newest.digest != command.digest or newest.opened_at is not None:
        raise RefusedAction(NOT_RIGHT)
    open_session(state, command.opens)
    at = command.opens.session.opened_at
    state.envelopes[newest.envelope_id] = replace(newest, opened_by=command.by, opened_at=at, opened_why=command.why)
    change = Change(after=command.by, reason=command.why)
    state.note(at, command.opens.actor, "envelope.opened", f"envelope:{newest.envelope_id}", change)


def look_into_envelope(state: State, command: LookIntoEnvelope) -> None:
    """Keep that somebody looked into an opening. Raises Overtaken where nobody can any more, RefusedAction where it is their own."""
    known = state.envelopes.get(command.envelope_id)
    if known is None or not known.asks_for_a_look:
        raise Overtaken(first_said(known.looked_by if known else "", NO_LOOK))
    fault = look_fault(known, command.actor)
    if fault:
        raise RefusedAction(fault)
    looked = replace(known, looked_by=command.actor.name, looked_at=command.at, looked_why=command.reason)
    state.envelopes[known.envelope_id] = looked
    state.note(command.at, command.actor, "envelope.looked_into", f"envelope:{known.envelope_id}", Change(reason=command.reason))


class EnvelopesInMemory:
    """The reads of envelopes; mixed into the twin."""

    _state: State

    def envelopes(self, *, limit: int) -> tuple[Envelope, ...]:
        """Give envelopes, the newest first."""
        return tuple(reversed(self._state.envelopes.values()))[:limit]

    def envelopes_opened(self) -> tuple[Envelope, ...]:
        """Give those whose opening nobody has looked into, in the order in which they were sealed."""
        return tuple(each for each in self._state.envelopes.values() if each.asks_for_a_look)
