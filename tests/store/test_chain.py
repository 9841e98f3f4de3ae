"""Entries and their digests, reckoned once more by hand; and what a transaction that did not come about leaves: nothing."""

from __future__ import annotations

import hashlib
import json
import sqlite3
import struct
from pathlib import Path
from typing import Any

import pytest

from bridge import __version__
from bridge.errors import Overtaken
from bridge.lifecycle.states import StopEnd
from bridge.store.chain import BITS, MOST, entry_digest, event_bytes, kind_digest, shown_entry
from bridge.store.database import SqliteDb
from bridge.store.sqlite import FILE, SqliteStore
from tests.store import strips as s
from tests.store.chained import seal, walked
from tests.store.strips import later

NOW_US = 1_795_600_800_000_000  # 2026-11-25T10:00Z


def entries(file: SqliteDb) -> list[tuple[Any, ...]]:
    return file.execute(
        "SELECT id, at_us, events, said, digest, content FROM audit_entries WHERE id > ? ORDER BY id", (2 << BITS,)
    ).fetchall()


def sha256(*parts: bytes) -> bytes:
    return hashlib.sha256(b"".join(parts)).digest()


def test_an_entry_binds_its_events_and_the_entry_before(store: SqliteStore, file: SqliteDb) -> None:
    """The layout that docs/audit.md gives, reckoned with hashlib alone: who checks a store in ten years needs no Padpost for it."""
    capture = s.keep(store)
    (begun, kept) = file.execute(
        "SELECT id, at_us, events, said, digest FROM audit_entries WHERE id >= ? ORDER BY id", (2 << BITS,)
    ).fetchall()
    kind = sha256(b'["padpost","service","capture.kept","capture","","folder"]')
    event = struct.pack(">qq?I", NOW_US, capture, False, 0) + kind
    head = struct.pack(">qqqI", (2 << BITS) + 1, NOW_US, 1, 0)
    assert kept == ((2 << BITS) + 1, NOW_US, 1, "", sha256(begun[4], head, sha256(event)))
    said = begun[3].encode()
    assert begun[4] == sha256(bytes(32), struct.pack(">qqqI", 2 << BITS, NOW_US, 0, len(said)), said, sha256())
    assert event_bytes(kind, NOW_US, capture, "", is_named=False) == event
    assert entry_digest(bytes(32), begun[:4], sha256()) == begun[4]


def test_a_chain_says_who_writes_it_and_names_the_newest_of_the_others(store: SqliteStore, file: SqliteDb) -> None:
    """The beginning of a chain seals all that was there: the step to the schema that brought chains is the first of them."""
    s.keep(store)
    (old,) = file.execute("SELECT digest FROM audit_entries WHERE id = ?", (1 << BITS,)).fetchone()
    (said,) = file.execute("SELECT said FROM audit_entries WHERE id = ?", (2 << BITS,)).fetchone()
    begun = json.loads(said)
    (writer,) = file.execute("SELECT writer FROM audit_chains WHERE id = 2").fetchone()
    assert begun == {
        "what": "begun",
        "heads": {str(1 << BITS): old.hex()},
        "writer": writer,
        "padpost": __version__,
        "epoch": store.epoch,
    }
    assert writer.startswith("process ")


def test_a_kind_is_digested_by_its_words_and_a_nul_as_it_is_stored() -> None:
    """Two kinds whose words only run together alike are two; PostgreSQL's text has a picture in a NUL's place, and both digest alike."""
    assert kind_digest("ab", "c", "", "", "", "") != kind_digest("a", "bc", "", "", "", "")
    assert kind_digest("a\0", "", "", "", "", "") == kind_digest("a\u2400", "", "", "", "", "")
    kind = bytes(32)
    assert event_bytes(kind, 1, 2, "a\0b", is_named=True) == event_bytes(kind, 1, 2, "a\u2400b", is_named=True)
    assert event_bytes(kind, 1, 2, "a", is_named=True) != event_bytes(kind, 1, 2, "a", is_named=False)


def test_a_command_that_is_refused_leaves_the_chain_as_it_was(store: SqliteStore, file: SqliteDb, tmp_path: Path) -> None:
    """Its group is undone and done again without it: neither turn leaves an entry of what did not come about."""
    of = s.reading("1")
    stopped = s.record(store, of, s.held(of))
    assert stopped.stop_id is not None
    s.close(store, stopped.stop_id, StopEnd.DISCARDED)
    before = entries(file)
    with pytest.raises(Overtaken):
        s.close(store, stopped.stop_id, StopEnd.DISCARDED)
    assert entries(file) == before
    s.keep(store, b"next")
    assert [row[2] for row in entries(file)[len(before) :]] == [1]
    assert walked(tmp_path / FILE).broken is None


def test_a_seal_names_what_came_since_the_last_one(store: SqliteStore, file: SqliteDb) -> None:
    """Its own newest entry, with its digest; a quiet minute is not sealed, so that a quiet night costs nothing."""
    s.keep(store)
    head = seal(store)
    assert head is not None
    newest = entries(file)[-2:]
    assert json.loads(newest[1][3]) == {"what": "sealed", "heads": {str(newest[0][0]): newest[0][4].hex()}}
    assert (head.entry_id, head.digest) == (newest[1][0], newest[1][4])
    assert file.execute("SELECT value FROM meta WHERE name = 'audit_sealed'").fetchone() == (
        f"{head.entry_id}={head.digest.hex()}",
    )
    assert seal(store, 6) is None
    s.keep(store, b"more", arrived_at=later(7))
    again = seal(store, 8)
    assert again is not None
    assert list(json.loads(entries(file)[-1][3])["heads"]) == [str(again.entry_id - 1)]


@pytest.mark.parametrize(
    "harm",
    [
        "DELETE FROM audit_entries",
        "UPDATE audit_entries SET digest = zeroblob(32)",
        "UPDATE audit_entries SET content = zeroblob(32)",
        "UPDATE audit_chains SET writer = ''",
        "DELETE FROM audit_chains",
        "UPDATE event_kinds SET actor = 'Eve'",
        "DELETE FROM words",
        "UPDATE events SET who = NULL",
        "DELETE FROM events",
    ],
)
def test_the_database_itself_refuses_to_change_what_is_bound(store: SqliteStore, file: SqliteDb, harm: str) -> None:
    """HZ-J02: whoever comes with SQL must first take the triggers away; then the chain tells."""
    of = s.reading("1")
    s.close(store, s.record(store, of, s.held(of)).stop_id or 0, StopEnd.DISCARDED)
    with pytest.raises(sqlite3.IntegrityError, match="are append-only"):
        file.execute(harm)


def test_an_entry_is_named_by_chain_and_place() -> None:
    """As the log, `padpost audit verify` and the page Audit name it."""
    assert shown_entry((3 << BITS) + 17) == "3-17"
    assert MOST == 256  # what the entries of the step to schema 0023 hold, and the purge's sql knows
