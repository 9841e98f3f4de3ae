"""How far a store had come, written beside its file: a file that is behind it was put back by other means than ``padpost restore``.

Captures and attempts are never deleted, so their newest ids only grow. The mark is written after what it counts was committed; a store
behind its mark has therefore lost something that was there: an older copy lies in its place, or a snapshot of the file alone was rolled
back. A snapshot of the whole folder takes the mark back with the file, and a copy that is started elsewhere has none: neither is noticed.
"""

from __future__ import annotations

import json
from dataclasses import dataclass
from pathlib import Path

import structlog

from bridge.store.database import Db

log = structlog.get_logger()

NAME = "padpost.mark"


@dataclass(frozen=True, kw_only=True, slots=True)
class Mark:
    """The store's epoch and the newest ids of what is never deleted, 0 where there is none yet."""

    epoch: str
    captures: int
    attempts: int


def mark_of(db: Db) -> Mark:
    """Give how far a store has come."""
    query = "SELECT (SELECT value FROM meta WHERE name = 'epoch'), (SELECT max(id) FROM captures), (SELECT max(id) FROM attempts)"
    epoch, captures, attempts = db.execute(query).fetchone()
    return Mark(epoch=epoch or "", captures=captures or 0, attempts=attempts or 0)


def write_mark(folder: Path, mark: Mark) -> None:
    """Write the mark whole or not at all; a disk without room keeps the last one, which says less and nothing false."""
    part = folder / f"{NAME}.part"
    try:
        part.write_text(json.dumps({"epoch": mark.epoch, "captures": mark.captures, "attempts": mark.attempts}), encoding="utf-8")
        part.replace(folder / NAME)
    except OSError as error:
        log.warning("store.mark_not_written", fault=error.strerror)


def read_mark(folder: Path) -> Mark | None:
    """Give the mark; None where there is none or it cannot be read: then nothing is known."""
    try:
        found = json.loads((folder / NAME).read_text(encoding="utf-8"))
        return Mark(epoch=str(found["epoch"]), captures=int(found["captures"]), attempts=int(found["attempts"]))
    except (OSError, ValueError, KeyError, TypeError):
        return None


def forget_mark(folder: Path) -> None:
    """Take the mark away: what lies there from now on was put there by a command that has looked after it."""
    (folder / NAME).unlink(missing_ok=True)


def is_behind(store: Mark, mark: Mark | None, *, is_reviewed: bool = False) -> bool:
    """Say whether a store is not the one that the mark was written of, or has gone back since.

    ``is_reviewed``: the store itself tells of a review that ended the mark's epoch (``is_left``); then the mark is from before it.
    """
    if mark is None:
        return False
    if store.epoch != mark.epoch:
        return not is_reviewed
    return store.captures < mark.captures or store.attempts < mark.attempts


def is_left(db: Db, epoch: str) -> bool:
    """Say whether a review in this store has ended ``epoch``.

    Its mark may be older than that: the power failed between the review's commit and the new mark, or the mark cannot be written. To review
    once more at each start would put before a person what nobody sent twice. Kinds of events outlive a purge of the events.
    """
    return db.execute("SELECT 1 FROM event_kinds WHERE what = 'store.restored' AND before = ?", (epoch,)).fetchone() is not None
