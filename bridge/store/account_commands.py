"""What the store can be told of accounts, sessions and keys. As ``commands`` says of all."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime

from bridge.accounts.people import Account, ApiKey, Session
from bridge.accounts.taken import OWN, Taken
from bridge.model import Actor


@dataclass(frozen=True, kw_only=True, slots=True)
class KeepAccount:
    """Keep a new account (``account_id`` 0), or what one has become. Gives its id (int).

    ``account.version`` is the one that was seen; what is kept has the next one. ``what`` names the event, ``reason`` is kept with it.
    ``ends_sessions``: every session of the account is over with it. ``is_first``: only while nobody administers.
    ``taken``: whose accounts let anybody in, so that one of a directory that the site has left is not counted among those who administer.

    Raises Overtaken where the account changed since, the person has one already (of this issuer and subject), or somebody administers already
    (``is_first``); RefusedAction where the name is another account's (capitals and blanks make no other one), or where the last one who may administer
    would do so no more; not so where ``by_directory``: its groups decide alone.
    """

    account: Account
    what: str
    actor: Actor
    at: datetime
    reason: str = ""
    ends_sessions: bool = False
    is_first: bool = False
    by_directory: bool = False
    taken: Taken = OWN


@dataclass(frozen=True, kw_only=True, slots=True)
class BeginTry:
    """Count a try to sign in as a wrong one until it shows to be right. Gives None, or the moment (datetime) before which no try is taken.

    Counted before a password is looked at, so that tries side by side are as many as one behind the other. ``name_key`` and ``address_key`` are
    digests or addresses, never names.
    """

    name_key: str
    address_key: str
    at: datetime


@dataclass(frozen=True, kw_only=True, slots=True)
class OpenSession:
    """Keep a session, in place of the one whose digest is ``replaces``; the try that led to it, if it was one by password, was no wrong one. Gives None.

    ``version`` is the account's as its person was let in by it. What was opened before ``forget_before`` is forgotten. Raises Overtaken where the
    account is switched off, or was changed since: its password may have been taken away while it was looked at.
    """

    session: Session
    version: int
    replaces: str
    begun: BeginTry | None
    actor: Actor
    address: str
    what: str
    forget_before: datetime


@dataclass(frozen=True, kw_only=True, slots=True)
class TouchSession:
    """Keep that a session was used. Gives None, also where it is over."""

    digest: str
    at: datetime


@dataclass(frozen=True, kw_only=True, slots=True)
class MakeSure:
    """Keep that the person of a session gave their password again, which was right: the try behind it was no wrong one. Gives None.

    Raises Overtaken where the session is over.
    """

    digest: str
    begun: BeginTry
    actor: Actor
    address: str
    at: datetime


@dataclass(frozen=True, kw_only=True, slots=True)
class LockSession:
    """Lock a session: it opens nothing until its person gives the password. Gives None, also where it is over or locked already."""

    digest: str
    actor: Actor
    at: datetime


@dataclass(frozen=True, kw_only=True, slots=True)
class EndSession:
    """End a session. Gives None, also where it is over."""

    digest: str
    actor: Actor
    at: datetime


@dataclass(frozen=True, kw_only=True, slots=True)
class NoteAccess:
    """Keep that somebody was let in or not, without a change of anything. ``what``: the event; ``subject``: `account:ID` or `sign-in`. Gives None.

    ``forgives``: the try behind it was no wrong one.
    """

    what: str
    subject: str
    actor: Actor
    reason: str
    at: datetime
    forgives: BeginTry | None = None


@dataclass(frozen=True, kw_only=True, slots=True)
class EnterKey:
    """Keep a key for a program (``key_id`` is not looked at). Gives its id (int)."""

    key: ApiKey
    actor: Actor
    at: datetime


@dataclass(frozen=True, kw_only=True, slots=True)
class EndKey:
    """End a key. Gives None; raises Overtaken where it is ended already."""

    key_id: int
    actor: Actor
    reason: str
    at: datetime
