"""Sealed envelopes: an administrator, or whoever has the console, seals one; who opens it comes in for a short time; somebody else looks into that."""

from __future__ import annotations

from collections.abc import Callable
from datetime import datetime

from bridge.accounts.envelope import ISSUER, SECRET_BYTES, SUBJECT
from bridge.accounts.policy import code_text, plain_code, plain_name
from bridge.desk.access import NAME_FAULT, NOBODY, Access, digest_of
from bridge.desk.who import named, require_reason
from bridge.errors import RefusedAction
from bridge.model import Actor
from bridge.store.account_commands import BeginTry, NoteAccess
from bridge.store.api import Store
from bridge.store.apply_envelopes import NOT_RIGHT
from bridge.store.asking import ask
from bridge.store.awaited import done
from bridge.store.envelope_commands import LookIntoEnvelope, OpenEnvelope, SealEnvelope


class EnvelopeDesk:
    """What is done with envelopes. Raises RefusedAction with a sentence for the person."""

    def __init__(self, store: Store, access: Access, now: Callable[[], datetime], random: Callable[[int], bytes]) -> None:
        """``random`` gives so many unguessable bytes."""
        self._store = store
        self._access = access
        self._now = now
        self._random = random

    def seal(self, *, reason: str, actor: Actor) -> str:
        """Keep a new envelope; give its secret, which is shown this once. An earlier one that was not opened opens nothing any more."""
        return seal(self._store, reason=reason, actor=actor, now=self._now(), random=self._random)

    async def open(self, secret: str, *, by: str, why: str, address: str, replaces: str = "") -> str:
        """Give the token of a session of the emergency account. ``by``: the name that was typed, and ``why`` the reason."""
        name = plain_name(by)
        if not name:
            raise RefusedAction(NAME_FAULT)
        require_reason(why)
        begun = await self._access.begin(_try(address, self._now()))
        account = await ask(self._store, self._store.account_of, ISSUER, SUBJECT)
        if account is None:
            raise RefusedAction(NOT_RIGHT)
        token, opens = await self._access.opening(account, begun, address, replaces=replaces)
        command = OpenEnvelope(digest=digest_of(plain_code(secret)), by=name, why=why.strip(), opens=opens)
        try:
            await done(self._store, command)
        except RefusedAction:
            note = NoteAccess(what="envelope.failed", subject="sign-in", actor=NOBODY, reason=address, at=self._now())
            await done(self._store, note)
            raise
        return token

    def look_into(self, envelope_id: int, *, reason: str, actor: Actor) -> None:
        """Say what came of an opening: who it was, and whether it was right."""
        require_reason(reason)
        command = LookIntoEnvelope(envelope_id=envelope_id, actor=named(actor), reason=reason.strip(), at=self._now())
        self._store.submit(command).result()


def seal(store: Store, *, reason: str, actor: Actor, now: datetime, random: Callable[[int], bytes]) -> str:
    """Keep a new envelope; give its secret."""
    require_reason(reason)
    secret = code_text(random(SECRET_BYTES))
    store.submit(SealEnvelope(digest=digest_of(secret), actor=named(actor), reason=reason.strip(), at=now)).result()
    return secret


def _try(address: str, at: datetime) -> BeginTry:
    """Give the count of wrong ones by address alone: nobody can make the envelope itself wait for whoever needs it."""
    return BeginTry(name_key=f"envelope:{address}", address_key=f"address:{address}", at=at)
