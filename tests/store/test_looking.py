"""A look at a store beside the one that writes it; the server's is tested with ``padpost audit`` (cli/test_audit.py)."""

from __future__ import annotations

import sqlite3
from pathlib import Path

import pytest

from bridge.errors import StoreFailed
from bridge.settings import Settings, read_settings
from bridge.store.looking import looked_at
from bridge.store.sqlite import FILE, SqliteStore
from tests.settings.site_files import GOOD, write
from tests.store import strips as s

CAPTURES = "SELECT count(*) FROM captures"


@pytest.fixture
def config(tmp_path: Path) -> Settings:
    """Give a site whose store nobody has made yet."""
    return read_settings(write(tmp_path, GOOD))


def test_it_sees_one_moment_and_may_write_nothing(config: Settings) -> None:
    """What comes meanwhile is of the next look, and the writer is not held up by it."""
    store = SqliteStore(config.site.data, now=lambda: s.NOW)
    with looked_at(config) as db:
        before = db.execute(CAPTURES).fetchone()
        s.keep(store)
        assert db.execute(CAPTURES).fetchone() == before == (0,)
        with pytest.raises(sqlite3.OperationalError, match="readonly"):
            db.execute("DELETE FROM captures")
    with looked_at(config) as db:
        assert db.execute(CAPTURES).fetchone() == (1,)
    store.close()


def test_no_store_and_a_spoilt_one_are_named_with_what_to_do(config: Settings) -> None:
    """With the place of the file; neither is made or mended by looking."""
    with pytest.raises(StoreFailed, match=r"There is no store at .*Check site\.data"), looked_at(config):
        pass
    config.site.data.mkdir(parents=True)
    (config.site.data / FILE).write_bytes(b"no store at all" * 999)
    with pytest.raises(StoreFailed, match=r"cannot be read .*Restore it from a backup"), looked_at(config) as db:
        db.execute(CAPTURES)
