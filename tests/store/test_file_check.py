"""A small file is checked before it is used; a large one is used at once and checked beside the work; damage stops it either way."""

from __future__ import annotations

import asyncio
import os
import sqlite3
from contextlib import closing
from pathlib import Path

import pytest

from bridge.errors import StoreFailed
from bridge.store import file_check
from bridge.store.commands import KeepCapture
from bridge.store.sqlite import FILE, SqliteStore
from tests.store import strips as s
from tests.store.strips import NOW, WAIT


@pytest.fixture
def large(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """Give the folder of a store that counts as large, with three hundred strips."""
    store = SqliteStore(tmp_path, now=lambda: NOW)
    for number in range(300):
        s.post(store, f"R{number}")
    store.close()
    monkeypatch.setattr(file_check, "LARGEST_AT_START_BYTES", 4096)
    return tmp_path


def page_of(file: Path, table: str) -> int:
    """Give a leaf page of a table, counted from 1 (SQLite's dbstat)."""
    with closing(sqlite3.connect(file)) as connection:
        return int(
            connection.execute("SELECT max(pageno) FROM dbstat WHERE name = ? AND pagetype = 'leaf'", (table,)).fetchone()[0]
        )


def spoil(file: Path, page: int) -> None:
    with file.open("r+b") as spoilt:
        spoilt.seek((page - 1) * 4096)
        spoilt.write(os.urandom(64))


def test_a_sound_large_file_is_used_and_found_sound(large: Path) -> None:
    """Nothing stops."""
    store = SqliteStore(large, now=lambda: NOW)
    asyncio.run(store.look_through())
    assert store.fault == ""
    s.post(store, "more")
    store.close()


def test_damage_in_a_large_file_stops_the_store_once_it_is_found(large: Path) -> None:
    """It opened, since what a start rests on is sound; then the look through it ends all acknowledging, with the remedy."""
    spoil(large / FILE, page_of(large / FILE, "events_subject"))
    store = SqliteStore(large, now=lambda: NOW)
    assert store.fault == ""
    asyncio.run(store.look_through())
    assert "is damaged (" in store.fault
    assert store.fault.endswith("). Nothing more is acknowledged; stop Padpost and restore it from a backup.")
    with pytest.raises(StoreFailed):
        store.submit(KeepCapture(capture=s.capture(), analyzer="a", profile="p")).result(WAIT)
    store.close()


def test_damage_in_what_a_start_rests_on_is_found_at_once(large: Path) -> None:
    """The tables with few rows are looked at before anything is built upon them, however large the file."""
    spoil(large / FILE, page_of(large / FILE, "meta"))
    with pytest.raises(StoreFailed):
        SqliteStore(large, now=lambda: NOW)


def test_a_stop_does_not_wait_for_the_look(large: Path) -> None:
    """Closed before it began or in the middle: no fault is made up, and nothing is left open."""
    store = SqliteStore(large, now=lambda: NOW)
    store.close()
    asyncio.run(store.look_through())
    assert store.fault == ""
