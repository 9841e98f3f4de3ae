"""Looks for what people must be told, again and again, and keeps what it found as signals. One process of several does it.

A look costs some small queries by partial indexes; no strip waits for it. Signals that are only rising are in memory: after a restart they
rise anew, by less than a minute.
"""

from __future__ import annotations

import asyncio
from collections.abc import Awaitable, Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import datetime, time, timedelta
from urllib.parse import urlsplit
from zoneinfo import ZoneInfo

import structlog

from bridge.bench.telling import is_overdue
from bridge.credentials.destination import faults, warnings
from bridge.lifecycle.states import DestinationState
from bridge.pages.site import ShownWay
from bridge.queue.leases import Grip
from bridge.settings import MailWay, NoticeWay, Signals
from bridge.settings.signals import DAYS
from bridge.signal_ways import Sender, Way, says_of
from bridge.signals.causes import Limits, Receiver, Seen, Stuck, causes
from bridge.signals.hours import EVERY_DAY, Hours
from bridge.signals.kinds import KEPT, WITHOUT_DELAY, Cause, Kind
from bridge.signals.machine import Rule, Signal, SignalState, What, look
from bridge.signals.told import Audience
from bridge.store.api import Store
from bridge.store.awaited import done
from bridge.store.commands import KeepSignals, NewSay
from bridge.store.rows import DestinationRow
from bridge.tables.telling_terms import TellingTerms

log = structlog.get_logger()

LOOK_S = 10.0  # ours: a person is told a few seconds after a limit of minutes
MOST_STAT = 50  # ours: STAT strips that one signal names; the pages list all
NEWS_GAP = timedelta(minutes=5)  # ours: what follows within minutes is told together


@dataclass(kw_only=True)
class Firsts:
    """Since when something stands that does not say so itself."""

    _since: dict[str, datetime] = field(default_factory=dict)

    def of(self, names: Iterable[str], *, now: datetime) -> tuple[tuple[str, datetime], ...]:
        """Give each name with the time when it was named first without a break."""
        self._since = {name: self._since.get(name, now) for name in names}
        return tuple(sorted(self._since.items()))


@dataclass(frozen=True, kw_only=True, slots=True)
class Machine:
    """What the process itself knows: whether room runs short, and whose certificates, keys or secrets need a look."""

    is_room_low: Callable[[], bool] = lambda: False
    certificates: Callable[[], tuple[str, ...]] = tuple


def limits_of(signals: Signals, zone: ZoneInfo) -> Limits:
    """Give the site's limits."""
    return Limits(
        receiver=timedelta(minutes=signals.receiver_minutes),
        waiting=timedelta(minutes=signals.waiting_minutes),
        stat=timedelta(minutes=signals.stat_minutes),
        rejected=timedelta(minutes=signals.rejected_minutes),
        controls=timedelta(minutes=signals.controls_minutes),
        silent=timedelta(minutes=signals.silent_minutes),
        opening=tuple(hours_of(each.days, each.start, each.end) for each in signals.opening),
        zone=zone,
    )


def hours_of(days: Iterable[str], start: time, end: time) -> Hours:
    """Give hours of the site's file."""
    return Hours(days=frozenset(DAYS.index(day) for day in days), start=start, end=end)


def rule_of(signals: Signals) -> Rule:
    """Give how patient the site's signals are."""
    return Rule(
        settle=timedelta(seconds=signals.settle_s),
        ease=timedelta(minutes=signals.ease_minutes),
        repeat=timedelta(minutes=signals.repeat_minutes) if signals.repeat_minutes else None,
        lapse=timedelta(hours=signals.acknowledged_hours),
        news_gap=NEWS_GAP,
    )


class SignalWatch:
    """Looks, and keeps what it found."""

    def __init__(  # noqa: PLR0913 - the parts of a watch, all given by the composition root
        self,
        store: Store,
        signals: Signals,
        *,
        zone: ZoneInfo,
        destinations: tuple[str, ...],
        machine: Machine,
        grip: Grip,
        now: Callable[[], datetime],
        telling: TellingTerms,
        ways: Sequence[Way] = (),
        digest: Callable[[], Awaitable[None]] | None = None,
    ) -> None:
        """``destinations`` are the configured ones: a former one that takes nothing is no fault any more. ``telling`` says what is overdue.

        ``digest`` keeps the digest of a shift where it is due, so that it is said with what else is.
        """
        self._digest = digest
        self._store = store
        self._ways = ways
        self._sender = Sender(store, ways, grip=grip, now=now)
        self._limits = limits_of(signals, zone)
        self._rule = rule_of(signals)
        self._destinations = destinations
        self._machine = machine
        self._grip = grip
        self._now = now
        self._telling = telling
        self._firsts = Firsts()
        self._rising: dict[Kind, Signal] = {}

    async def run(self) -> None:
        """Look and say until cancelled. Raises StoreError where the store cannot be read or written.

        What a process that died left unsaid is said first: a signal that is over by now was perhaps told of.
        """
        self._rising.clear()
        await self.say()
        while True:
            await self.look()
            if self._digest is not None:
                await self._digest()
            await self.say()
            await asyncio.sleep(LOOK_S)

    async def look(self) -> None:
        """Look once."""
        now = self._now()
        found, standing, muted = await asyncio.to_thread(self._read, now)
        changed = [
            each for kind in KEPT if (each := self._looked(kind, found, standing, now, is_muted=kind in muted)) is not None
        ]
        if not changed:
            return
        told = tuple((signal, self._says(signal, what, now)) for signal, what in changed)
        kept = KeepSignals(signals=told, at=now, lease=self._grip.fence())
        for signal_id, (signal, what) in zip(await done(self._store, kept), changed, strict=True):
            if signal_id and what:
                log.warning("signal.told", signal=signal_id, kind=str(signal.kind), causes=len(signal.causes), what=str(what))

    async def say(self) -> None:
        """Say what is due by the site's ways. Raises StoreError."""
        await self._sender.send()

    def _read(self, now: datetime) -> tuple[tuple[Cause, ...], Mapping[Kind, Signal], frozenset[Kind]]:
        standing = {signal.kind: signal for signal in self._store.standing_signals()}
        muted = frozenset(row.kind for row in self._store.muted_kinds(now=now))
        return causes(self._seen(now), self._limits, now=now), standing, muted

    def _seen(self, now: datetime) -> Seen:
        machine = self._firsts.of(
            (*(("room",) if self._machine.is_room_low() else ()), *(f"of:{name}" for name in self._machine.certificates())),
            now=now,
        )
        verified = self._store.verified()
        newest = self._store.envelopes(limit=1)
        return Seen(
            history_broken_since=verified.since if verified and verified.broken else None,
            opened=tuple(
                Stuck(subject=f"envelope:{each.envelope_id}", since=each.opened_at)
                for each in self._store.envelopes_opened()
                if each.opened_at is not None
            ),
            spent_since=newest[0].opened_at if newest else None,
            receivers=tuple(_receiver(row) for row in self._store.destinations(since=now) if row.name in self._destinations),
            analyzers=tuple(
                (row.analyzer, row.last_strip_at) for row in self._store.analyzers() if row.last_strip_at is not None
            ),
            telling=tuple(
                Stuck(subject=f"telling:{each.telling_id}", since=each.task.since)
                for each in self._store.tellings_open()
                if is_overdue(each.task, self._telling, now=now)
            ),
            stat=self._store.stuck_stat(before=now - self._limits.stat, limit=MOST_STAT),
            rejected=self._store.old_stops(before=now - self._limits.rejected),
            for_controls=self._store.waiting_for_controls(),
            room_low_since=next((since for name, since in machine if name == "room"), None),
            certificates=tuple((name.removeprefix("of:"), since) for name, since in machine if name != "room"),
        )

    def _looked(
        self, kind: Kind, found: tuple[Cause, ...], standing: Mapping[Kind, Signal], now: datetime, *, is_muted: bool
    ) -> tuple[Signal, What | None] | None:
        """Give what is to be kept of a kind, None where nothing is."""
        before = standing.get(kind) or self._rising.get(kind)
        of_kind = tuple(cause for cause in found if cause.kind is kind)
        rule = replace(self._rule, settle=timedelta(0), ease=timedelta(0)) if kind in WITHOUT_DELAY else self._rule
        signal, what = look(before, kind, of_kind, rule, now=now, is_muted=is_muted)
        self._rising.pop(kind, None)
        if signal is None or signal == before:
            if signal is not None and not signal.signal_id:
                self._rising[kind] = signal
            return None
        if not signal.signal_id and signal.state is SignalState.RISING:
            self._rising[kind] = signal
        if not signal.signal_id and signal.state in {SignalState.RISING, SignalState.ENDED}:
            return None
        return signal, what

    def _says(self, signal: Signal, what: What | None, now: datetime) -> tuple[NewSay, ...]:
        return says_of(signal, what, self._ways, now=now, zone=self._limits.zone) if what is not None else ()


def _receiver(row: DestinationRow) -> Receiver:
    # a person paused it and knows; what waits too long for it is told of all the same
    is_down = row.state not in {DestinationState.OPEN, DestinationState.PAUSED}
    return Receiver(name=row.name, down_since=row.since if is_down else None, waiting=row.waiting, oldest=row.oldest)


def audience_of(way: MailWay | NoticeWay) -> Audience:
    """Give who hears by a way of the site's file."""
    quiet = Hours(days=EVERY_DAY, start=way.quiet.start, end=way.quiet.end) if way.quiet else None
    return Audience(way=way.name, kinds=frozenset(map(Kind, way.kinds)), quiet=quiet)


def way_notes(ways: Sequence[MailWay | NoticeWay], *, now: datetime) -> dict[str, tuple[str, ...]]:
    """Give by way what of its secrets, certificates and keys cannot be used or will soon run out; nothing for one that is well."""
    found = {way.name: (*map(str, faults(way, now=now)), *warnings(way, now=now)) for way in ways}
    return {name: notes for name, notes in found.items() if notes}


def shown_ways(signals: Signals) -> tuple[ShownWay, ...]:
    """Give the site's ways as the pages show them: no address of a person, and nothing of an address but its host."""
    return tuple(_shown_way(way) for way in signals.ways)


def _shown_way(way: MailWay | NoticeWay) -> ShownWay:
    host, addresses = (way.host, len(way.to)) if isinstance(way, MailWay) else (urlsplit(way.url).hostname or "", 0)
    start, end = (f"{way.quiet.start:%H:%M}", f"{way.quiet.end:%H:%M}") if way.quiet else ("", "")
    return ShownWay(
        name=way.name, host=host, addresses=addresses, kinds=tuple(map(Kind, way.kinds)), quiet_from=start, quiet_to=end
    )
