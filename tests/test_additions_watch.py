"""Waits for additions end when their time is over, whoever looks."""

from __future__ import annotations

import asyncio
from datetime import datetime
from pathlib import Path

from bridge.additions_watch import AdditionsWatch
from bridge.store.sqlite import SqliteStore
from tests.store.addition_contract import unborn, waiting
from tests.store.strips import later


def test_what_is_due_goes_and_the_rest_waits(tmp_path: Path) -> None:
    """The time stands in the store: another watch, as after a crash, goes on where this one ended."""
    at = later(9)

    def now() -> datetime:
        return at

    store = SqliteStore(tmp_path / "store", now=now)
    try:
        waiting(store, "W1")
        asyncio.run(AdditionsWatch(store, now).look())
        assert unborn(store) == []
        at = later(10)
        asyncio.run(AdditionsWatch(store, now).look())
        assert unborn(store) == ["W1"]
        asyncio.run(AdditionsWatch(store, now).look())
        assert store.next_awaited_due() is None
    finally:
        store.close()
