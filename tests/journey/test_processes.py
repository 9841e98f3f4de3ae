"""Several processes of the real program on one PostgreSQL: the work of one that dies goes on in the other, once and in order."""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator
from datetime import timedelta
from pathlib import Path
from zoneinfo import ZoneInfo

import psycopg
import pytest

from bridge import clock
from bridge.credentials.keys import make_key
from bridge.demo.printers import Play, framed, printed
from bridge.settings import shipped_mappings
from bridge.site import default_policy, load_tables
from bridge.store.postgres.connection import Server
from bridge.store.postgres.store import PostgresStore
from tests.faults.served import Served
from tests.peers.mail_server import Mailbox, mail_server
from tests.peers.postgres import PostgresServer

SOURCES = '  - {{name: drops, kind: folder, path: "{drops}", analyzer: bench-b, profile: tern, complete: rename, sweep_s: 0.1}}\n'
DESTINATIONS = """\
  - {{name: shelf, kind: folder, path: "{shelf}", processing_id: T, retry: {{first_s: 0.1, longest_s: 0.5}}}}
database: {{url: "{url}"}}
"""
ZONE = ZoneInfo("UTC")
BOUND_S = 60.0


class Site:
    """Two processes on one configuration, as on two hosts; files dropped for whichever has the folder."""

    def __init__(self, folder: Path, url: str, more: str = "") -> None:
        self.drops, self.shelf = folder / "drops", folder / "shelf"
        self._tables = load_tables(shipped_mappings(), None, default_policy(), zone=ZONE)
        self.url = url
        self._start = clock.now().astimezone(ZONE) - timedelta(hours=1)
        for path in (self.drops, self.shelf):
            path.mkdir()
        self.processes = []
        for name in ("one", "two"):
            (folder / name).mkdir()
            sources, destinations = SOURCES.format(drops=self.drops), DESTINATIONS.format(shelf=self.shelf, url=url) + more
            self.processes.append(Served(folder / name, data=folder / name / "data", sources=sources, destinations=destinations))

    def drop(self, number: int, patient: str = "40718823") -> None:
        """Drop a strip's file."""
        profile = self._tables.profiles["tern"]
        play = Play(
            number=number, at=self._start + timedelta(minutes=number), patient_id=patient, word="Rotina", strip_type="plover-12"
        )
        part = self.drops / f"{number}.part"
        part.write_bytes(framed(printed([play], profile, self._tables), profile))
        part.rename(self.drops / f"{number}.txt")

    def sent(self) -> list[int]:
        """Give the numbers of the results whose delivery the receiver accepted, oldest first."""
        store = PostgresStore(Server(url=self.url))
        try:
            rows = reversed(store.results(limit=500))
            return [int(row.number) for row in rows if {state for _, state in row.states} == {"accepted"}]
        finally:
            store.close()

    def wait_sent(self, count: int) -> None:
        """Wait until so many results are accepted."""
        _until(lambda: len(self.sent()) >= count)

    def owner(self, name: str) -> int:
        """Give the process id of who works on ``name``; 0 for nobody."""
        with psycopg.connect(self.url) as db:
            row = db.execute(
                "SELECT p.pid FROM leases l JOIN processes p ON p.owner = l.owner WHERE l.name = %s", (name,)
            ).fetchone()
            return int(row[0]) if row else 0


@pytest.fixture
def site(tmp_path: Path, postgres: PostgresServer) -> Iterator[Site]:
    """Give such a site; what runs is ended behind the test."""
    postgres.sql("CREATE DATABASE processes TEMPLATE template0")
    made = Site(tmp_path, postgres.url("processes"))
    yield made
    for process in made.processes:
        process.end()
    postgres.sql("DROP DATABASE processes WITH (FORCE)")


def _until(claim: Callable[[], bool]) -> None:
    end = time.monotonic() + BOUND_S
    while not claim():
        assert time.monotonic() < end, "it never came true"
        time.sleep(0.02)


def test_what_a_killed_process_worked_on_goes_on_in_the_other(site: Site) -> None:
    """Kill -9 of whichever has the folder, again and again: each file is kept, judged and sent once, in the order of its numbers."""
    one, two = site.processes
    for process in (one, two):
        process.start()
        process.wait_ready()
    _until(lambda: site.owner("source:drops") != 0)
    number = 0
    for _ in range(3):
        for _ in range(3):
            number += 1
            site.drop(number)
        site.wait_sent(number - 2)
        (victim,) = [each for each in (one, two) if each.pid == site.owner("source:drops")]
        victim.kill()
        number += 1
        site.drop(number)
        site.wait_sent(number)
        victim.start()
        victim.wait_ready()
    assert site.sent() == list(range(1, number + 1))
    assert len(list(site.shelf.iterdir())) == number
    for process in (one, two):
        process.stop()


def test_one_of_two_processes_tells_of_a_signal_and_the_other_goes_on(tmp_path: Path, postgres: PostgresServer) -> None:
    """Both see that a web hook has no key: one mail. The one that sent it is killed; the other says no more until it is over."""
    keys = tmp_path / "keys"
    postgres.sql("CREATE DATABASE signals TEMPLATE template0")
    with mail_server(Mailbox()) as mailbox:
        mail = f"{{kind: mail, name: desk, host: 127.0.0.1, port: {mailbox.port}, security: none, sender: p@x.example, to: [a@x.example]}}"
        hook = f"{{kind: hook, name: pager, url: 'https://pager.example/', signing: {{keys: {keys}}}, kinds: [stat]}}"
        site = Site(tmp_path, postgres.url("signals"), f"signals: {{settle_s: 0, ease_minutes: 0, ways: [{mail}, {hook}]}}\n")
        try:
            for process in site.processes:
                process.start()
                process.wait_ready()
            _until(lambda: len(mailbox.taken) == 1)
            first = site.owner("signals:store")
            (owner,) = (process for process in site.processes if process.pid == first)
            owner.kill()
            _until(lambda: site.owner("signals:store") not in {0, first})
            make_key(keys, "ES256", starts=clock.now() - timedelta(days=1), ends=clock.now() + timedelta(days=365), name="k")
            _until(lambda: len(mailbox.taken) > 1)
            headline = "A certificate, key or secret needs a look"
            assert [str(each["subject"]) for each in mailbox.taken] == [
                f"Fault Clinic: {headline}",
                f"Fault Clinic: Over: {headline}",
            ]
        finally:
            for process in site.processes:
                process.end()
            postgres.sql("DROP DATABASE signals WITH (FORCE)")
