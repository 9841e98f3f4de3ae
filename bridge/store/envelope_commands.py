"""What the store can be told of sealed envelopes. As ``commands`` says of all."""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import datetime

from bridge.model import Actor
from bridge.store.account_commands import OpenSession


@dataclass(frozen=True, kw_only=True, slots=True)
class SealEnvelope:
    """Keep a new envelope; one that was not opened opens nothing any more. Makes the account behind them where it is missing. Gives its id (int).

    Raises RefusedAction where a person's account has the emergency account's name.
    """

    digest: str = field(repr=False)
    actor: Actor
    reason: str
    at: datetime


@dataclass(frozen=True, kw_only=True, slots=True)
class OpenEnvelope:
    """Spend the newest envelope, and keep the session that it opens. ``by`` is the name that was typed. Gives None.

    Raises RefusedAction where the digest is not the newest one's, or that is spent; Overtaken where the account is switched off.
    """

    digest: str = field(repr=False)
    by: str
    why: str
    opens: OpenSession


@dataclass(frozen=True, kw_only=True, slots=True)
class LookIntoEnvelope:
    """Keep that somebody looked into the opening of an envelope, and what they found. Gives None.

    Raises RefusedAction where it is their own, Overtaken where somebody did so already, or it was never opened.
    """

    envelope_id: int
    actor: Actor
    reason: str
    at: datetime
