"""What the store can be told of shared benches and what people switch by there. As ``commands`` says of all."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime

from bridge.accounts.quick import Bench, Quick
from bridge.model import Actor


@dataclass(frozen=True, kw_only=True, slots=True)
class KeepQuick:
    """Keep what an account switches by, in place of what it did. ``what`` names the event. Gives None.

    Raises RefusedAction where the badge is another account's; Overtaken where a PIN or a badge is chosen for an account without a password.
    """

    quick: Quick
    what: str
    actor: Actor
    at: datetime


@dataclass(frozen=True, kw_only=True, slots=True)
class MarkBench:
    """Keep a browser as a shared bench (``bench_id`` is not looked at). Gives its id (int)."""

    bench: Bench
    actor: Actor
    at: datetime


@dataclass(frozen=True, kw_only=True, slots=True)
class OpenBench:
    """Let people switch at a bench until a time. Gives None; raises Overtaken where it is ended."""

    bench_id: int
    until: datetime
    actor: Actor
    at: datetime


@dataclass(frozen=True, kw_only=True, slots=True)
class EndBench:
    """End a bench. Gives None; raises Overtaken where it is ended already."""

    bench_id: int
    actor: Actor
    reason: str
    at: datetime
