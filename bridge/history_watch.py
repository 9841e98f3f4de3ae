"""Walks along every chain of the history once a night, beside the running service, and says what it found: whole, or where it first is not.

One process does it, in a session of its own that only reads, a few hundred events at a time with a rest between, so that strips come first.
"""

from __future__ import annotations

import asyncio
import threading
from collections.abc import Callable
from contextlib import AbstractContextManager
from datetime import UTC, datetime, time, timedelta
from zoneinfo import ZoneInfo

import structlog

from bridge.store.api import Store
from bridge.store.asking import ask
from bridge.store.audit_commands import NoteVerified
from bridge.store.awaited import done
from bridge.store.chain_check import Walked, walk
from bridge.store.database import Db

log = structlog.get_logger()

LOOK_S = 60.0  # ours: whether it is time yet
NIGHT = time(3)  # ours: the site's clock; between the late shift's last strips and the morning round (common practice, no source)
NIGHT_ENDS = time(5)  # ours: as above
LONGEST = timedelta(days=2)  # ours: a machine that is off at night is looked at by day then
STARTED_FOR = timedelta(hours=1)  # ours: by day, not while a morning's strips are being caught up with
AT_ONCE = 250  # ours: events between two rests; one or two milliseconds of the processor
REST_S = 0.005  # ours: some four times as long; with 5,500,000 events (a million strips) the walk takes two or three minutes


def is_due(now: datetime, last: datetime | None, *, started: datetime, zone: ZoneInfo) -> bool:
    """Say whether to walk at ``now``: in the night, once; by day where no night was had for too long. All aware; ``last`` None for never."""
    today = now.astimezone(zone).date()
    night, ends = (datetime.combine(today, each, tzinfo=zone).astimezone(UTC) for each in (NIGHT, NIGHT_ENDS))
    if night <= now < ends:
        return last is None or last < night
    return now - started >= STARTED_FOR and (last is None or now - last >= LONGEST)


class _EndedError(Exception):
    pass


class HistoryWatch:
    """Walks when it is due, and keeps what was found."""

    def __init__(
        self,
        store: Store,
        look: Callable[[], AbstractContextManager[Db]],
        *,
        zone: ZoneInfo,
        now: Callable[[], datetime],
        look_s: float = LOOK_S,
    ) -> None:
        """``look`` opens a session of its own that only reads and sees one moment of the store, for the thread that opens it."""
        self._store = store
        self._look = look
        self._zone = zone
        self._now = now
        self._look_s = look_s
        self._started = now()

    async def run(self) -> None:
        """Walk whenever it is due, until cancelled. Raises StoreError where the store cannot be read or written."""
        while True:
            last = await ask(self._store, self._store.verified)
            if is_due(self._now(), None if last is None else last.at, started=self._started, zone=self._zone):
                await self.verify()
            await asyncio.sleep(self._look_s)

    async def verify(self) -> None:
        """Walk once, and keep what was found. Who is cancelled meanwhile ends the walk first."""
        ending = threading.Event()
        walking = asyncio.ensure_future(asyncio.to_thread(self._walk, ending))
        try:
            found = await asyncio.shield(walking)
        except asyncio.CancelledError:
            ending.set()
            await asyncio.wait({walking})
            walking.exception()  # looked at: nobody asks for it any more
            raise
        broken = found.broken.sentence if found.broken else ""
        await done(self._store, NoteVerified(at=self._now(), entries=found.entries, events=found.events, broken=broken))
        if broken:
            log.error("audit.broken", entries=found.entries)
        else:
            log.info("audit.verified", entries=found.entries, events=found.events)

    def _walk(self, ending: threading.Event) -> Walked:
        def rest() -> None:
            if ending.wait(REST_S):
                raise _EndedError

        with self._look() as db:
            return walk(db, at_once=AT_ONCE, rest=rest)
