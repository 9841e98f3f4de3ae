"""Lets in whoever comes from the hospital's directory: their account is found by issuer and subject, their role by their groups, each time anew."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from datetime import datetime

from bridge.accounts.directory import Found
from bridge.accounts.envelope import NAME as EMERGENCY
from bridge.accounts.people import Account, Role
from bridge.desk.access import NOBODY, Access, actor_of
from bridge.errors import Overtaken, RefusedAction
from bridge.identity.person import same_person
from bridge.store.account_commands import KeepAccount, NoteAccess
from bridge.store.api import Store
from bridge.store.asking import ask
from bridge.store.awaited import done

NO_GROUP = "The hospital's directory knows you, and none of your groups there has a role here. Ask your administrator."
IS_OFF = "Your account is switched off here. Ask your administrator."
NO_NAME = "The hospital's directory gives no name for you that can stand beside what you do. Ask your administrator."
NAME_TAKEN = (
    "Somebody else here has the name that the hospital's directory gives for you. Ask your administrator for another name there."
)


class Arrivals:
    """People from a directory."""

    def __init__(self, store: Store, access: Access, now: Callable[[], datetime]) -> None:
        self._store = store
        self._access = access
        self._now = now

    async def let_in(self, found: Found, *, address: str, replaces: str = "") -> str:
        """Give a new session's token, in place of the session with the token ``replaces``. Raises RefusedAction."""
        account = await self.account(found, address=address)
        return await self._access.open(account, None, address, replaces=replaces)

    async def code(self, found: Found, *, address: str) -> tuple[str, str]:
        """Give the name of who showed their password just now, and a code that stands for it once. Raises RefusedAction where they may not come in."""
        account = await self.account(found, address=address)
        subject = f"account:{account.account_id}"
        note = NoteAccess(what="account.code_shown", subject=subject, actor=actor_of(account), reason=address, at=self._now())
        await done(self._store, note)
        return account.name, self._access.codes.give(account.account_id)

    async def account(self, found: Found, *, address: str) -> Account:
        """Give the account of who came, as their groups have it now. Raises RefusedAction where they may not come in."""
        try:
            return await self._account(found, address)
        except Overtaken:  # somebody changed the account, or they came twice at once: once more with what is there now
            return await self._account(found, address)

    async def _account(self, found: Found, address: str) -> Account:
        known: Account | None = await ask(self._store, self._store.account_of, found.issuer, found.subject)
        if known is not None and not known.is_on:
            await self._note("sign_in.account_off", f"account:{known.account_id}", address)
            raise RefusedAction(IS_OFF)
        if found.role is None:
            if known is None:
                await self._note("sign_in.no_group", "sign-in", address)
            else:  # what they have open here ends as well
                await self._keep(known, "account.no_group", address)
            raise RefusedAction(NO_GROUP)
        if known is None:
            return await self._added(found, found.role)
        if known.role is found.role:
            return known
        return await self._keep(replace(known, role=found.role), "account.role", "as its groups in the directory have it")

    async def _added(self, found: Found, role: Role) -> Account:
        """Keep a new account under the first name that nobody has."""
        if not found.names:
            raise RefusedAction(NO_NAME)
        for name in found.names:
            if not same_person(name, EMERGENCY) and await ask(self._store, self._store.account_named, name) is None:
                account = Account(account_id=0, name=name, role=role, issuer=found.issuer, subject=found.subject)
                return await self._keep(account, "account.from_directory", "")
        raise RefusedAction(NAME_TAKEN)

    async def _keep(self, account: Account, what: str, reason: str) -> Account:
        command = KeepAccount(
            account=account,
            what=what,
            actor=actor_of(account),
            at=self._now(),
            reason=reason,
            ends_sessions=True,
            by_directory=True,
        )
        number = await done(self._store, command)
        return replace(account, account_id=number, version=account.version + 1 if account.account_id else account.version)

    async def _note(self, what: str, subject: str, address: str) -> None:
        await done(self._store, NoteAccess(what=what, subject=subject, actor=NOBODY, reason=address, at=self._now()))
