"""A small store with everything that a chain can hold: several writers, seals, what a person did, what a purge took."""

from __future__ import annotations

import sqlite3
from collections.abc import Callable, Sequence
from contextlib import closing
from pathlib import Path
from typing import Any

from bridge.lifecycle.states import StopEnd
from bridge.model import Answer
from bridge.store.api import Store
from bridge.store.chain import Head
from bridge.store.chain_check import Walked, walk
from bridge.store.commands import CloseStop, PurgeEvents, SealAudit
from bridge.store.database import SqliteDb
from bridge.store.sqlite import FILE, SqliteStore
from tests.store import strips as s
from tests.store.strips import NOW, WAIT, later

TRIGGERS = (
    *(
        f"{table}_no_{change}"
        for table in ("events", "audit_entries", "audit_chains", "event_kinds", "words")
        for change in ("update", "delete")
    ),
)


def seal(store: Store, minutes: float = 5) -> Head | None:
    """Seal what stands."""
    head: Head | None = store.submit(SealAudit(at=later(minutes))).result(WAIT)
    return head


def morning(store: Store, day: int = 1) -> None:
    """Let two strips go out, and a person discard a third."""
    for name in ("A", "B"):
        recorded = s.post(store, f"{name}{day}", lane=name)
        s.attempt(store, recorded.delivery_ids[0], Answer.ACCEPTED, "AA")
    of = s.reading(f"{day}0")
    s.record(store, of, s.held(of))
    how = CloseStop(stop_id=store.stops()[-1].stop_id, end=StopEnd.DISCARDED, actor=s.BO, reason="spilt \0 over", at=NOW)
    store.submit(how).result(WAIT)


def purge(store: Any) -> int:
    """Purge all events that may go."""
    ids = store.old_events(before=later(1), after=0, limit=100).ids
    gone: int = store.submit(PurgeEvents(event_ids=ids, before=later(1), at=later(60))).result(WAIT)
    return gone


def written(folder: Path) -> bytes:
    """Give the bytes of a store of three writers: the first one's first strips are purged, the second sealed, the third was cut off."""
    for turn in range(3):
        store = SqliteStore(folder, now=lambda: NOW)
        if turn == 0:
            s.attempt(store, s.post(store, "P1").delivery_ids[0], Answer.ACCEPTED)
            assert purge(store) == 5
        else:
            morning(store, turn)
        if turn == 1:
            assert seal(store) is not None
            s.keep(store, b"after the seal", analyzer="other")
        if turn == 2:
            s.keep(store, b"long after the purge", analyzer="other", arrived_at=later(90))
        store.close()
    return copied(folder / FILE)


def copied(file: Path) -> bytes:
    """Give the bytes of a store in one piece, with what its log holds."""
    with closing(sqlite3.connect(file)) as store, closing(sqlite3.connect(":memory:")) as copy:
        store.backup(copy)
        content = copy.serialize()
    return content[:18] + b"\x01\x01" + content[20:]  # without a log of its own (SQLite, "Database File Format", section 1.3.3)


def opened(content: bytes) -> SqliteDb:
    """Give a copy of the store in memory, without the triggers that stand in a tamperer's way."""
    db = sqlite3.connect(":memory:", isolation_level=None, factory=SqliteDb)
    db.deserialize(content)
    for trigger in TRIGGERS:
        db.execute(f"DROP TRIGGER {trigger}")
    return db


def walked(file: Path) -> Walked:
    """Walk along the chains of a store's file."""
    with closing(sqlite3.connect(file, isolation_level=None, factory=SqliteDb)) as db:
        db.execute("BEGIN")
        return walk(db)


def after(content: bytes, harm: Callable[[SqliteDb], Any] | Sequence[str]) -> Walked:
    """Harm a copy of a store, and walk along it."""
    with closing(opened(content)) as db:
        if callable(harm):
            harm(db)
        else:
            for statement in harm:
                db.execute(statement)
        return walk(db)
