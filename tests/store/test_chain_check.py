"""Whatever is changed in the history, and however, the walk along its chains tells; what was only purged is no break."""

from __future__ import annotations

import hashlib
import signal
import sqlite3
import subprocess
import sys
from contextlib import closing
from pathlib import Path
from typing import Any

import pytest
from hypothesis import assume, given, reject, settings
from hypothesis import strategies as st

from bridge.store.apply_purge import _OF_EVENT
from bridge.store.chain import MOST, Head, event_bytes, kind_digest, shown_entry
from bridge.store.chain_check import walk
from bridge.store.commands import KeepRun
from bridge.store.database import SqliteDb
from bridge.store.sqlite import FILE, SqliteStore
from tests.store import strips as s
from tests.store.chained import after, copied, morning, opened, purge, seal, walked, written
from tests.store.strips import NOW, WAIT, later

CHANGED = {
    "events": ("at_us", "kind", "number", "reason", "entry", "who"),
    "audit_entries": ("id", "at_us", "events", "said", "digest", "content"),
    "audit_chains": ("id", "begun_us", "writer"),
    "event_kinds": ("id", "actor", "verified", "what", "subject", "before", "after"),
}


@pytest.fixture(scope="module")
def content(tmp_path_factory: pytest.TempPathFactory) -> bytes:
    """Give the bytes of a store with everything in it."""
    return written(tmp_path_factory.mktemp("chained"))


def _rows(content: bytes, table: str) -> list[dict[str, Any]]:
    db = opened(content)
    found = db.execute(f"SELECT * FROM {table} ORDER BY id")
    names = [column[0] for column in found.description]
    rows = [dict(zip(names, row, strict=True)) for row in found]
    if table == "event_kinds":  # one of which no event is left binds nothing
        used = {row[0] for row in db.execute("SELECT kind FROM events")}
        rows = [row for row in rows if row["id"] in used]
    db.close()
    return rows


def _others(column: str, value: Any) -> st.SearchStrategy[Any]:
    """Give other values of the same column."""
    digests = st.binary(min_size=32, max_size=32)
    if column in {"digest", "content"}:
        some: st.SearchStrategy[Any] = digests if column == "digest" else st.none() | digests
    elif isinstance(value, str):
        some = st.text(st.characters(codec="utf-8", exclude_characters="\0\u2400"), max_size=20)
    else:
        some = st.integers(0, 2**40) | st.integers(-3, 3).map(lambda by: (value or 0) + by)
        if column in {"entry", "who"}:
            some |= st.none()
    return some.filter(lambda new: new != value)


_ROWS: dict[bytes, dict[str, list[dict[str, Any]]]] = {}


def _all_rows(content: bytes) -> dict[str, list[dict[str, Any]]]:
    if content not in _ROWS:
        _ROWS[content] = {table: _rows(content, table) for table in CHANGED}
    return _ROWS[content]


@given(draw=st.data())
@settings(max_examples=400, deadline=None)
def test_any_single_change_is_found(content: bytes, draw: st.DataObject) -> None:
    """HZ-J02: one value of one row of the history, its kinds, its entries or its chains, whichever and whatever it becomes."""
    table = draw.draw(st.sampled_from(sorted(CHANGED)))
    rows = _all_rows(content)[table]
    row = draw.draw(st.sampled_from(rows))
    column = draw.draw(st.sampled_from(CHANGED[table]))
    new = draw.draw(_others(column, row[column]))
    if column == "id":
        assume(new not in {each["id"] for each in rows})

    def harm(db: SqliteDb) -> None:
        try:
            db.execute(f"UPDATE {table} SET {column} = ? WHERE id = ?", (new, row["id"]))
        except sqlite3.IntegrityError:  # a kind that is there already: the table itself refuses it
            reject()

    assert after(content, harm).broken is not None, (table, column, row, new)


@given(draw=st.data())
@settings(max_examples=200, deadline=None)
def test_any_removal_is_found(content: bytes, draw: st.DataObject) -> None:
    """HZ-J02: an event, an entry, a chain's name, a kind, or the note of the newest seal; the last ones too."""
    table = draw.draw(st.sampled_from(sorted(CHANGED)))
    row = draw.draw(st.sampled_from(_all_rows(content)[table]))
    assert after(content, [f"DELETE FROM {table} WHERE id = {row['id']}"]).broken is not None, (table, row)
    assert after(content, ["DELETE FROM meta WHERE name = 'audit_sealed'"]).broken is not None


@given(draw=st.data())
@settings(max_examples=200, deadline=None)
def test_any_swap_is_found(content: bytes, draw: st.DataObject) -> None:
    """HZ-J02: two events, or two entries, that changed places with all they say."""
    table = draw.draw(st.sampled_from(["events", "audit_entries"]))
    one, other = draw.draw(
        st.lists(st.sampled_from(_all_rows(content)[table]), min_size=2, max_size=2, unique_by=lambda row: row["id"])
    )
    columns = [name for name in one if name not in {"id", "entry"}]
    if all(one[name] == other[name] for name in columns):
        return

    def harm(db: SqliteDb) -> None:
        sets = ", ".join(f"{name} = ?" for name in columns)
        for at, of in ((one, other), (other, one)):
            db.execute(f"UPDATE {table} SET {sets} WHERE id = ?", (*(of[name] for name in columns), at["id"]))

    assert after(content, harm).broken is not None, (table, one, other)


@given(draw=st.data())
@settings(max_examples=200, deadline=None)
def test_any_insertion_is_found(content: bytes, draw: st.DataObject) -> None:
    """HZ-J02: a copy of an event or an entry, put in anywhere, or at the end of an entry, or without one as in the time before the chain."""
    table = draw.draw(st.sampled_from(["events", "audit_entries"]))
    rows = _all_rows(content)[table]
    row = dict(draw.draw(st.sampled_from(rows)))
    taken = {each["id"] for each in rows}
    near = st.integers(-2, 2).flatmap(lambda by: st.sampled_from(sorted(taken)).map(lambda of: of + by))
    row["id"] = draw.draw(st.one_of(near, st.integers(1, 2**40)).filter(lambda new: new not in taken and new > 0))
    if table == "events":
        row["entry"] = draw.draw(
            st.sampled_from([row["entry"], None, *(each["id"] for each in _all_rows(content)["audit_entries"])])
        )

    def harm(db: SqliteDb) -> None:
        db.execute(f"INSERT INTO {table} ({', '.join(row)}) VALUES ({','.join('?' * len(row))})", tuple(row.values()))

    assert after(content, harm).broken is not None, (table, row)


def test_an_untouched_store_is_intact_and_says_what_was_purged(content: bytes) -> None:
    """What was purged by the site's rule is no break: its entries hold the digests of what they bound."""
    found = after(content, [])
    assert found.broken is None
    assert (found.chains, found.purged, found.purged_before) == (4, 5, later(1))
    assert len(found.epochs) == 1
    assert found.head is not None


@pytest.mark.parametrize(
    ("harm", "told"),
    [
        ("UPDATE events SET reason = 'x' WHERE id = 20", "not as it was written: something of it, of its events (events 19 to 20, up to 2026-11-25 10:00:00 UTC), or the entry before it"),
        ("DELETE FROM events WHERE id = 20", "the number of its events is 1 (event 19), and was 2 when it was written."),
        ("DELETE FROM events WHERE id IN (19, 20)", "its events are gone, and no purge took them."),
        ("UPDATE event_kinds SET actor = 'Eve' WHERE actor = 'Bo'", "who did what in event 15 is not there any more, or is said in two ways."),
    ],
)  # fmt: skip
def test_the_first_break_is_told_with_its_entry(content: bytes, harm: str, told: str) -> None:
    """HZ-J02: tampering by plain SQL; the sentence names the entry, so that a person knows which minutes to doubt."""
    broken = after(content, [harm]).broken
    assert broken is not None
    assert broken.sentence.startswith(f"Entry {shown_entry(broken.entry_id)}: ")
    assert told in broken.sentence


def test_a_purge_that_nobody_ordered_is_found(content: bytes) -> None:
    """HZ-J02: who writes the mark and the digests as the purge does, and deletes, is not told of by the chain."""
    db = opened(content)
    (entry_id,) = db.execute("SELECT max(entry) FROM events").fetchone()
    content_digest = hashlib.sha256()
    for (event_id,) in db.execute("SELECT id FROM events WHERE entry = ? ORDER BY id", (entry_id,)).fetchall():
        _, at_us, number, reason, named, *kind = db.execute(_OF_EVENT, (event_id, 2**62)).fetchone()
        content_digest.update(event_bytes(kind_digest(*kind), at_us, number, reason, is_named=bool(named)))
    db.execute("UPDATE meta SET value = ? WHERE name = 'events_purged_before'", (str(2**62),))
    db.execute("UPDATE audit_entries SET content = ? WHERE id = ?", (content_digest.digest(), entry_id))
    db.execute("DELETE FROM events WHERE entry = ?", (entry_id,))
    broken = walk(db).broken
    db.close()
    assert broken is not None
    assert broken.sentence.endswith("the chain tells of no purge that went so far.")


def test_a_cut_end_is_found_by_what_was_sealed_and_by_a_seal_noted_elsewhere(tmp_path: Path) -> None:
    """HZ-J02: the newest entries with all their events cut off: a seal that the store itself notes, or one that was in the log, is missing."""
    store = SqliteStore(tmp_path, now=lambda: NOW)
    morning(store)
    head = seal(store)
    assert head is not None
    assert seal(store) is None  # nothing came since
    store.close()
    content = copied(tmp_path / FILE)
    cut = [
        f"DELETE FROM events WHERE entry >= {head.entry_id - 3}",
        f"DELETE FROM audit_entries WHERE id >= {head.entry_id - 3}",
    ]
    broken = after(content, cut).broken
    assert broken is not None
    assert broken.sentence == f"Entry {shown_entry(head.entry_id)}: it was sealed, and it is gone or another now."
    forgotten = opened(content)
    for statement in (*cut, "DELETE FROM meta WHERE name = 'audit_sealed'"):
        forgotten.execute(statement)
    assert walk(forgotten).broken is None  # nothing in the store itself knows of it any more
    told = walk(forgotten, heads=(head,)).broken
    assert told is not None
    assert told.entry_id == head.entry_id
    forgotten.close()
    intact = opened(content)
    assert walk(intact, heads=(head,)).broken is None
    assert walk(intact, heads=(Head(head.entry_id, bytes(32)),)).broken is not None
    intact.close()


def test_a_large_commit_is_several_entries_and_each_is_purged_whole(tmp_path: Path) -> None:
    """So that the purge never has to take more at once; with something open in one, that one stays."""
    store = SqliteStore(tmp_path, now=lambda: NOW)
    run = KeepRun(captures=tuple(s.capture(b"%d" % number) for number in range(600)), analyzer="brook-1", profile="brook")
    store.submit(run).result(WAIT)
    db = opened(copied(tmp_path / FILE))
    counts = [row[0] for row in db.execute("SELECT events FROM audit_entries WHERE events > 0 ORDER BY id")]
    db.close()
    assert counts == [MOST, MOST, 600 - 2 * MOST]
    assert purge(store) == 0  # every capture waits to be judged
    store.close()
    assert walked(tmp_path / FILE).broken is None


def test_a_process_that_is_killed_leaves_a_chain_that_holds(tmp_path: Path) -> None:
    """SIGKILL between and in the middle of commits of three threads, twice: what was committed is bound, and the next writer goes on."""
    for turn in (1, 2):
        child = subprocess.Popen(
            [sys.executable, "-m", "tests.store.crashing", "write", str(tmp_path)], stdout=subprocess.PIPE, text=True
        )
        assert child.stdout is not None
        acknowledged = 0
        for line in child.stdout:
            acknowledged += line.startswith("capture")
            if acknowledged == 60:
                child.send_signal(signal.SIGKILL)
                break
        child.stdout.close()
        child.wait(timeout=s.WAIT)
        found = walked(tmp_path / FILE)
        assert found.broken is None
        assert found.events >= 60 * turn
    store = SqliteStore(tmp_path, now=lambda: NOW)
    s.keep(store, b"after")
    store.close()
    assert walked(tmp_path / FILE).broken is None


def test_who_walks_beside_other_work_rests_and_may_end_it(content: bytes) -> None:
    """Between two reads, however few events each has; the walk finds the same."""
    rests: list[int] = []
    with closing(opened(content)) as db:
        found = walk(db, at_once=3, rest=lambda: rests.append(1))
        assert found == walk(db)
    assert len(rests) == -(-found.events // 3)

    def end() -> None:
        raise InterruptedError

    with closing(opened(content)) as db, pytest.raises(InterruptedError):
        walk(db, at_once=3, rest=end)
