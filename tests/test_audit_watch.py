"""The watch that seals: while it runs, and once more at the end, behind everything that was submitted before."""

from __future__ import annotations

import asyncio
from pathlib import Path
from typing import Any

from structlog.testing import capture_logs

from bridge.audit_watch import AuditWatch
from bridge.store.chain import shown_entry
from bridge.store.sqlite import FILE, SqliteStore
from tests.store import strips as s
from tests.store.chained import walked
from tests.store.strips import NOW


def _sealed(logged: list[Any]) -> list[tuple[str, str]]:
    return [(line["entry"], line["digest"]) for line in logged if line["event"] == "audit.sealed"]


def test_it_seals_while_it_runs_and_at_the_end(tmp_path: Path) -> None:
    """HZ-J02, HZ-J03: two seals stand, each in the log with its digest, and nothing else of what they bind."""
    store = SqliteStore(tmp_path, now=lambda: NOW)

    watch = AuditWatch(store, lambda: NOW, seal_s=0.01)

    async def day() -> None:
        s.keep(store, b"PID 40718823")
        watching = asyncio.create_task(watch.run())
        while not _sealed(logged):
            await asyncio.sleep(0.01)
        s.keep(store, b"last")
        watching.cancel()
        await asyncio.wait({watching})

    with capture_logs() as logged:
        asyncio.run(asyncio.wait_for(day(), s.WAIT))
        watch.end()
        store.close()
    seals = _sealed(logged)
    assert len(seals) == 2
    assert "40718823" not in str(logged)
    found = walked(tmp_path / FILE)
    assert found.broken is None
    assert found.head is not None
    assert (shown_entry(found.head.entry_id), found.head.digest.hex()) == seals[-1]
