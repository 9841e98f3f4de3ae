"""Whether the history is as it was written: a walk along every chain (chain.py), in constant memory, in one moment of the store.

Events come in the order of their ids, in which each writer's are in order too; each is laid to the entry that it names, and an entry is
closed as soon as its writer's next one begins.
"""

from __future__ import annotations

import hashlib
import json
from collections import deque
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from bridge.store.apply_purge import EVENTS_PURGED
from bridge.store.chain import BEFORE_ALL, BITS, ENTRY, SEALED, Head, entry_digest, event_bytes, kind_digest, shown_entry
from bridge.store.codec import moment_of
from bridge.store.database import Db

EVENTS_AT_ONCE = 5_000  # ours: some megabytes of rows
ENTRIES_AT_ONCE = 500  # ours: as above
MOST_OPEN = 64  # ours: chains of which rows are held; others are read anew where they go on
_EVENTS = (
    f"SELECT e.id, {ENTRY}, e.at_us, e.number, e.reason, e.who, w.word, k.actor, k.verified, k.what, k.subject, k.before, k.after"
    " FROM events e LEFT JOIN event_kinds k ON k.id = e.kind LEFT JOIN words w ON w.id = e.who WHERE e.id > ? ORDER BY e.id LIMIT ?"
)
_ENTRIES = "SELECT id, at_us, events, said, digest, content FROM audit_entries WHERE id >= ? AND id < ? ORDER BY id LIMIT ?"


@dataclass(frozen=True, kw_only=True, slots=True)
class Broken:
    """The first thing that is not as it was written: the entry, and a sentence for a person."""

    entry_id: int
    sentence: str


@dataclass(frozen=True, kw_only=True, slots=True)
class Epoch:
    """An epoch of the store, and since when it is; each but the first was opened by a restore, or where a database was moved."""

    since: datetime
    epoch: str


@dataclass(frozen=True, kw_only=True, slots=True)
class Walked:
    """What a walk found. ``purged_before``: what is older may be gone; None where nothing was purged. ``head``: the newest seal, None for none."""

    chains: int
    entries: int
    events: int
    purged: int
    purged_before: datetime | None
    epochs: tuple[Epoch, ...]
    head: Head | None
    broken: Broken | None


class _BreakError(Exception):
    def __init__(self, entry_id: int, sentence: str) -> None:
        super().__init__(sentence)
        self.broken = Broken(entry_id=entry_id, sentence=f"Entry {shown_entry(entry_id)}: {sentence}")


@dataclass(slots=True)
class _Found:
    """What all chains together came to."""

    entries: int = 0
    events: int = 0
    purged: int = 0
    newest_purged_us: int = -1
    told_purged_us: int = -1
    purged_at: int = 0
    has_seal: bool = False


class _Walk:
    """One chain: entries are taken off its front as their events have come."""

    def __init__(self, db: Db, number: int, found: _Found) -> None:
        self._db = db
        self._found = found
        self._next = number << BITS
        self._end = (number + 1) << BITS
        self._rows: deque[tuple[Any, ...]] = deque()
        self._digest = BEFORE_ALL
        self._content = hashlib.sha256()
        self._count = 0
        self._of = 0  # the entry whose events are coming
        self._ids = (0, 0)
        self.begun = (0, "", "")  # when, by whom, in which epoch

    def let_go(self) -> None:
        """Forget the rows that were read ahead."""
        self._rows.clear()

    def take(self, row: tuple[Any, ...]) -> None:
        """Take the next event of the chain in."""
        event_id, entry_id, at_us, number, reason, who, word, actor, *kind = row
        if actor is None or (who is not None and word != actor):
            raise _BreakError(entry_id, f"who did what in event {event_id} is not there any more, or is said in two ways.")
        if entry_id != self._of:
            self._close_to(entry_id)
        self._content.update(event_bytes(kind_digest(actor, *kind), at_us, number, reason, is_named=who is not None))
        self._count += 1
        self._ids = (self._ids[0] or event_id, event_id)
        self._found.events += 1
        if kind[1] == EVENTS_PURGED and reason.isdecimal():
            self._found.told_purged_us = max(self._found.told_purged_us, int(reason))

    def end(self) -> None:
        """Close what is left: behind the last event only entries that say something, or whose events were purged."""
        self._close_to(self._end)

    def _close_to(self, entry_id: int) -> None:
        """Close the entry whose events came, and those without events before ``entry_id``."""
        if entry_id < self._of:
            raise _BreakError(entry_id, "an event that names it stands behind those of a later entry.")
        while True:
            if not self._rows:
                self._rows.extend(self._db.execute(_ENTRIES, (self._next, self._end, ENTRIES_AT_ONCE)).fetchall())
            if not self._rows or self._rows[0][0] >= entry_id:
                break
            self._close(*self._rows.popleft())
        if self._count or (entry_id < self._end and not (self._rows and self._rows[0][0] == entry_id)):
            raise _BreakError(self._of if self._count else entry_id, "there are events of it, and the entry itself is gone.")
        self._of = entry_id

    def _close(self, entry_id: int, at_us: int, events: int, said: str, digest: bytes, content: bytes | None) -> None:
        self._next = entry_id + 1
        self._found.entries += 1
        if content is not None:
            self._purged(entry_id, at_us, events)
        elif entry_id == self._of and self._count:
            content = self._content.digest()
            if self._count != events:
                told = f"the number of its events is {self._count} ({self._shown_ids()}), and was {events} when it was written."
                raise _BreakError(entry_id, told)
        elif events:
            raise _BreakError(entry_id, "its events are gone, and no purge took them.")
        else:
            content = self._content.digest()
        if entry_digest(self._digest, (entry_id, at_us, events, said), bytes(content)) != bytes(digest):
            where = f", of its events ({self._shown_ids()}, up to {moment_of(at_us):%Y-%m-%d %H:%M:%S} UTC)" if events else ""
            raise _BreakError(
                entry_id, f"it is not as it was written: something of it{where}, or the entry before it, was changed."
            )
        self._digest = bytes(digest)
        if entry_id == self._of:
            self._content, self._count, self._ids = hashlib.sha256(), 0, (0, 0)
        if said:
            self._compare(entry_id, at_us, said)

    def _purged(self, entry_id: int, at_us: int, events: int) -> None:
        if self._count and self._of == entry_id:
            raise _BreakError(entry_id, f"a purge took its events, and some are there ({self._shown_ids()}).")
        self._found.purged += events
        if at_us > self._found.newest_purged_us:
            self._found.newest_purged_us, self._found.purged_at = at_us, entry_id

    def _compare(self, entry_id: int, at_us: int, said: str) -> None:
        """Compare what an entry says of others with what they are."""
        words = json.loads(said)
        if words["what"] == "begun":
            self.begun = (at_us, words["writer"], words["epoch"])
        else:
            self._found.has_seal = True
        for name, told in words["heads"].items():
            row = self._db.execute("SELECT digest FROM audit_entries WHERE id = ?", (int(name),)).fetchone()
            if row is None or bytes(row[0]).hex() != told:
                found = "is gone" if row is None else "is another now"
                raise _BreakError(int(name), f"it {found}: entry {shown_entry(entry_id)} sealed it.")

    def _shown_ids(self) -> str:
        first, last = self._ids
        return f"event {first}" if first == last else f"events {first} to {last}"


def walk(
    db: Db, *, heads: tuple[Head, ...] = (), at_once: int = EVENTS_AT_ONCE, rest: Callable[[], None] = lambda: None
) -> Walked:
    """Walk along every chain; ``heads`` are seals noted elsewhere that must still stand. Inside one transaction that sees one moment.

    ``rest`` is called between reads of ``at_once`` events: who walks beside other work lets it go first there, or ends the walk by raising.
    """
    found, walks = _Found(), dict[int, _Walk]()
    broken: Broken | None = None
    try:
        for row in _events(db, at_once, rest):
            number = row[1] >> BITS
            of = walks.get(number)
            if of is None:
                of = walks[number] = _Walk(db, number, found)
                if len(walks) % MOST_OPEN == 0:
                    for each in walks.values():
                        each.let_go()
            of.take(row)
        for number in _chains(db):
            walks.setdefault(number, _Walk(db, number, found)).end()
        _list_says_so(db, walks)
        _purge_was_told(found)
        _stand(db, heads, has_seal=found.has_seal)
    except _BreakError as fault:
        broken = fault.broken
    return Walked(
        chains=len(walks),
        entries=found.entries,
        events=found.events,
        purged=found.purged,
        purged_before=moment_of(found.told_purged_us) if found.told_purged_us >= 0 else None,
        epochs=tuple(_epochs(walks)),
        head=_sealed(db),
        broken=broken,
    )


def _events(db: Db, at_once: int, rest: Callable[[], None]) -> Iterator[tuple[Any, ...]]:
    last = -1
    while found := db.execute(_EVENTS, (last, at_once)).fetchall():
        yield from found
        last = found[-1][0]
        rest()


def _chains(db: Db) -> Iterator[int]:
    """Give every chain of which there is an entry or a name, in order."""
    number = -1
    while True:
        row = db.execute("SELECT min(id) FROM audit_entries WHERE id >= ?", ((number + 1) << BITS,)).fetchone()
        named = db.execute("SELECT min(id) FROM audit_chains WHERE id > ?", (number,)).fetchone()
        rest = [each for each in (row[0] >> BITS if row[0] is not None else None, named[0]) if each is not None]
        if not rest:
            return
        number = min(rest)
        if row[0] is None or row[0] >> BITS != number or row[0] & ((1 << BITS) - 1):
            raise _BreakError(number << BITS, "the beginning of its chain is gone.")
        yield number


def _list_says_so(db: Db, walks: dict[int, _Walk]) -> None:
    for number, of in walks.items():
        named = db.execute("SELECT begun_us, writer FROM audit_chains WHERE id = ?", (number,)).fetchone()
        if named != of.begun[:2]:
            raise _BreakError(number << BITS, "the list of chains says otherwise who began its chain, and when.")


def _epochs(walks: dict[int, _Walk]) -> Iterator[Epoch]:
    last = ""
    for number in sorted(walks):
        begun_us, _, epoch = walks[number].begun
        if epoch not in ("", last):
            yield Epoch(since=moment_of(begun_us), epoch=epoch)
            last = epoch


def _purge_was_told(found: _Found) -> None:
    if found.newest_purged_us >= 0 and found.newest_purged_us >= found.told_purged_us:
        raise _BreakError(found.purged_at, "its events are gone as if purged, and the chain tells of no purge that went so far.")


def _sealed(db: Db) -> Head | None:
    row = db.execute("SELECT value FROM meta WHERE name = ?", (SEALED,)).fetchone()
    entry_id, _, digest = row[0].partition("=") if row else ("", "", "")
    return Head(int(entry_id), bytes.fromhex(digest)) if row else None


def _stand(db: Db, heads: tuple[Head, ...], *, has_seal: bool) -> None:
    """Look whether the newest seal, and those that were noted elsewhere, are there."""
    sealed = _sealed(db)
    if has_seal and sealed is None:
        raise _BreakError(1 << BITS, "there are seals, and the note of the newest one is gone.")
    for entry_id, digest in (*((sealed,) if sealed else ()), *heads):
        row = db.execute("SELECT digest FROM audit_entries WHERE id = ?", (entry_id,)).fetchone()
        if row is None or bytes(row[0]) != digest:
            raise _BreakError(entry_id, "it was sealed, and it is gone or another now.")
