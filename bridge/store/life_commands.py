"""What the store can be told of an analyzer's life: frozen values, each one transaction, as those of ``commands``."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime

from bridge.bench.analyzer_life import Happened
from bridge.bench.day_log import LogLine
from bridge.bench.registered import Registration
from bridge.model import Actor
from bridge.tables.control_table import GatePolicy


@dataclass(frozen=True, kw_only=True, slots=True)
class NoteDayLog:
    """Append lines to day logs, all or none. Gives their ids in order (tuple of int).

    ``corrects`` names the line that the only new one takes the place of, with the ``reason``; Overtaken where another one has already.
    A line of maintenance or repair lets controls come due at its analyzer by ``policy`` (None: the site has no gate).
    ``frees`` is set where the day log of the first line's analyzer lacks nothing any more from the first moment to the second:
    strips of that time which are held for nothing but what was missing are judged again.
    """

    lines: tuple[LogLine, ...]
    policy: GatePolicy | None
    actor: Actor
    at: datetime
    corrects: int | None = None
    reason: str = ""
    frees: tuple[datetime, datetime] | None = None


@dataclass(frozen=True, kw_only=True, slots=True)
class NoteLife:
    """Append what happened to an analyzer. Gives its id (int); Overtaken where that cannot happen to one that stands as it does.

    A return, and another device in its place, let controls come due at the analyzer by ``policy`` (None: the site has no gate). A strip type
    that is confirmed puts to judging again what is held at the analyzer for nothing else. ``second`` is the name of a second person who agreed, noted in that
    person's name too ("" where none was asked for).
    """

    happened: Happened
    policy: GatePolicy | None
    actor: Actor
    at: datetime
    second: str = ""


@dataclass(frozen=True, kw_only=True, slots=True)
class RegisterId:
    """Keep that an identifier, or a pattern of some, is no patient's. Gives the registration's id (int)."""

    registration: Registration
    actor: Actor
    at: datetime


@dataclass(frozen=True, kw_only=True, slots=True)
class SignRegistration:
    """Keep a second person's signature. Gives None; RefusedAction for the name of who registered it, Overtaken where it is signed or ended."""

    registration_id: int
    actor: Actor
    at: datetime


@dataclass(frozen=True, kw_only=True, slots=True)
class EndRegistration:
    """Take a registration out of force. Gives None; Overtaken where it is out already."""

    registration_id: int
    actor: Actor
    reason: str
    at: datetime
