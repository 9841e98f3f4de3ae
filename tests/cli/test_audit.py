"""``padpost audit verify``: beside the running service, on a file and on a server, with the exit status that a nightly job needs."""

from __future__ import annotations

import sqlite3
from pathlib import Path

import pytest

from bridge import clock
from bridge.store.postgres.connection import Server
from bridge.store.postgres.store import PostgresStore
from bridge.store.restore import open_epoch
from bridge.store.sqlite import FILE, SqliteStore
from tests.cli.commands import SITE, here, site
from tests.peers.postgres import PostgresServer
from tests.store import strips as s
from tests.store.chained import TRIGGERS, morning, purge, seal
from tests.store.strips import later


def test_an_intact_history_is_told_beside_its_service(tmp_path: Path, capfd: pytest.CaptureFixture[str]) -> None:
    """What was purged and which epochs there were, too; a seal that was noted elsewhere is asked for by its name."""
    store = SqliteStore(tmp_path / "store", now=clock.now)
    morning(store)
    assert purge(store) > 0
    head = seal(store)
    assert head is not None
    noted = f"2-{head.entry_id & 0xFFFF}={head.digest.hex()}"
    status, output, said = here("audit", "verify", "--config", site(tmp_path, SITE), "--seal", noted, capfd=capfd)
    assert (status, said) == (0, "")
    lines = output.splitlines()
    assert lines[-1] == "intact"
    assert lines[-3] == f"newest seal: {noted}"
    assert "`padpost audit verify --seal` with it says later" in lines[-2]
    assert lines[1] == f"purged by the site's rule: {purged(store)} events, all older than 2026-11-25 10:01 UTC"
    s.keep(store)
    store.close()


def purged(store: SqliteStore) -> int:
    """Count by the entries themselves."""
    return int(store._db().execute("SELECT sum(events) FROM audit_entries WHERE content IS NOT NULL").fetchone()[0])


def test_a_restore_opens_an_epoch_and_the_chain_says_so(tmp_path: Path, capfd: pytest.CaptureFixture[str]) -> None:
    """Both epochs stand in the chain with their times, so that what came before and after is told apart."""
    store = SqliteStore(tmp_path / "store", now=clock.now)
    first = store.epoch
    morning(store)
    store.close()
    reviewed = open_epoch(tmp_path / "store", now=later(90)).reviewed
    status, output, _ = here("audit", "verify", "--config", site(tmp_path, SITE), capfd=capfd)
    assert status == 0
    assert f"epoch {first} since 2026-11-25 10:00 UTC\nepoch {reviewed.epoch} since 2026-11-25 11:30 UTC\n" in output


def test_a_change_by_plain_sql_is_told_with_its_place(tmp_path: Path, capfd: pytest.CaptureFixture[str]) -> None:
    """HZ-J02: one row edited in the file: the status is 1, and the sentence says where and what to do."""
    store = SqliteStore(tmp_path / "store", now=clock.now)
    morning(store)
    store.close()
    with sqlite3.connect(tmp_path / "store" / FILE) as file:
        for trigger in TRIGGERS:
            file.execute(f"DROP TRIGGER {trigger}")
        file.execute("UPDATE events SET reason = 'another' WHERE who IS NOT NULL AND reason <> ''")
    file.close()
    status, output, _ = here("audit", "verify", "--config", site(tmp_path, SITE), capfd=capfd)
    assert status == 1
    assert "BROKEN. Entry 2-" in output
    assert output.splitlines()[-1].startswith("Keep the store and its backups as they are now, and tell")


@pytest.mark.parametrize("seal_text", ["3-17", "3-17=ab", "x-1=" + "0" * 64, ""])
def test_a_seal_that_is_none_is_refused_with_its_form(tmp_path: Path, capfd: pytest.CaptureFixture[str], seal_text: str) -> None:
    """A slip of the hand must not read as a broken chain."""
    SqliteStore(tmp_path / "store", now=clock.now).close()
    status, _, said = here("audit", "verify", "--config", site(tmp_path, SITE), "--seal", seal_text, capfd=capfd)
    assert status == 2
    assert "is no seal." in said


def test_no_store_and_a_spoilt_one_are_named(tmp_path: Path, capfd: pytest.CaptureFixture[str]) -> None:
    """Neither is a broken chain."""
    status, _, said = here("audit", "verify", "--config", site(tmp_path, SITE), capfd=capfd)
    assert (status, "There is no store at" in said) == (2, True)
    (tmp_path / "store").mkdir()
    (tmp_path / "store" / FILE).write_bytes(b"no store at all" * 999)
    status, _, said = here("audit", "verify", "--config", site(tmp_path, SITE), capfd=capfd)
    assert (status, "cannot be read" in said) == (2, True)


def test_a_database_is_walked_in_one_moment(tmp_path: Path, capfd: pytest.CaptureFixture[str], postgres: PostgresServer) -> None:
    """The same on a server, while a service writes."""
    postgres.sql("CREATE DATABASE walked TEMPLATE template0")
    url = postgres.url("walked")
    store = PostgresStore(Server(url=url))
    morning(store)
    config = site(tmp_path, f"{SITE}database:\n  url: {url}\n")
    status, output, _ = here("audit", "verify", "--config", config, capfd=capfd)
    assert (status, output.splitlines()[-1]) == (0, "intact")
    store.close()
    postgres.sql("DROP DATABASE walked WITH (FORCE)")
