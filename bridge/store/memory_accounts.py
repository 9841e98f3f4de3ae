"""Accounts, sessions and keys on the in-memory twin."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from datetime import datetime

from bridge.accounts.people import Account, ApiKey, Session
from bridge.accounts.policy import FORGOTTEN_AFTER, FREE_TRIES, FREE_TRIES_OF_ADDRESS, counted, free_again_at
from bridge.errors import Overtaken, RefusedAction
from bridge.identity.person import same_person
from bridge.store.account_commands import (
    BeginTry,
    EndKey,
    EndSession,
    EnterKey,
    KeepAccount,
    LockSession,
    MakeSure,
    NoteAccess,
    OpenSession,
    TouchSession,
)
from bridge.store.apply_accounts import (
    CHANGED,
    CHANGED_MEANWHILE,
    KEY_OVER,
    LAST_ONE,
    NOT_FIRST,
    OFF,
    SIGNED_OUT,
    TAKEN,
    change_of,
    is_pretended,
)
from bridge.store.memory_rows import State, next_id
from bridge.store.statements import Change


def keep_account(state: State, command: KeepAccount) -> int:
    """Keep an account; give its id."""
    of = command.account
    if command.is_first and _is_administered(state.accounts, command):
        raise Overtaken(NOT_FIRST)
    if of.issuer and any(
        (each.issuer, each.subject) == (of.issuer, of.subject) and each.account_id != of.account_id
        for each in state.accounts.values()
    ):
        raise Overtaken(CHANGED)
    namesakes = (each for each in state.accounts.values() if same_person(each.name, of.name) and each.account_id != of.account_id)
    if any(namesakes) or is_pretended(of):
        raise RefusedAction(TAKEN)
    number, known = of.account_id, state.accounts.get(of.account_id)
    if number:
        if known is None or known.version != of.version:
            raise Overtaken(CHANGED)
        kept = replace(of, version=of.version + 1, issuer=known.issuer, subject=known.subject)
        after = {**state.accounts, number: kept}
        if not command.by_directory and _is_administered(state.accounts, command) and not _is_administered(after, command):
            raise RefusedAction(LAST_ONE)
        state.accounts[number] = kept
    else:
        number = next_id(state.accounts)
        state.accounts[number] = replace(of, account_id=number, version=1)
    if not of.secret:
        state.quick_ways.pop(number, None)
    if command.ends_sessions:
        for digest in [each.digest for each in state.sessions.values() if each.account_id == number]:
            del state.sessions[digest]
    state.note(command.at, command.actor, command.what, f"account:{number}", change_of(command))
    return number


def _is_administered(accounts: Mapping[int, Account], command: KeepAccount) -> bool:
    return any(map(command.taken.administers, accounts.values()))


def begin_try(state: State, command: BeginTry) -> datetime | None:
    """Count a try, unless it comes too early: then give from when on one is taken."""
    for who in [who for who, (_, last_at) in state.tries.items() if last_at < command.at - FORGOTTEN_AFTER]:
        del state.tries[who]
    frees = {command.name_key: FREE_TRIES, command.address_key: FREE_TRIES_OF_ADDRESS}
    failures: dict[str, int] = {}
    for who, free in sorted(frees.items()):
        before, last_at = state.tries.get(who, (0, None))
        failures[who] = counted(before, last_at, now=command.at)
        if last_at is not None and command.at < (until := free_again_at(failures[who], last_at, free=free)):
            return until
    state.tries.update({who: (before + 1, command.at) for who, before in failures.items()})
    return None


def open_session(state: State, command: OpenSession) -> None:
    """Keep a session. Raises Overtaken where its account is switched off, or is another one than its person was let in by."""
    of = command.session
    account = state.accounts.get(of.account_id)
    if account is None or not account.is_on:
        raise Overtaken(OFF)
    if account.version != command.version:
        raise Overtaken(CHANGED_MEANWHILE)
    if command.begun is not None:
        _forgive(state, command.begun)
    gone = [each.digest for each in state.sessions.values() if each.opened_at < command.forget_before]
    for digest in (command.replaces, *gone):
        state.sessions.pop(digest, None)
    state.sessions[of.digest] = of
    state.note(of.seen_at, command.actor, command.what, f"account:{of.account_id}", Change(reason=command.address))


def _forgive(state: State, begun: BeginTry) -> None:
    state.tries.pop(begun.name_key, None)
    failures, last_at = state.tries.get(begun.address_key, (0, begun.at))
    if failures:
        state.tries[begun.address_key] = failures - 1, last_at


def touch_session(state: State, command: TouchSession) -> None:
    """Keep that a session was used."""
    known = state.sessions.get(command.digest)
    if known is not None:
        state.sessions[command.digest] = replace(known, seen_at=max(known.seen_at, command.at))


def make_sure(state: State, command: MakeSure) -> None:
    """Keep that a password was given again. Raises Overtaken where the session is over."""
    known = state.sessions.get(command.digest)
    if known is None:
        raise Overtaken(SIGNED_OUT)
    state.sessions[command.digest] = replace(known, sure_at=command.at)
    _forgive(state, command.begun)
    state.note(command.at, command.actor, "password.again", f"account:{known.account_id}", Change(reason=command.address))


def lock_session(state: State, command: LockSession) -> None:
    """Lock a session."""
    known = state.sessions.get(command.digest)
    if known is not None and known.locked_at is None:
        state.sessions[command.digest] = replace(known, locked_at=command.at)
        state.note(command.at, command.actor, "account.locked", f"account:{known.account_id}", Change())


def end_session(state: State, command: EndSession) -> None:
    """End a session."""
    known = state.sessions.pop(command.digest, None)
    if known is not None:
        state.note(command.at, command.actor, "account.signed_out", f"account:{known.account_id}", Change())


def note_access(state: State, command: NoteAccess) -> None:
    """Append the event."""
    if command.forgives is not None:
        _forgive(state, command.forgives)
    state.note(command.at, command.actor, command.what, command.subject, Change(reason=command.reason))


def enter_key(state: State, command: EnterKey) -> int:
    """Keep a key; give its id."""
    number = next_id(state.api_keys)
    made = replace(command.key, key_id=number, made_by=command.actor.name, made_at=command.at, ended_by="", ended_at=None)
    state.api_keys[number] = made
    state.note(command.at, command.actor, "key.made", f"key:{number}", Change(after="acts" if made.acts else "reads"))
    return number


def end_key(state: State, command: EndKey) -> None:
    """End a key. Raises Overtaken where it is ended already."""
    known = state.api_keys.get(command.key_id)
    if known is None or known.ended_by:
        raise Overtaken(KEY_OVER)
    state.api_keys[command.key_id] = replace(known, ended_by=command.actor.name, ended_at=command.at)
    state.note(command.at, command.actor, "key.ended", f"key:{command.key_id}", Change(after="ended", reason=command.reason))


class AccountsInMemory:
    """The reads of accounts; mixed into the twin."""

    _state: State

    def accounts(self) -> tuple[Account, ...]:
        """Give every account, in the order in which they were made."""
        return tuple(self._state.accounts.values())

    def account(self, account_id: int) -> Account | None:
        """Give one account."""
        return self._state.accounts.get(account_id)

    def account_named(self, name: str) -> Account | None:
        """Give the account of a name; capitals and blanks make no other one."""
        return next((each for each in self._state.accounts.values() if same_person(each.name, name)), None)

    def account_of(self, issuer: str, subject: str) -> Account | None:
        """Give the account of somebody in a directory, whatever their name."""
        of = (issuer, subject)
        return next((each for each in self._state.accounts.values() if issuer and (each.issuer, each.subject) == of), None)

    def session(self, digest: str) -> tuple[Session, Account] | None:
        """Give a session and whose it is."""
        known = self._state.sessions.get(digest)
        return (known, self._state.accounts[known.account_id]) if known is not None else None

    def api_keys(self) -> tuple[ApiKey, ...]:
        """Give every key, ended ones too, in the order in which they were made."""
        return tuple(self._state.api_keys.values())

    def api_key(self, digest: str) -> ApiKey | None:
        """Give the key of a digest."""
        return next((each for each in self._state.api_keys.values() if each.digest == digest), None)
