"""What an administrator does with accounts and keys. Who it concerns is out at once: their sessions end with every change."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from datetime import datetime, timedelta

from bridge.accounts.envelope import is_emergency
from bridge.accounts.people import PEOPLE, Account, ApiKey, Role
from bridge.accounts.policy import CODE_BYTES, CODE_LASTS, code_text, plain_name
from bridge.accounts.taken import OWN, Taken
from bridge.desk.access import NAME_FAULT, digest_of
from bridge.desk.who import require_name, require_reason
from bridge.errors import Overtaken, RefusedAction
from bridge.model import SERVICE, Actor
from bridge.store.account_commands import EndKey, EnterKey, KeepAccount
from bridge.store.api import Store
from bridge.store.apply_accounts import CHANGED
from bridge.store.statements import first_said

OF_ENVELOPE = "This account is opened by a sealed envelope alone, and its role is fixed."
OF_DIRECTORY = "This account is the hospital directory's: its groups there decide the role, and its password is there."
LONGEST_KEY = timedelta(days=366)  # ours: a key that nobody looks at for a year is a forgotten one
KEY_BYTES = 32  # ours: 256 bits


@dataclass(frozen=True, kw_only=True, slots=True)
class NewKey:
    """A key to make: its name, whether it may act, and for how many days it opens."""

    name: str
    acts: bool
    days: int


class AccountDesk:
    """Accounts and keys."""

    def __init__(self, store: Store, now: Callable[[], datetime], random: Callable[[int], bytes], *, taken: Taken = OWN) -> None:
        """``random`` gives so many unguessable bytes. ``taken``: whose accounts let anybody in."""
        self._taken = taken
        self._store = store
        self._now = now
        self._random = random

    def add(self, name: str, role: str, *, actor: Actor) -> str:
        """Keep a new account; give its one-time code, which is shown this once."""
        require_name(actor)
        plain = plain_name(name)
        if not plain:
            raise RefusedAction(NAME_FAULT)
        code, digest = self._code()
        account = Account(account_id=0, name=plain, role=_role(role), code_digest=digest, code_until=self._now() + CODE_LASTS)
        self._keep(account, "account.added", "", actor)
        return code

    def set_role(self, account_id: int, role: str, *, reason: str, actor: Actor, seen: int = 0) -> None:
        """Give an account another role."""
        require_reason(reason)
        self._keep(replace(self._own(account_id, seen), role=_role(role)), "account.role", reason, actor)

    def switch(self, account_id: int, *, on: bool, reason: str, actor: Actor, seen: int = 0) -> None:
        """Switch an account on or off."""
        require_reason(reason)
        self._keep(replace(self._known(account_id, seen), is_on=on), "account.on" if on else "account.off", reason, actor)

    def new_code(self, account_id: int, *, reason: str, actor: Actor, seen: int = 0) -> str:
        """Take an account's password away, and give a one-time code with which a new one is chosen."""
        require_reason(reason)
        code, digest = self._code()
        account = replace(self._own(account_id, seen), secret="", code_digest=digest, code_until=self._now() + CODE_LASTS)
        self._keep(account, "account.code", reason, actor)
        return code

    def make_key(self, new: NewKey, *, actor: Actor) -> str:
        """Keep a key for a program; give it, which is shown this once."""
        require_name(actor)
        name = plain_name(new.name)
        if not name:
            raise RefusedAction("Give the program's name, 2 to 60 characters.")
        if not 1 <= new.days <= LONGEST_KEY.days:
            raise RefusedAction(f"A key opens for 1 to {LONGEST_KEY.days} days.")
        now, text = self._now(), f"padpost_{self._random(KEY_BYTES).hex()}"
        key = ApiKey(
            key_id=0, name=name, digest=digest_of(text), acts=new.acts, until=now + timedelta(days=new.days), made_by=actor.name, made_at=now
        )  # fmt: skip
        self._store.submit(EnterKey(key=key, actor=actor, at=now)).result()
        return text

    def end_key(self, key_id: int, *, reason: str, actor: Actor) -> None:
        """End a key."""
        require_reason(reason)
        self._store.submit(EndKey(key_id=key_id, actor=actor, reason=reason.strip(), at=self._now())).result()

    def _code(self) -> tuple[str, str]:
        code = code_text(self._random(CODE_BYTES))
        return code, digest_of(code)

    def _known(self, account_id: int, seen: int) -> Account:
        """Give an account as the person saw it: ``seen`` is the version of their page, 0 where none was told."""
        account = self._store.account(account_id)
        if account is None or (seen and account.version != seen):
            changes = (event for event in self._store.events(f"account:{account_id}") if event.after)  # a sign-in is none
            by = [event.actor for event in changes if event.verified != SERVICE.verified]
            raise Overtaken(first_said(by[-1] if by else "", CHANGED))
        return account

    def _own(self, account_id: int, seen: int) -> Account:
        account = self._known(account_id, seen)
        if is_emergency(account):
            raise RefusedAction(OF_ENVELOPE)
        if account.issuer:
            raise RefusedAction(OF_DIRECTORY)
        return account

    def _keep(self, account: Account, what: str, reason: str, actor: Actor) -> None:
        require_name(actor)
        command = KeepAccount(
            account=account,
            what=what,
            actor=actor,
            at=self._now(),
            reason=reason.strip(),
            ends_sessions=True,
            taken=self._taken,
        )
        self._store.submit(command).result()


def _role(word: str) -> Role:
    if word not in {role.value for role in PEOPLE}:
        raise RefusedAction(f"Choose a role: {', '.join(role.value for role in PEOPLE)}.")
    return Role(word)
