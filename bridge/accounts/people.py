"""Accounts, sessions and keys as they are kept, and when each of them still counts."""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import datetime, timedelta
from enum import StrEnum

MACHINE_NAME = "key {name}"  # how a key's name stands in the audit trail: no person can be called so by mistake


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
    ``version`` rises with every change.
    """

    account_id: int
    name: str
    role: Role
    is_on: bool = True
    secret: str = field(default="", repr=False)
    code_digest: str = field(default="", repr=False)
    code_until: datetime | None = None
    version: int = 1

    def code_counts(self, now: datetime) -> bool:
        """Say whether a one-time code is out and not too old."""
        return self.is_on and bool(self.code_digest) and self.code_until is not None and now < self.code_until


@dataclass(frozen=True, kw_only=True, slots=True)
class Session:
    """A sign-in. ``digest`` is the SHA-256 (hex) of the token that the browser holds; the token itself is kept nowhere."""

    digest: str
    account_id: int
    opened_at: datetime
    seen_at: datetime


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
    """How long a session lasts: until ``idle`` has gone by without a request, and no longer than ``longest`` after sign-in whatever happens."""

    idle: timedelta
    longest: timedelta


def is_open(session: Session, terms: Terms, *, now: datetime) -> bool:
    """Say whether a session still opens anything. One from the future (a clock set back) does not."""
    return session.opened_at <= now < min(session.opened_at + terms.longest, session.seen_at + terms.idle)
