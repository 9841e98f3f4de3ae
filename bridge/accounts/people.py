"""Accounts, sessions and keys as they are kept, and when each of them still counts."""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import datetime, timedelta
from enum import StrEnum

# How a key stands in the audit trail: by its number too, since two may have one name; no person can be called so by mistake
MACHINE_NAME = "key {key_id} {name}"


class Role(StrEnum):
    """What somebody is here: each person's role may do what the one before it may; a machine is none of them."""

    VIEWER = "viewer"
    TECHNICIAN = "technician"
    SUPERVISOR = "supervisor"
    ADMINISTRATOR = "administrator"
    MACHINE = "machine"


PEOPLE = (Role.VIEWER, Role.TECHNICIAN, Role.SUPERVISOR, Role.ADMINISTRATOR)


@dataclass(frozen=True, kw_only=True, slots=True)
class Account:
    """One person's account. ``secret`` is an Argon2id hash in its own text form, "" until a password is chosen.

    ``name`` is what is kept with every act. ``code_digest`` is the SHA-256 (hex) of a one-time code that is good until ``code_until``, "" for none.
    ``version`` rises with every change. ``issuer`` and ``subject`` say whose account it is where it comes from a directory (OpenID Connect), both ""
    for an account of this site; together they are one person's, whatever their name.
    """

    account_id: int
    name: str
    role: Role
    is_on: bool = True
    secret: str = field(default="", repr=False)
    code_digest: str = field(default="", repr=False)
    code_until: datetime | None = None
    version: int = 1
    issuer: str = ""
    subject: str = ""

    def code_counts(self, now: datetime) -> bool:
        """Say whether a one-time code is out and not too old."""
        return self.is_on and bool(self.code_digest) and self.code_until is not None and now < self.code_until


@dataclass(frozen=True, kw_only=True, slots=True)
class Session:
    """A sign-in. ``digest`` is the SHA-256 (hex) of the token that the browser holds; the token itself is kept nowhere.

    ``sure_at``: when its person last gave the password, at sign-in or again before a grave act. ``locked_at``: since when it opens nothing until its
    person gives the password; None: it is not locked. ``line`` is an unguessable text that goes on from a session to the next one of the same
    person in the same browser, so that forms that were open before a lock are theirs still. ``known_by``: "" by the account's own way in, else the
    badge or PIN by which its person switched at a shared bench.
    """

    digest: str
    account_id: int
    opened_at: datetime
    seen_at: datetime
    sure_at: datetime | None = None
    locked_at: datetime | None = None
    line: str = field(default="", repr=False)
    known_by: str = ""


@dataclass(frozen=True, kw_only=True, slots=True)
class ApiKey:
    """What a program shows to the API. ``digest`` is the SHA-256 (hex) of the whole key, which is shown once; ``acts``: it may act, not only read."""

    key_id: int
    name: str
    digest: str = field(repr=False)
    acts: bool
    until: datetime
    made_by: str
    made_at: datetime
    ended_by: str = ""
    ended_at: datetime | None = None

    def counts(self, now: datetime) -> bool:
        """Say whether the key opens anything at ``now``."""
        return not self.ended_by and now < self.until


@dataclass(frozen=True, kw_only=True, slots=True)
class Terms:
    """How long a session lasts: until ``idle`` has gone by without a request, and no longer than ``longest`` after sign-in whatever happens.

    ``sure``: for how long after a password was given a grave act asks for none. ``emergency``: for how long an emergency envelope opens the pages.
    """

    idle: timedelta
    longest: timedelta
    sure: timedelta = timedelta(0)
    emergency: timedelta = timedelta(hours=1)


def is_open(session: Session, terms: Terms, *, now: datetime) -> bool:
    """Say whether a session still opens anything. One that is locked does not, nor one from the future (a clock set back)."""
    return session.locked_at is None and session.opened_at <= now < min(
        session.opened_at + terms.longest, session.seen_at + terms.idle
    )


def is_sure(session: Session, terms: Terms, *, now: datetime) -> bool:
    """Say whether the password was given so lately that a grave act need not ask for it."""
    return session.sure_at is not None and session.sure_at <= now < session.sure_at + terms.sure


def is_locked(session: Session, terms: Terms, *, now: datetime) -> bool:
    """Say whether a session is locked, by its person or by its idle time: it opens nothing, and its person may go on with the password."""
    return not is_open(session, terms, now=now) and session.opened_at <= now < session.opened_at + terms.longest
