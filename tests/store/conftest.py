"""A store to ask, for the modules' own tests."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator
from pathlib import Path

import pytest

from bridge.store.database import SqliteDb
from bridge.store.sqlite import FILE, SqliteStore
from tests.store.strips import NOW


@pytest.fixture
def store(tmp_path: Path) -> Iterator[SqliteStore]:
    """Give an empty SQLite store."""
    opened = SqliteStore(tmp_path, now=lambda: NOW)
    yield opened
    opened.close()


@pytest.fixture
def file(store: SqliteStore, tmp_path: Path) -> Iterator[SqliteDb]:
    """Give a connection of the test's own to the store's file."""
    assert store.fault == ""
    connection = sqlite3.connect(tmp_path / FILE, isolation_level=None, factory=SqliteDb)
    yield connection
    connection.close()
