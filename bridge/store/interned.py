"""Words that many rows share stand once, and rows name them by number: table sets, and what kinds of events there are.

A connection remembers the numbers that it has looked up. What it remembers is emptied whenever something is undone: a number that
was given in a transaction which did not come about would be another word's.
"""

from __future__ import annotations

from functools import lru_cache
from typing import NamedTuple

from bridge.model import SERVICE, Actor
from bridge.store.chain import kind_digest
from bridge.store.database import Db

NUMBERED = frozenset(
    {"capture", "strip", "stop", "delivery", "signal", "telling"}
)  # what an event is about has a number of its own; all else is named in full
MOST_DIGITS = 18  # SQLite "Datatypes In SQLite" 2, PostgreSQL "bigint": 64 bits with a sign hold every number of so many


class OwnKind(NamedTuple):
    """A kind of event that Padpost itself makes, about what has a number (``NUMBERED``): plain words, none for no state."""

    what: str
    subject: str
    before: str = ""
    after: str = ""


def word_id(db: Db, word: str) -> int:
    """Give the number of a word, which is kept if it is new."""
    known = db.known.get(word)
    if known is None:
        db.execute("INSERT INTO words (word) VALUES (?) ON CONFLICT DO NOTHING", (word,))
        known = db.known[word] = int(db.execute("SELECT id FROM words WHERE word = ?", (word,)).fetchone()[0])
    return known


def kind_id(db: Db, actor: Actor, what: str, subject: str, before: str, after: str) -> int:
    """Give the number of a kind of event: who, what, about what sort of thing, from which state to which; it is kept if it is new."""
    kind = (actor.name, actor.verified, what, subject, before, after)
    known = db.known.get(kind)
    if known is None:
        values = tuple(str(each) for each in kind)
        db.execute(
            "INSERT INTO event_kinds (actor, verified, what, subject, before, after) VALUES (?,?,?,?,?,?) ON CONFLICT DO NOTHING",
            values,
        )
        found = db.execute(
            "SELECT id FROM event_kinds WHERE actor = ? AND verified = ? AND what = ? AND subject = ? AND before = ? AND after = ?",
            values,
        )
        known = db.known[kind] = int(found.fetchone()[0])
    return known


@lru_cache(maxsize=4096)
def own_digest(kind: OwnKind) -> bytes:
    """Give the digest of a kind of event of Padpost's own (``chain.kind_digest``)."""
    return kind_digest(SERVICE.name, SERVICE.verified, *kind)


def own_kind_id(db: Db, kind: OwnKind) -> int:
    """Give the number of a kind of event of Padpost's own."""
    known = db.known.get(kind)
    if known is None:
        known = db.known[kind] = kind_id(db, SERVICE, *kind)
    return known


def parted(subject: str) -> tuple[str, int]:
    """Give the sort and the number of an event's subject: `delivery:5` is (`delivery`, 5); one that has no number is itself and 0."""
    sort, _, number = subject.partition(":")
    return (sort, int(number)) if sort in NUMBERED and is_number(number) else (subject, 0)


def is_number(text: str) -> bool:
    """Say whether a text is a number that a row can have."""
    return text.isascii() and text.isdecimal() and len(text) <= MOST_DIGITS


def joined(sort: str, number: int) -> str:
    """Give the subject that ``parted`` parted."""
    return f"{sort}:{number}" if number else sort
