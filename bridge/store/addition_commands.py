"""What the store can be told of additions to strips: frozen values, each one transaction, as those of ``commands``."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime

from bridge.added import Addable, Addition
from bridge.model import Actor, CodedResult


@dataclass(frozen=True, kw_only=True, slots=True)
class AddedWrite:
    """What a strip that is recorded does to additions; a part of RecordOutcome.

    ``asks``: its result waits in its lanes for these until ``due_at``, then goes without, or is held (``holds``). Empty: it waits for nothing.
    ``hurries``: whatever waits in front of it in its lanes waits no longer than until ``due_at`` either.
    """

    asks: tuple[Addable, ...]
    due_at: datetime
    holds: bool
    hurries: bool


@dataclass(frozen=True, kw_only=True, slots=True)
class AddToResult:
    """Keep what a person added to a result that waits for it, and let it go. Gives None.

    ``made`` is the result with the additions, of the same version: nobody has seen it yet. Raises Overtaken where it does not wait any more.
    """

    awaited_id: int
    additions: tuple[Addition, ...]
    made: CodedResult
    actor: Actor
    at: datetime


@dataclass(frozen=True, kw_only=True, slots=True)
class AddToHeld:
    """Keep what a person added to a strip that is held for want of it, and judge it again. Gives None; raises Overtaken where its stop is over."""

    stop_id: int
    additions: tuple[Addition, ...]
    actor: Actor
    at: datetime


@dataclass(frozen=True, kw_only=True, slots=True)
class EndAwaiting:
    """Let go without additions, or hold, what has waited for them until ``at``. Gives how many there were (int), ``most`` at once."""

    at: datetime
    most: int = 200
