"""Seals the audit trail every minute, and once more when the service ends: what stands then cannot be changed without its being found."""

from __future__ import annotations

import asyncio
from collections.abc import Callable
from datetime import datetime

import structlog

from bridge.store.api import Store
from bridge.store.awaited import done
from bridge.store.chain import Head, shown_entry
from bridge.store.commands import SealAudit

log = structlog.get_logger()

SEAL_S = 60.0  # ours: who changes the last minute's events leaves no seal behind them; a minute that is quiet is not sealed


class AuditWatch:
    """Seals again and again. Each seal is logged: a log that is kept elsewhere bears witness where the whole store is replaced."""

    def __init__(self, store: Store, now: Callable[[], datetime], *, seal_s: float = SEAL_S) -> None:
        self._store = store
        self._now = now
        self._seal_s = seal_s

    async def run(self) -> None:
        """Seal what came, until cancelled. Raises StoreError where it cannot be written."""
        while True:
            await asyncio.sleep(self._seal_s)
            _tell(await done(self._store, SealAudit(at=self._now())))

    def end(self) -> None:
        """Seal once more, behind all that was submitted; a store that is closed then finishes it."""
        self._store.submit(SealAudit(at=self._now())).add_done_callback(
            lambda sealed: None if sealed.exception() else _tell(sealed.result())
        )


def _tell(head: Head | None) -> None:
    if head is not None:
        log.info("audit.sealed", entry=shown_entry(head.entry_id), digest=head.digest.hex())
