"""``padpost check --store``: beside the running service, on a file and on a server, with the exit status that a script needs."""

from __future__ import annotations

from pathlib import Path

import pytest

from bridge import clock
from bridge.model import Answer
from bridge.store.postgres.connection import Server
from bridge.store.postgres.store import PostgresStore
from bridge.store.sqlite import FILE, SqliteStore
from tests.cli.commands import SITE, here, site
from tests.peers.postgres import PostgresServer
from tests.store import strips as s

DAYS = 3


def _filled(store: SqliteStore | PostgresStore) -> None:
    arrived = clock.now()
    of = s.reading("1")
    s.record(store, of, s.held(of), capture_id=s.keep(store, b"1", arrived_at=arrived), at=arrived)
    s.attempt(store, s.post(store, "2").delivery_ids[0], Answer.ACCEPTED)


def test_a_store_is_looked_through_beside_its_service(tmp_path: Path, capfd: pytest.CaptureFixture[str]) -> None:
    """Each line says ok; nothing is written and nobody is locked out."""
    store = SqliteStore(tmp_path / "store", now=clock.now)
    _filled(store)
    status, output, said = here("check", "--config", site(tmp_path, SITE), "--store", capfd=capfd)
    assert (status, said) == (0, "")
    lines = output.splitlines()
    assert lines[-1] == "all well"
    assert [line for line in lines[:-1] if not line.endswith(": ok")] == []
    assert lines[-2 - DAYS] == "captures: bytes of the newest 2: ok"
    assert [line[:6] for line in lines[-1 - DAYS : -1]] == ["tally:"] * DAYS
    s.keep(store)
    store.close()


def test_what_is_wrong_is_counted(tmp_path: Path, capfd: pytest.CaptureFixture[str]) -> None:
    """A held strip on nobody's list; the status says that something is wrong."""
    store = SqliteStore(tmp_path / "store", now=clock.now)
    _filled(store)
    with store._connect() as connection:
        connection.execute("UPDATE stops SET state = 'closed'")
    connection.close()
    status, output, _ = here("check", "--config", site(tmp_path, SITE), "--store", capfd=capfd)
    assert status == 1
    assert (
        "strips: each that is held stands on Rejected messages: 1 strips are held and stand on no list; nobody sees them"
        in output
    )
    assert output.splitlines()[-1] == "1 thing wrong. Tell your administrator; keep a backup as it is now."
    store.close()


def test_a_spoilt_file_is_named_and_not_a_defect_of_ours(tmp_path: Path, capfd: pytest.CaptureFixture[str]) -> None:
    """Whatever SQLite says of it, one line and the status 1."""
    store = SqliteStore(tmp_path / "store", now=clock.now)
    _filled(store)
    store.close()
    with (tmp_path / "store" / FILE).open("r+b") as file:
        file.seek(4096)
        file.write(b"\xa5" * 8192)
    status, output, _ = here("check", "--config", site(tmp_path, SITE), "--store", capfd=capfd)
    assert status == 1
    assert "damaged (" in output


def test_it_says_what_it_needs(tmp_path: Path, capfd: pytest.CaptureFixture[str]) -> None:
    """A site, and a store at it."""
    status, _, said = here("check", "--store", capfd=capfd)
    assert status == 2
    assert "no site is named" in said
    status, _, said = here("check", "--config", site(tmp_path, SITE), "--store", capfd=capfd)
    assert status == 2
    assert "There is no store at " in said


def test_a_server_is_looked_through_as_a_file_is(
    tmp_path: Path, postgres: PostgresServer, capfd: pytest.CaptureFixture[str]
) -> None:
    """Its files are the server's own to check."""
    postgres.sql("CREATE DATABASE looked_through TEMPLATE template0")
    url = postgres.url("looked_through")
    store = PostgresStore(Server(url=url))
    _filled(store)
    status, output, said = here(
        "check", "--config", site(tmp_path, f'{SITE}database: {{url: "{url}"}}\n'), "--store", capfd=capfd
    )
    assert (status, said) == (0, "")
    assert "lanes: each with something open has a head: ok" in output
    assert "file:" not in output
    store.close()
    postgres.sql("DROP DATABASE looked_through WITH (FORCE)")
