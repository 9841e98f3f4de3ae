"""What a process tells of itself, from memory: its store failed, or a part of it fell over.

Such a signal is in no store, since the store may be what failed; every process tells its own. A restart ends it without a word.
"""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from typing import Protocol
from zoneinfo import ZoneInfo

import structlog

from bridge.signal_ways import FIRST_REST, Way
from bridge.signals.kinds import OWN, Cause, Kind
from bridge.signals.machine import Rule, Signal, SignalState, What, look
from bridge.signals.told import Told
from bridge.signals.words import headline, text

log = structlog.get_logger()

LOOK_S = 5.0  # ours: a store that failed is told of within a minute and a moment
FELL = timedelta(minutes=10)  # ours: a part that fell once is told of, though it runs again a second later


class Loop(Protocol):
    """How one loop is doing."""

    falls: int


class Health(Protocol):
    """What a store says of itself."""

    @property
    def fault(self) -> str:
        """Say why nothing can be written any more."""

    @property
    def away(self) -> str:
        """Say why nothing can be written for now."""

    @property
    def shortage(self) -> str:
        """Say that the disk had no room."""


@dataclass(frozen=True, kw_only=True, slots=True)
class Word:
    """Something to be said by one way, until it was said."""

    kind: Kind
    way: Way
    told: Told
    due_at: datetime


class OwnSignals:
    """Looks at the process itself and tells what it finds, without a store."""

    def __init__(  # noqa: PLR0913 - the parts of a watch, all given by the composition root
        self,
        store: Health,
        ways: Sequence[Way],
        rule: Rule,
        *,
        loops: Callable[[], Mapping[str, Loop]],
        zone: ZoneInfo,
        process: str,
        host: str,
        now: Callable[[], datetime],
    ) -> None:
        """``process`` is new at each start: no word of another start has its identity. ``host`` is for people."""
        self._store = store
        self._ways = ways
        self._rule = rule
        self._loops = loops
        self._zone = zone
        self._process = process
        self._host = host
        self._now = now
        self._failed_since: datetime | None = None
        self._fell: dict[str, tuple[int, datetime]] = {}
        self._signals: dict[Kind, Signal] = {}
        self._count = 0
        self._words: list[Word] = []
        self._heard: set[tuple[Kind, str]] = set()

    @property
    def standing(self) -> tuple[Signal, ...]:
        """Give what stands now and was told, or would have been."""
        return tuple(each for _, each in sorted(self._signals.items()) if each.state is not SignalState.RISING)

    async def run(self) -> None:
        """Look and say until cancelled."""
        while True:
            await self.look()
            await asyncio.sleep(LOOK_S)

    async def look(self) -> None:
        """Look once, and say what is due."""
        now = self._now()
        found = tuple(self._causes(now))
        for kind in sorted(OWN):
            of_kind = tuple(cause for cause in found if cause.kind is kind)
            signal, what = look(self._signals.get(kind), kind, of_kind, self._rule, now=now, is_muted=False)
            self._signals.pop(kind, None)
            if signal is not None and what is not None:
                self._put(signal, what, now)
            if signal is not None and signal.state is not SignalState.ENDED:
                self._signals[kind] = signal
        await asyncio.gather(*(self._say(word) for word in tuple(self._words) if word.due_at <= now))

    def _causes(self, now: datetime) -> Iterator[Cause]:
        if self._store.fault or self._store.away or self._store.shortage:
            self._failed_since = self._failed_since or now
            yield Cause(kind=Kind.STORE, subject=self._host, since=self._failed_since)
        else:
            self._failed_since = None
        for name, state in self._loops().items():
            known, at = self._fell.get(name, (0, now))
            if state.falls > known:
                known, at = self._fell[name] = state.falls, now
            if known and now - at < FELL:
                yield Cause(kind=Kind.LOOP, subject=f"{self._host} {name}", since=at)

    def _put(self, signal: Signal, what: What, now: datetime) -> None:
        """Put a word in the place of what was not said yet of the kind; an end is told only to who heard of the beginning."""
        log.warning("signal.own", kind=str(signal.kind), what=str(what))
        self._count += 1
        self._words = [word for word in self._words if word.kind is not signal.kind]
        thread = f"{self._process}-{signal.kind}"
        told = Told(
            identity=f"{thread}-{self._count}",
            thread=thread,
            what=what,
            headline=headline(signal.kind, signal.causes),
            text=text(signal.kind, signal.causes, self._zone),
            at=now,
        )
        hearing = [way for way in self._ways if way.audience.hears(signal.kind)]
        if what is What.ENDED:
            hearing = [way for way in hearing if (signal.kind, way.audience.way) in self._heard]
            self._heard -= {(signal.kind, way.audience.way) for way in self._ways}
        self._words += [Word(kind=signal.kind, way=way, told=told, due_at=now) for way in hearing]

    async def _say(self, word: Word) -> None:
        fault = await word.way.client.say(word.told)
        if word not in self._words:
            return
        self._words.remove(word)
        if fault:
            log.warning("signal.not_said", way=word.way.audience.way, kind=str(word.kind))
            self._words.append(replace(word, due_at=self._now() + FIRST_REST))
        elif word.told.what != What.ENDED:
            self._heard.add((word.kind, word.way.audience.way))
