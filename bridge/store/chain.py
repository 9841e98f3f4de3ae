"""The chain of the history: what each writer appended is bound, entry by entry, to all that it appended before.

A writer's connection has a chain of its own, so that no process waits for another. An entry stands for the events of one commit (at most
``MOST`` of them): its digest is over theirs and over the digest of the entry before it. Now and then a writer seals: an entry that names
the newest entry of every writer, with its digest. What is changed, removed, swapped or put in between breaks a digest or a seal, and
``chain_check`` tells where. The digests are over digests, so that the purge may take the events and leave what binds them.
"""

from __future__ import annotations

import hashlib
import os
import socket
from collections.abc import Sequence
from functools import lru_cache
from struct import Struct
from typing import Any, NamedTuple, Protocol, SupportsInt

from bridge import __version__
from bridge.store.codec import json_text

MOST = 256  # ours: events of an entry, which the purge takes all at once; a commit under load has some hundred
BITS = 32  # ours: an entry's number is its chain's, and its place in it in the lower bits: 4,000 million commits of one process
# ours: as many writers may begin within one another's sight; a site has a handful, and each names the newest of those before it
MOST_NAMED = 256
OLD_CHAIN = (
    1  # what was there before there was a chain: entries of 256 events each by their ids, which the step to schema 0023 wrote
)
# The entry of an event (alias e); those from before the chain name none. 256 here is what that step wrote, and never changes.
ENTRY = f"coalesce(e.entry, {(OLD_CHAIN << BITS) + 1} + e.id / 256)"
BEFORE_ALL = bytes(32)  # what the first entry of a chain is bound to
SEALED = "audit_sealed"  # in meta: the newest seal, entry and digest
NEW_ENTRY = "INSERT INTO audit_entries (id, at_us, events, said, digest) VALUES (?,?,?,?,?)"
NEW_CHAIN = "INSERT INTO audit_chains (begun_us, writer) VALUES (?,?)"
# The newest entry of each of the newest chains but one
_HEADS = (
    "SELECT a.id, a.digest, a.said FROM audit_chains c JOIN audit_entries a ON a.id = (SELECT max(n.id) FROM audit_entries n"
    f" WHERE n.id >= c.id * {1 << BITS} AND n.id < (c.id + 1) * {1 << BITS})"
    f" WHERE c.id > (SELECT max(id) FROM audit_chains) - {MOST_NAMED} AND c.id <> ? ORDER BY c.id"
)
_EVENT = Struct(">qq?I")  # time in microseconds, number, whether it is found by who did it, bytes of the reason
_ENTRY = Struct(">qqqI")  # id, time, events, bytes of what it says
_NUL_SHOWN = "\u2400"  # a server's text holds no NUL: it is digested as what is stored in its place


@lru_cache(maxsize=4096)
def kind_digest(*words: str) -> bytes:
    """Give the digest of a kind of event by its words, in the order of the columns: actor, verified, what, subject, before, after."""
    return hashlib.sha256(json_text([_stored(str(word)) for word in words]).encode()).digest()


def event_bytes(kind: bytes, at_us: int, number: int, reason: str, *, is_named: bool) -> bytes:
    """Give what is digested of an event; ``kind`` is ``kind_digest`` of its words, ``is_named`` whether it is found by who did it."""
    if not reason:  # as most are
        return _EVENT.pack(at_us, number, is_named, 0) + kind
    said = (_stored(reason) if "\0" in reason else reason).encode()
    return _EVENT.pack(at_us, number, is_named, len(said)) + kind + said


def entry_digest(before: bytes, of: tuple[int, int, int, str], content: bytes) -> bytes:
    """Give an entry's digest: ``before`` is that of the one before it, ``of`` its id, time, count and words, ``content`` the digest of its events."""
    entry_id, at_us, events, said = of
    words = said.encode()
    return hashlib.sha256(before + _ENTRY.pack(entry_id, at_us, events, len(words)) + words + content).digest()


def _stored(word: str) -> str:
    return word.replace("\0", _NUL_SHOWN)


def shown_entry(entry_id: int) -> str:
    """Name an entry for people: chain and place, `3-17`."""
    return f"{entry_id >> BITS}-{entry_id & ((1 << BITS) - 1)}"


class Writes(Protocol):
    """What a chain needs of a connection (``database.Db`` has it, and holds a chain itself)."""

    def execute(self, sql: str, values: Sequence[Any] = (), /) -> Any:
        """Do one statement; give its rows."""

    def insert(self, sql: str, values: Sequence[Any], /) -> SupportsInt:
        """Do an INSERT; give the new row's id."""

    def append(self, sql: str, values: Sequence[Any], /) -> None:
        """Do an INSERT of a row that nothing reads before it is settled."""

    def settle(self) -> None:
        """Write what was appended."""


class Head(NamedTuple):
    """The newest entry of a chain."""

    entry_id: int
    digest: bytes


class Stand(NamedTuple):
    """Where a chain stands, so that it can go back there."""

    chain: int
    entry: int
    digest: bytes
    events: tuple[bytes, ...]
    at_us: int
    is_said: bool


class Chain:
    """What one connection appends to the history. It begins with the first event, in that event's own transaction."""

    def __init__(self) -> None:
        self._chain, self._entry, self._digest = 0, 0, BEFORE_ALL
        self._events: list[bytes] = []  # that are in no entry yet
        self._at_us = 0  # of the newest of them
        self._is_said = True  # the newest entry has no events
        self._committed = self.standing()
        self._named: dict[int, int] = {}  # by chain: the newest entry that a seal of ours named
        self._seal = ""

    def note(self, db: Writes, at_us: int, event: bytes) -> int:
        """Take an event in; give the id of its entry. ``event`` is its ``event_bytes``."""
        events = self._events
        if len(events) >= MOST:
            self._end_entry(db)
            events = self._events
        if not self._entry:
            self._begin(db, at_us)
        events.append(event)
        self._at_us = max(self._at_us, at_us)
        return self._entry

    def seal(self, db: Writes, at_us: int) -> Head | None:
        """Append an entry that names the newest entry of every writer; None where nothing was written or all has been sealed."""
        if not self._entry:
            return None
        self._end_entry(db)
        db.settle()
        found = db.execute(_HEADS, (self._chain,)).fetchall()
        fresh = [(entry_id, digest) for entry_id, digest, _ in found if self._named.get(entry_id >> BITS) != entry_id]
        is_due = not self._is_said or any(
            not said and self._named.get(entry_id >> BITS) != entry_id for entry_id, _, said in found
        )
        if not is_due:
            return None
        head = self._say(db, at_us, "sealed", [*fresh, (self._entry - 1, self._digest)])
        self._named.update({entry_id >> BITS: entry_id for entry_id, _ in fresh})
        self._seal = f"{head.entry_id}={head.digest.hex()}"
        return head

    def finish(self, db: Writes) -> None:
        """Append what binds the transaction's events; the last thing before its commit."""
        self._end_entry(db)
        if self._seal:  # here and not before: other writers change the same row, and whoever holds it waits for nothing more
            db.execute(
                "INSERT INTO meta (name, value) VALUES (?,?) ON CONFLICT (name) DO UPDATE SET value = excluded.value",
                (SEALED, self._seal),
            )
            self._seal = ""

    def stands(self) -> None:
        """Note that the transaction was committed."""
        self._committed = self.standing()

    def undo(self) -> None:
        """Go back to what was committed last."""
        self.back(self._committed)
        self._named.clear()

    def standing(self) -> Stand:
        """Give where the chain stands, for ``back``."""
        return Stand(self._chain, self._entry, self._digest, tuple(self._events), self._at_us, self._is_said)

    def back(self, stand: Stand) -> None:
        """Go back to where it stood: what came since is undone."""
        self._chain, self._entry, self._digest, events, self._at_us, self._is_said = stand
        self._events = list(events)
        self._seal = ""

    def _begin(self, db: Writes, at_us: int) -> None:
        db.settle()
        self._chain = int(db.insert(NEW_CHAIN, (at_us, _writer())))
        self._entry = self._chain << BITS
        heads = db.execute(_HEADS, (self._chain,)).fetchall()
        self._named = {entry_id >> BITS: entry_id for entry_id, _, _ in heads}
        row = db.execute("SELECT value FROM meta WHERE name = 'epoch'").fetchone()
        self._say(db, at_us, "begun", [(entry_id, digest) for entry_id, digest, _ in heads], row[0] if row else "")

    def _say(self, db: Writes, at_us: int, what: str, heads: list[tuple[int, bytes]], epoch: str = "") -> Head:
        words: dict[str, object] = {"what": what, "heads": {str(entry_id): bytes(digest).hex() for entry_id, digest in heads}}
        if what == "begun":
            words |= {"writer": _writer(), "padpost": __version__, "epoch": epoch}
        self._append(db, at_us, 0, json_text(words), hashlib.sha256().digest())
        self._is_said = True
        return Head(self._entry - 1, self._digest)

    def _end_entry(self, db: Writes) -> None:
        if self._events:
            self._append(db, self._at_us, len(self._events), "", hashlib.sha256(b"".join(self._events)).digest())
            self._events, self._at_us, self._is_said = [], 0, False

    def _append(self, db: Writes, at_us: int, events: int, said: str, content: bytes) -> None:
        self._digest = entry_digest(self._digest, (self._entry, at_us, events, said), content)
        db.append(NEW_ENTRY, (self._entry, at_us, events, said, self._digest))
        self._entry += 1


def _writer() -> str:
    return f"process {os.getpid()} on {socket.gethostname()}"
