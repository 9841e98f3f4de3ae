"""The digest of a shift: once at each of the site's times, by mail or web hook, what is open by cause. Said also where nothing is open.

No patient is in it: causes are reasons, analyzers and receivers, and who has taken something is named. It is kept with the mark of its time in one
transaction, so that of several processes one says it, and none after a restart.
"""

from __future__ import annotations

import asyncio
from collections import Counter
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from functools import partial
from zoneinfo import ZoneInfo

import structlog

from bridge.bench.answered import parts
from bridge.bench.gaps import gaps_before
from bridge.bench.telling import TellingState, is_overdue
from bridge.desk.waits import Awaits, Pile, piles
from bridge.lifecycle.ageing import edges
from bridge.model import Actor
from bridge.pages.analyzers import SERIES_WINDOW
from bridge.pages.controls import shown_gates
from bridge.pages.pile_words import pile_words
from bridge.pages.site import ShownDigest
from bridge.settings import Digest
from bridge.signal_ways import Way
from bridge.signals.hours import last_of
from bridge.signals.told import DIGEST, Told
from bridge.store.api import Store
from bridge.store.awaited import done
from bridge.store.commands import KeepTest
from bridge.store.digest_commands import KeepDigest
from bridge.tables.control_table import GatePolicy
from bridge.tables.telling_terms import TellingTerms
from bridge.tables.types import NumberScheme

log = structlog.get_logger()

NOTHING = "nothing is open"
NOTHING_TEXT = "Nothing is open: nothing waits for a person, for controls or for a receiver, no number is missing, and no critical result is to be told."
FOR_PEOPLE = frozenset({Awaits.DECISION, Awaits.REMEDY, Awaits.RECEIVER_SAID_NO})


@dataclass(frozen=True, kw_only=True, slots=True)
class Terms:
    """What the site's tables say that the digest asks: number schemes by analyzer, the policy of controls (None: not judged here), who is told by when."""

    schemes: Mapping[str, NumberScheme]
    controls: GatePolicy | None
    telling: TellingTerms


@dataclass(frozen=True, kw_only=True, slots=True)
class Sums:
    """What is open at one moment. ``missing`` counts numbers and ``shut`` strips' lots whose patient results wait, both by analyzer.

    ``to_tell`` counts critical results that nobody was told of yet, ``overdue`` those of them that are late.
    """

    piles: tuple[Pile, ...]
    missing: Mapping[str, int]
    shut: Mapping[str, int]
    to_tell: int
    overdue: int

    @property
    def is_nothing(self) -> bool:
        """Say whether nothing is open at all."""
        return not (self.piles or self.missing or self.shut or self.to_tell)


def sums(store: Store, terms: Terms, *, now: datetime) -> Sums:
    """Add up what is open. What is on its way to a receiver that takes it waits for nobody, and is left out."""
    paused = {pause.destination for pause in store.pauses()}
    found = piles(store.stop_counts(edges(now)), store.waiting_for_controls(), store.destinations(since=now), paused=paused)
    gaps = gaps_before(store.number_runs(since=now - SERIES_WINDOW), terms.schemes)
    missing = Counter[str]()
    for part in parts(gaps, store.gap_answers(gaps)):
        if part.is_open:
            missing[part.gap.analyzer] += part.gap.count
    shut = Counter(each.key.analyzer for each in shown_gates(store, terms.controls, now=now) if not each.gate.state.may_go)
    open_tasks = [each.task for each in store.tellings_open() if each.task.state is TellingState.OPEN]
    return Sums(
        piles=tuple(pile for pile in found if pile.awaits is not Awaits.TURN),
        missing=missing,
        shut=shut,
        to_tell=len(open_tasks),
        overdue=sum(is_overdue(task, terms.telling, now=now) for task in open_tasks),
    )


def headline(found: Sums) -> str:
    """Give the digest in a line."""
    if found.is_nothing:
        return NOTHING
    people = [pile for pile in found.piles if pile.awaits in FOR_PEOPLE]
    said = [
        f"{sum(pile.count for pile in people)} wait for a person, {sum(pile.free for pile in people)} of them taken by nobody"
    ]
    if found.to_tell:
        said.insert(0, f"{found.to_tell} critical to tell, {found.overdue} overdue")
    return "; ".join(said)


def text(found: Sums, *, zone: ZoneInfo) -> str:
    """Give the digest in lines."""
    return "\n".join(_lines(found, zone)) if not found.is_nothing else NOTHING_TEXT


def _lines(found: Sums, zone: ZoneInfo) -> Iterator[str]:
    if found.to_tell:
        yield f"Critical results that nobody was told of yet: {found.to_tell}, {found.overdue} of them overdue."
    if found.piles:
        yield "What waits, and for what:"
        yield from (f"- {_pile(pile, zone)}" for pile in found.piles)
    if found.missing:
        yield f"Missing numbers of the last two days: {_by_name(found.missing)}."
    if found.shut:
        yield f"Lots of strips whose patient results wait for controls: {_by_name(found.shut)}."


def _pile(pile: Pile, zone: ZoneInfo) -> str:
    since = f"; the oldest since {pile.oldest.astimezone(zone):%Y-%m-%d %H:%M}" if pile.oldest else ""
    owners = ", ".join(f"{name or 'nobody'} {count}" for name, count in pile.owners)
    return f"{pile.count} {pile_words(pile).words}{since}{f'; with {owners}' if owners else ''}"


def _by_name(counts: Mapping[str, int]) -> str:
    return ", ".join(f"{name} {count}" for name, count in sorted(counts.items()))


class ShiftDigest:
    """Says the digest at the site's times."""

    def __init__(
        self,
        store: Store,
        settings: Digest | None,
        ways: Sequence[Way],
        terms: Terms,
        *,
        zone: ZoneInfo,
        now: Callable[[], datetime],
    ) -> None:
        """``ways`` are all of the site's; the settings name those that carry the digest, or none for all. Settings None: there is no digest."""
        self._store = store
        self._times = settings.times if settings else ()
        self._ways = tuple(way for way in ways if settings and (not settings.ways or way.audience.way in settings.ways))
        self._terms = terms
        self._zone = zone
        self._now = now

    async def keep(self) -> None:
        """Keep what is to be said, where one of the times has come since the last look. Raises StoreError."""
        now = self._now()
        due = last_of(self._times, now=now, zone=self._zone)
        if due is None:
            return
        last = await asyncio.to_thread(self._store.last_digest)
        if last is not None and last >= due:
            return
        found = await asyncio.to_thread(sums, self._store, self._terms, now=now)
        command = KeepDigest(
            due=due, ways=tuple(way.audience.way for way in self._ways), headline=headline(found), text=text(found, zone=self._zone),
            at=now,
        )  # fmt: skip
        if await done(self._store, command):
            log.info("digest.kept", ways=len(self._ways))

    def on_page(self, name: Callable[[], str]) -> ShownDigest:
        """Give what the page Signals shows and tries; ``name`` gives a new identity for a test."""
        ways = tuple(way.audience.way for way in self._ways)
        return ShownDigest(times=self._times, ways=ways, now=self.shown, test=partial(self.test, name=name))

    def shown(self) -> str:
        """Give what a digest of this moment would say. Raises StoreError."""
        return text(sums(self._store, self._terms, now=self._now()), zone=self._zone)

    async def test(self, actor: Actor, *, name: Callable[[], str]) -> tuple[tuple[str, str], ...]:
        """Say the digest of this moment by each of its ways at once; give for each its name and "" or why it did not go. Raises StoreError."""
        now = self._now()
        found = await asyncio.to_thread(sums, self._store, self._terms, now=now)

        async def say(way: Way) -> tuple[str, str]:
            identity = f"digest-{name()}"
            said = f"This is a test: somebody asked for it.\n\n{text(found, zone=self._zone)}"
            told = Told(identity=identity, thread=identity, what=DIGEST, headline=headline(found), text=said, at=now)
            return way.audience.way, await way.client.say(told)

        told = tuple(await asyncio.gather(*map(say, self._ways)))
        for way, fault in told:
            await done(self._store, KeepTest(way=way, headline=headline(found), fault=fault, actor=actor, at=self._now()))
        return told
