"""Signing in and out, and who stands behind a request. A wrong name, a wrong password and an account that is off get one answer in one time."""

from __future__ import annotations

import hashlib
import hmac
import secrets
from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass, field, replace
from datetime import datetime, timedelta

from bridge.accounts.envelope import BY_ENVELOPE, is_emergency
from bridge.accounts.people import MACHINE_NAME, Account, ApiKey, Role, Session, Terms, is_locked, is_open, is_sure
from bridge.accounts.permissions import Right, may
from bridge.accounts.policy import normal, password_fault, plain_code, plain_name
from bridge.accounts.taken import OWN, Taken
from bridge.credentials.passwords import Passwords
from bridge.desk.own_codes import OwnCodes
from bridge.errors import RefusedAction, StoreError
from bridge.identity.person import bare, same_person
from bridge.model import Actor
from bridge.store.account_commands import (
    BeginTry,
    EndSession,
    KeepAccount,
    LockSession,
    MakeSure,
    NoteAccess,
    OpenSession,
    TouchSession,
)
from bridge.store.api import Store
from bridge.store.asking import ask
from bridge.store.awaited import done

BY_DIRECTORY = "directory"
NOBODY = Actor(name="not signed in", verified="unverified")
BY_PASSWORD = "password"  # noqa: S105 - how somebody is known, not a password
NOT_RIGHT = "The name or the password is not right. After several wrong ones in a row the next is taken only after a while."
CODE_NOT_RIGHT = "The name or the code is not right, or the code is too old. Your administrator gives a new one."
NO_PASSWORDS = "Passwords of this site are not taken here: sign in by the hospital's directory."
CODE_ASKED = "This asks for a code from the hospital's directory."
OWN_CODE_NOT_RIGHT = "The code is not right, or was used, or is too old. Get a new one from the hospital's directory."
OWN_BY_DIRECTORY = "Your password is the hospital directory's: change it there."
SECOND_NOT_RIGHT = "The second person's name, password or code is not right, or that account may not act. Nothing was done: go back and let them type it again."
PASSWORD_ASKED = "This asks for your own password."  # noqa: S105 - a sentence
PASSWORD_NOT_RIGHT = "Your password is not right."  # noqa: S105 - a sentence
NAME_FAULT = "Give a name of 2 to 60 characters, as it is to stand beside what you do."
TOUCHED_EACH = timedelta(minutes=1)  # ours: a commit a minute and a person, and not one a request
TOKEN_BYTES = 32  # ours: 256 bits; OWASP asks for 64 at least


@dataclass(frozen=True, kw_only=True, slots=True)
class Caller:
    """Who is behind a request: a person with a session, or a program with a key (``session`` None).

    ``is_sure``: the password was given so lately that a grave act asks for none.
    """

    actor: Actor
    role: Role
    account: Account | None = None
    session: Session | None = None
    acts: bool = False
    is_sure: bool = False

    @property
    def may_lock(self) -> bool:
        """Say whether the session can be locked: not the emergency account's, since what would unlock it is spent."""
        return self.session is not None and self.account is not None and not is_emergency(self.account)


@dataclass(frozen=True, kw_only=True, slots=True)
class Typed:
    """What somebody typed to be let in, and from where (``from 10.0.0.7``)."""

    name: str
    password: str = field(repr=False)
    address: str


def actor_of(account: Account, known_by: str = "") -> Actor:
    """Give who acts with an account, and how they are known."""
    if is_emergency(account):
        return Actor(name=account.name, verified=BY_ENVELOPE)
    return Actor(name=account.name, verified=known_by or (BY_DIRECTORY if account.issuer else BY_PASSWORD))


def digest_of(token: str) -> str:
    """Give what is kept of a token, a key or a code: it has at least 80 random bits, so a fast hash is enough."""
    return hashlib.sha256(token.encode("utf-8", "replace")).hexdigest()


class Access:
    """Lets people and programs in."""

    def __init__(
        self,
        store: Store,
        terms: Terms,
        passwords: Passwords,
        *,
        now: Callable[[], datetime],
        token: Callable[[], str],
        taken: Taken = OWN,
    ) -> None:
        """``token`` gives a new unguessable text of ``TOKEN_BYTES`` random bytes each time."""
        self.taken = taken
        self.codes = OwnCodes(now, secrets.token_bytes)
        # no rest in between and no password again: what would open it again is spent
        lasts = min(terms.emergency, terms.longest)
        self._emergency = Terms(idle=lasts, longest=lasts, sure=lasts)
        self._store = store
        self._terms = terms
        self._passwords = passwords
        self._now = now
        self._token = token
        self._first_code = ""

    # --- who is it

    async def of_session(self, token: str, *, is_used: bool = True) -> Caller | None:
        """Give who has the session of this token; None where there is none any more. ``is_used``: a person is at it, and not a page by itself."""
        found = await ask(self._store, self._store.session, digest_of(token))
        if found is None:
            return None
        session, account = found
        now = self._now()
        terms = self._terms_of(account)
        if not is_open(session, terms, now=now) or not account.is_on or not self.taken.takes(account):
            return None
        if is_used and now - session.seen_at >= TOUCHED_EACH:
            with suppress(StoreError):  # a page is shown also where its use cannot be kept for now
                await done(self._store, TouchSession(digest=session.digest, at=now))
        return Caller(
            actor=actor_of(account, session.known_by),
            role=account.role,
            account=account,
            session=session,
            is_sure=is_sure(session, terms, now=now),
        )

    async def resting(self, token: str) -> tuple[Session, Account] | None:
        """Give the session of this token that is locked, by hand or by its idle time, and whose it is; None where none is."""
        found = await ask(self._store, self._store.session, digest_of(token)) if token else None
        if found is None:
            return None
        session, account = found
        may_go_on = account.is_on and self.taken.takes(account)
        return found if may_go_on and is_locked(session, self._terms_of(account), now=self._now()) else None

    def _terms_of(self, account: Account) -> Terms:
        return self._emergency if is_emergency(account) else self._terms

    @property
    def idle_s(self) -> int:
        """Give after how many seconds without use a session is locked."""
        return int(self._terms.idle.total_seconds())

    async def of_key(self, key: str) -> Caller | None:
        """Give the program that has this key; None where it opens nothing (any more)."""
        found: ApiKey | None = await ask(self._store, self._store.api_key, digest_of(key))
        if found is None or not found.counts(self._now()):
            return None
        actor = Actor(name=MACHINE_NAME.format(key_id=found.key_id, name=found.name), verified="key")
        return Caller(actor=actor, role=Role.MACHINE, acts=found.acts)

    # --- letting in

    async def sign_in(self, typed: Typed, *, replaces: str = "") -> str:
        """Give a new session's token, in place of the session with the token ``replaces``. Raises RefusedAction."""
        self._require_passwords()
        begun = await self._begin(typed)
        account = await self._right(typed)
        if account is None:
            await self._note_failed(typed, "sign_in.failed")
            raise RefusedAction(NOT_RIGHT)
        return await self.open(account, begun, typed.address, replaces=replaces)

    async def first_sign_in(self, typed: Typed, *, code: str, again: str, replaces: str = "") -> str:
        """Let in by a one-time code, and keep the password that was chosen. Raises RefusedAction."""
        self._require_passwords()
        _require_password(typed, again)
        begun = await self._begin(typed)
        account = await ask(self._store, self._store.account_named, typed.name)
        is_first = self._is_first_code(code) and not await self._is_administered()
        if not is_first and not (account is not None and account.code_counts(self._now()) and _same(account.code_digest, code)):
            await self._note_failed(typed, "sign_in.code_failed")
            raise RefusedAction(CODE_NOT_RIGHT)
        secret = await self._passwords.hash(normal(typed.password))
        if is_first:
            kept = await self._keep_first(typed.name, secret)
        else:
            assert account is not None
            kept = await self._keep_secret(account, secret, "account.password_chosen")
        return await self.open(kept, begun, typed.address, replaces=replaces)

    async def change_password(self, caller: Caller, *, old: str, new: str, again: str, address: str) -> str:
        """Keep a new password of who is signed in; every session of theirs ends, and the token of a new one is given. Raises RefusedAction."""
        assert caller.account is not None
        if caller.account.issuer:
            raise RefusedAction(OWN_BY_DIRECTORY)
        typed = Typed(name=caller.account.name, password=old, address=address)
        _require_password(replace(typed, password=new), again)
        begun = await self._begin(typed)
        if await self._right(typed) is None:
            await self._note_failed(typed, "sign_in.failed")
            raise RefusedAction("Your password as it is now is not right.")
        kept = await self._keep_secret(caller.account, await self._passwords.hash(normal(new)), "account.password_changed")
        return await self.open(kept, begun, address)

    async def make_sure(self, caller: Caller, *, password: str, address: str) -> None:
        """Look at the password that who is signed in gave again, before a grave act. Raises RefusedAction where it is none or wrong."""
        assert caller.account is not None
        assert caller.session is not None
        is_by_directory = bool(caller.account.issuer)
        if not password:
            raise RefusedAction(CODE_ASKED if is_by_directory else PASSWORD_ASKED)
        typed = Typed(name=caller.account.name, password=password, address=address)
        begun = await self._begin(typed)
        if await self._sure(typed) is None:
            await self._note(caller, "password.again_failed", address)
            raise RefusedAction(OWN_CODE_NOT_RIGHT if is_by_directory else PASSWORD_NOT_RIGHT)
        digest = caller.session.digest
        command = MakeSure(digest=digest, begun=begun, actor=caller.actor, address=address, at=self._now())
        await done(self._store, command)

    async def lock(self, caller: Caller) -> None:
        """Lock the session until its person gives the password; end one that nobody could unlock."""
        assert caller.session is not None
        if not caller.may_lock:
            await self.sign_out(caller)
            return
        await done(self._store, LockSession(digest=caller.session.digest, actor=caller.actor, at=self._now()))

    async def sign_out(self, caller: Caller) -> None:
        """End the session."""
        assert caller.session is not None
        await done(self._store, EndSession(digest=caller.session.digest, actor=caller.actor, at=self._now()))

    async def second(self, caller: Caller, typed: Typed) -> str:
        """Give the name of the second person, who gave their own password. Raises RefusedAction."""
        begun = await self._begin(typed)
        account = await self._sure(typed)
        if account is None or not may(account.role, Right.ACT) or same_person(account.name, caller.actor.name):
            await self._note_failed(typed, "second.failed")
            raise RefusedAction(SECOND_NOT_RIGHT)
        await self._forgive(account, begun, typed.address)
        return account.name

    async def note_refused(self, caller: Caller, what: str) -> None:
        """Keep that a role was not enough for what was asked."""
        await self._note(caller, "access.refused", what)

    async def _note(self, caller: Caller, what: str, reason: str) -> None:
        subject = f"account:{caller.account.account_id}" if caller.account else "key"
        await done(self._store, NoteAccess(what=what, subject=subject, actor=caller.actor, reason=reason, at=self._now()))

    # --- the first administrator

    async def first_code(self, code: str) -> bool:
        """Let ``code`` make the first administrator, if there is none who comes in; say whether it does."""
        if not self.taken.passwords or await self._is_administered():
            return False
        self._first_code = digest_of(plain_code(code))
        return True

    async def _is_administered(self) -> bool:
        """Say whether anybody administers here, as the store asks it once more when the account is kept."""
        return any(map(self.taken.administers, await ask(self._store, self._store.accounts)))

    def _is_first_code(self, code: str) -> bool:
        return bool(self._first_code) and hmac.compare_digest(self._first_code, digest_of(plain_code(code)))

    async def _keep_first(self, name: str, secret: str) -> Account:
        account = Account(account_id=0, name=plain_name(name), role=Role.ADMINISTRATOR, secret=secret)
        actor = Actor(name=account.name, verified="one-time code")
        command = KeepAccount(account=account, what="account.first", actor=actor, at=self._now(), is_first=True, taken=self.taken)
        account_id = await done(self._store, command)
        self._first_code = ""
        return replace(account, account_id=account_id)

    # --- parts

    async def _begin(self, typed: Typed) -> BeginTry:
        name_key = f"name:{digest_of(bare(typed.name))}"
        return await self.begin(BeginTry(name_key=name_key, address_key=f"address:{typed.address}", at=self._now()))

    async def begin(self, begun: BeginTry) -> BeginTry:
        """Count a try before it is looked at. Raises RefusedAction where none is taken yet."""
        until = await done(self._store, begun)
        if until is not None:
            raise RefusedAction(f"Too many wrong ones in a row. Wait {_seconds(until - begun.at)} and try again.")
        return begun

    async def _right(self, typed: Typed) -> Account | None:
        account = await ask(self._store, self._store.account_named, typed.name)
        is_right = await self._passwords.is_right(account.secret if account else "", normal(typed.password))
        return account if account is not None and account.is_on and is_right and self.taken.takes(account) else None

    async def _sure(self, typed: Typed) -> Account | None:
        """Give whose password this is, or whose code from the directory: to confirm with, never to sign in."""
        account = await ask(self._store, self._store.account_named, typed.name)
        if account is None or not account.issuer:
            return await self._right(typed)
        is_right = self.codes.take(account.account_id, typed.password)
        return account if is_right and account.is_on and self.taken.takes(account) else None

    def _require_passwords(self) -> None:
        if not self.taken.passwords:
            raise RefusedAction(NO_PASSWORDS)

    def new_token(self) -> str:
        """Give an unguessable text for a browser to hold."""
        return self._token()

    async def open(
        self, account: Account, begun: BeginTry | None, address: str, *, replaces: str = "", known_by: str = ""
    ) -> str:
        """Give a new session's token for somebody who has shown who they are. Raises Overtaken where the account is switched off, or was changed since.

        ``known_by``: the badge or PIN by which they switched at a shared bench, where they gave no password.
        """
        token, command = await self.opening(account, begun, address, replaces=replaces, known_by=known_by)
        await done(self._store, command)
        return token

    async def opening(
        self, account: Account, begun: BeginTry | None, address: str, *, replaces: str = "", known_by: str = ""
    ) -> tuple[str, OpenSession]:
        """Give a new token, and the command that keeps its session."""
        token, now = self._token(), self._now()
        before = await self._same_before(account, replaces)
        session = Session(
            digest=digest_of(token),
            account_id=account.account_id,
            opened_at=now,
            seen_at=now,
            sure_at=now
            if begun is not None and not known_by
            else None,  # who comes from a directory may have been remembered there
            line=before.line if before else self._token(),
            known_by=known_by,
        )
        command = OpenSession(
            session=session,
            version=account.version,
            replaces=digest_of(replaces) if replaces else "",
            begun=begun,
            actor=actor_of(account, known_by),
            address=address,
            what=_what(before, known_by, was_locked=before is not None and is_locked(before, self._terms_of(account), now=now)),
            forget_before=now - self._terms.longest,
        )
        return token, command

    async def _same_before(self, account: Account, token: str) -> Session | None:
        """Give the session of this token if it is of the same account: what was open in that browser is its person's still."""
        found = await ask(self._store, self._store.session, digest_of(token)) if token else None
        return found[0] if found is not None and found[1].account_id == account.account_id else None

    async def _forgive(self, account: Account, begun: BeginTry, address: str) -> None:
        actor, subject = actor_of(account), f"account:{account.account_id}"
        command = NoteAccess(what="second.given", subject=subject, actor=actor, reason=address, at=self._now(), forgives=begun)
        await done(self._store, command)

    async def _keep_secret(self, account: Account, secret: str, what: str) -> Account:
        changed = replace(account, secret=secret, code_digest="", code_until=None)
        actor = Actor(name=account.name, verified="one-time code" if account.code_digest else BY_PASSWORD)
        await done(self._store, KeepAccount(account=changed, what=what, actor=actor, at=self._now(), ends_sessions=True))
        return replace(changed, version=account.version + 1)

    async def _note_failed(self, typed: Typed, what: str) -> None:
        account = await ask(self._store, self._store.account_named, typed.name)
        subject = f"account:{account.account_id}" if account else "sign-in"
        await done(self._store, NoteAccess(what=what, subject=subject, actor=NOBODY, reason=typed.address, at=self._now()))


def _require_password(typed: Typed, again: str) -> None:
    """Raise RefusedAction where a new password cannot be. Asked before a try is counted: it says nothing of any account, and is no guess."""
    if not plain_name(typed.name):
        raise RefusedAction(NAME_FAULT)
    fault = password_fault(typed.password, name=typed.name)
    if fault:
        raise RefusedAction(fault)
    if typed.password != again:
        raise RefusedAction("The two new passwords are not the same. Type them again.")


def _what(before: Session | None, known_by: str, *, was_locked: bool) -> str:
    if before is not None and was_locked:
        return "account.unlocked"
    return "account.switched" if known_by else "account.signed_in"


def _same(kept: str, code: str) -> bool:
    return hmac.compare_digest(kept, digest_of(plain_code(code)))


def _seconds(wait: timedelta) -> str:
    seconds = max(1, -int(-wait.total_seconds() // 1))
    return f"{seconds} s" if seconds <= 90 else f"{-(-seconds // 60)} min"
