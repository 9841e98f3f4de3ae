"""Passes a critical result on along the site's list, where nobody was told of it in time."""

from __future__ import annotations

import asyncio
from collections.abc import Callable
from datetime import datetime

import structlog

from bridge.bench.telling import Said, TellingStep, next_turn_at
from bridge.errors import Overtaken
from bridge.model import SERVICE
from bridge.store.api import Store
from bridge.store.asking import ask
from bridge.store.awaited import done
from bridge.store.commands import SayOfTelling
from bridge.tables.telling_terms import TellingTerms

log = structlog.get_logger()

LOOK_S = 10.0  # ours: minutes are counted, so ten seconds more are none; one look at the few that are open costs nothing


class TellingWatch:
    """Looks again and again at what somebody is to be told of. What is overdue the pages reckon by themselves; this writes it down."""

    def __init__(self, store: Store, terms: TellingTerms, now: Callable[[], datetime]) -> None:
        self._store = store
        self._terms = terms
        self._now = now

    async def run(self) -> None:
        """Look until cancelled."""
        while True:
            await self.look()
            await asyncio.sleep(LOOK_S)

    async def look(self) -> None:
        """Look once."""
        for shown in await ask(self._store, self._store.tellings_open):
            now, due = self._now(), next_turn_at(shown.task, self._terms)
            if due is None or now < due:
                continue
            said = Said(step=TellingStep.PASSED_ON)
            command = SayOfTelling(telling_id=shown.telling_id, steps=shown.task.steps, said=said, actor=SERVICE, at=now)
            try:
                await done(self._store, command)
            except Overtaken:  # somebody wrote something down at this moment: the next look sees what
                continue
            log.warning("telling.overdue", telling=shown.telling_id, strip=shown.strip.strip_id, turn=shown.task.turn + 1)
