"""From what was seen of the store and the service to causes: which of it has stood for too long."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from zoneinfo import ZoneInfo

from bridge.signals.hours import Hours, open_since
from bridge.signals.kinds import Cause, Kind


@dataclass(frozen=True, kw_only=True, slots=True)
class Limits:
    """How long each thing may stand before it is a cause. ``opening`` empty: no analyzer is ever held to be silent."""

    receiver: timedelta
    waiting: timedelta
    stat: timedelta
    rejected: timedelta
    controls: timedelta
    silent: timedelta
    opening: tuple[Hours, ...]
    zone: ZoneInfo


@dataclass(frozen=True, kw_only=True, slots=True)
class Receiver:
    """A destination: since when it takes nothing (None while it does), how much waits for it and since when."""

    name: str
    down_since: datetime | None
    waiting: int
    oldest: datetime | None


@dataclass(frozen=True, kw_only=True, slots=True)
class Stuck:
    """A STAT strip that is not on its way, or a critical result that nobody was told of: its stop, strip or task, and since when it stopped, or came."""

    subject: str
    since: datetime


@dataclass(frozen=True, kw_only=True, slots=True)
class Standing:
    """Things of one sort that stand together: how many, and since when the oldest does. ``name`` is an analyzer's, else ""."""

    name: str = ""
    count: int
    since: datetime


@dataclass(frozen=True, kw_only=True, slots=True)
class Seen:
    """What one look found. ``analyzers`` are those that were ever heard, with their last strip's arrival.

    ``telling`` holds critical results that nobody was told of in time (``telling:3``). ``stat`` and ``rejected`` hold only what has stood for too long already; ``for_controls`` is by analyzer. ``room`` says since when room
    runs short, ``certificates`` names the ways in and out whose certificate, key or secret needs a look, and since when. ``history_broken_since`` is when the history was found first not to be as it was written.
    ``opened`` are emergency envelopes that were opened and that nobody has looked into (``envelope:2``); ``spent_since`` is when the newest was, None while it is sealed.
    """

    receivers: Sequence[Receiver] = ()
    analyzers: Sequence[tuple[str, datetime]] = ()
    telling: Sequence[Stuck] = ()
    stat: Sequence[Stuck] = ()
    rejected: Standing | None = None
    for_controls: Sequence[Standing] = ()
    room_low_since: datetime | None = None
    certificates: Sequence[tuple[str, datetime]] = ()
    history_broken_since: datetime | None = None
    opened: Sequence[Stuck] = ()
    spent_since: datetime | None = None


def causes(seen: Seen, limits: Limits, *, now: datetime) -> tuple[Cause, ...]:
    """Give every cause that stands at ``now``, by kind and then by subject."""
    found = (
        *_urgent(seen),
        *_receivers(seen, limits, now),
        *_strips(seen, limits, now),
        *_silent(seen, limits, now),
        *_machine(seen),
    )
    order = {kind: place for place, kind in enumerate(Kind)}
    return tuple(sorted(found, key=lambda cause: (order[cause.kind], cause.since, cause.subject)))


def _urgent(seen: Seen) -> Iterator[Cause]:
    for kind, stuck in ((Kind.TELLING, seen.telling), (Kind.STAT, seen.stat), (Kind.EMERGENCY, seen.opened)):
        yield from (Cause(kind=kind, subject=each.subject, since=each.since) for each in stuck)


def _receivers(seen: Seen, limits: Limits, now: datetime) -> Iterator[Cause]:
    for each in seen.receivers:
        if each.down_since is not None and now - each.down_since >= limits.receiver:
            yield Cause(kind=Kind.RECEIVER, subject=each.name, since=each.down_since, count=max(each.waiting, 1))
        if each.oldest is not None and now - each.oldest >= limits.waiting:
            yield Cause(kind=Kind.WAITING, subject=each.name, since=each.oldest, count=max(each.waiting, 1))


def _strips(seen: Seen, limits: Limits, now: datetime) -> Iterator[Cause]:
    for each in seen.for_controls:
        if now - each.since >= limits.controls:
            yield Cause(kind=Kind.CONTROLS, subject=each.name, since=each.since, count=each.count)
    if seen.rejected is not None:
        yield Cause(kind=Kind.REJECTED, subject="", since=seen.rejected.since, count=seen.rejected.count)


def _silent(seen: Seen, limits: Limits, now: datetime) -> Iterator[Cause]:
    opened = open_since(limits.opening, now=now, zone=limits.zone)
    if opened is None:
        return
    for name, last in seen.analyzers:
        since = max(last, opened)
        if now - since >= limits.silent:
            yield Cause(kind=Kind.SILENT, subject=name, since=since)


def _machine(seen: Seen) -> Iterator[Cause]:
    if seen.room_low_since is not None:
        yield Cause(kind=Kind.ROOM, subject="", since=seen.room_low_since)
    if seen.history_broken_since is not None:
        yield Cause(kind=Kind.HISTORY, subject="", since=seen.history_broken_since)
    if seen.spent_since is not None:
        yield Cause(kind=Kind.ENVELOPE, subject="", since=seen.spent_since)
    for name, since in seen.certificates:
        yield Cause(kind=Kind.CERTIFICATE, subject=name, since=since)
