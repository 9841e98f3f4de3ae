"""The register of identifiers that are no patient's on the in-memory twin."""

from __future__ import annotations

from dataclasses import replace

from bridge.bench.registered import KeptRegistration
from bridge.errors import Overtaken, RefusedAction
from bridge.identity.person import same_person
from bridge.store.apply_registered import OVER, SAME_PERSON
from bridge.store.life_commands import EndRegistration, RegisterId, SignRegistration
from bridge.store.memory_rows import State, next_id
from bridge.store.statements import Change


def register_id(state: State, command: RegisterId) -> int:
    """Keep a registration; give its id."""
    number = next_id(state.registered)
    state.registered[number] = KeptRegistration(
        registration_id=number, registration=command.registration, entered_by=command.actor.name, entered_at=command.at
    )
    change = Change(after=command.registration.purpose)
    state.note(command.at, command.actor, "registered.entered", f"registered:{number}", change)
    return number


def sign_registration(state: State, command: SignRegistration) -> None:
    """Keep the second person's signature. Raises RefusedAction for the first one's, Overtaken where it is signed or ended."""
    known = state.registered.get(command.registration_id)
    if known is None or known.signed_by or known.ended_by:
        raise Overtaken(OVER)
    if same_person(known.entered_by, command.actor.name):
        raise RefusedAction(SAME_PERSON)
    state.registered[command.registration_id] = replace(known, signed_by=command.actor.name, signed_at=command.at)
    change = Change(before="entered", after="signed")
    state.note(command.at, command.actor, "registered.signed", f"registered:{command.registration_id}", change)


def end_registration(state: State, command: EndRegistration) -> None:
    """End a registration. Raises Overtaken where it is ended already, or never was."""
    known = state.registered.get(command.registration_id)
    if known is None or known.ended_by:
        raise Overtaken(OVER)
    ended = replace(known, ended_by=command.actor.name, ended_at=command.at, reason=command.reason)
    state.registered[command.registration_id] = ended
    change = Change(before="in force", after="ended", reason=command.reason)
    state.note(command.at, command.actor, "registered.ended", f"registered:{command.registration_id}", change)


class RegisteredInMemory:
    """The reads of registered identifiers; mixed into the twin."""

    _state: State

    def registrations(self, *, is_in_force: bool = False) -> tuple[KeptRegistration, ...]:
        """Give every registration, or those that nobody has ended, in the order of entry."""
        return tuple(each for each in self._state.registered.values() if not (is_in_force and each.ended_by))
