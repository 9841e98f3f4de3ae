"""The digest of a shift: kept once, with what is to be said of it."""

from __future__ import annotations

from datetime import datetime

from bridge.model import SERVICE
from bridge.store.codec import moment, when
from bridge.store.database import Db
from bridge.store.digest_commands import KeepDigest
from bridge.store.rows import SayState
from bridge.store.statements import Change, note

LAST = "digest"  # in meta: the time of the last one
KEPT = "digest.kept"  # an event's what
WHAT = "digest"  # what is said, as signals/told.py has it


def keep_digest(db: Db, command: KeepDigest) -> bool:
    """Keep a digest and what is to be said of it; say whether it was kept."""
    db.hold(LAST)
    last = last_digest(db)
    if last is not None and last >= command.due:
        return False
    kept = "INSERT INTO meta (name, value) VALUES (?, ?) ON CONFLICT (name) DO UPDATE SET value = excluded.value"
    db.execute(kept, (LAST, when(command.due)))
    if last is None:
        return False
    at = when(command.at)
    db.execute(f"UPDATE signal_says SET state = '{SayState.DROPPED}', ended_at = ? WHERE state = 'due' AND what = ?", (at, WHAT))
    for way in command.ways:
        db.execute(
            "INSERT INTO signal_says (way, what, headline, text, at, state, due_at, tries, fault, actor) VALUES (?,?,?,?,?,'due',?,0,'','')",
            (way, WHAT, command.headline, command.text, at, at),
        )
    note(db, command.at, SERVICE, KEPT, "digest", Change(after="kept"))
    return True


def last_digest(db: Db) -> datetime | None:
    """Give for which time the last digest was kept; None before the first."""
    row = db.execute("SELECT value FROM meta WHERE name = ?", (LAST,)).fetchone()
    return moment(row[0]) if row else None
