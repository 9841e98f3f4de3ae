"""What the store's commands cost on a file and on a server in this machine, side by side. By hand, not a test.

    python -m tests.speed.commands            one by one, and a hundred submitted at a time
    python -m tests.speed.commands --rounds 5 --commands 400

Each line is of one kind of store, each figure the median of the rounds, which take turns. "each waits" is the server's store with every
statement's answer waited for before the next is sent: what it would be without psycopg's pipeline mode. The server is the tests' own, with
fsync, on the same disk as the file; between two machines a wait costs more, and the ratio is larger.
"""

from __future__ import annotations

import argparse
import statistics
import tempfile
import time
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from bridge import clock
from bridge.model import Acknowledgement, Answer, Coded, Way
from bridge.store.api import Store
from bridge.store.apply import apply
from bridge.store.commands import BeginAttempt, Command, EndAttempt, KeepCapture, RecordedOutcome, RecordOutcome
from bridge.store.postgres.connection import PostgresDb, Server
from bridge.store.postgres.engine import PostgresEngine
from bridge.store.postgres.store import PostgresStore
from bridge.store.sqlite import SqliteStore
from bridge.store.writer import Writer
from tests.peers.postgres import PostgresServer
from tests.store import strips as s
from tests.store.strips import NOW

GROUP = 100
PATIENTS = 50
WAIT_S = 60.0  # for a commit on a busy machine
FILE, WAITING, SERVER = "SQLite", "PostgreSQL, each waits", "PostgreSQL"


class _EachWaits(PostgresEngine):
    """The server's engine as it is without statements that are sent ahead."""

    def begin(self, *, together: bool) -> None:
        """Begin."""
        super().begin(together=False)


class _Waiting(PostgresStore):
    """The server's store on that engine."""

    def __init__(self, server: Server) -> None:
        super().__init__(server)
        self._writer.close()
        self._engine = _EachWaits(server, _trusted)
        self._writer = Writer(self._engine, apply)


def _trusted(_session: PostgresDb) -> None:
    """Look at nothing: the first writer has."""


class Run:
    """One store, filled by each kind of command in turn; ``rates`` has commands a second by what was done."""

    def __init__(self, store: Store, count: int) -> None:
        self._store = store
        self._count = count
        self._base = 0
        self.rates: dict[str, float] = {}

    def measure(self) -> None:
        """Do it all, one by one and in groups."""
        for words, size in (("one by one", 1), (f"{GROUP} at a time", GROUP)):
            numbers = range(self._base, self._base + self._count)
            self._base += self._count
            kept = self._timed(f"KeepCapture, {words}", [_kept(number) for number in numbers], size)
            pieces = [self._piece(number, capture) for number, capture in zip(numbers, kept, strict=True)]
            recorded: list[RecordedOutcome] = self._timed(f"RecordOutcome, {words}", pieces, size)
            deliveries = [made.delivery_ids[0] for made in recorded]
            begun = self._timed(
                f"BeginAttempt, {words}", [BeginAttempt(delivery_id=number, at=NOW) for number in deliveries], size
            )
            ends = [_ended(delivery, attempt) for delivery, attempt in zip(deliveries, begun, strict=True)]
            self._timed(f"EndAttempt, {words}", ends, size)

    def _piece(self, number: int, capture: int) -> RecordOutcome:
        """Give what judging says of a capture: a coded strip with one message. Intake is numbered as captures are, one each."""
        of = s.reading(f"{number}", analyzer=f"brook-{number % 8}", patient=_patient(number))
        made = s.result(f"R{number}", patient=_patient(number))
        message = s.message(made, f"M{number}", lane=f"{number}")
        return RecordOutcome(
            intake_id=capture,
            capture_id=capture,
            reading=of,
            outcome=Coded(checked=s.checked(of), result=made),
            deliveries=(s.delivery(message),),
            tables_digest="t",
            at=NOW,
            ends_intake=True,
        )

    def _timed(self, what: str, commands: Sequence[Command], size: int) -> list[Any]:
        answers: list[Any] = []
        began = time.monotonic()
        for start in range(0, len(commands), size):
            futures = [self._store.submit(command) for command in commands[start : start + size]]
            answers.extend(future.result(WAIT_S) for future in futures)
        self.rates[what] = len(commands) / (time.monotonic() - began)
        return answers


def _patient(number: int) -> str:
    return f"{40_000_000 + number % PATIENTS}"


def _kept(number: int) -> KeepCapture:
    return KeepCapture(
        capture=s.capture(f"strip {number} ".encode() * 20, way=Way.TCP), analyzer=f"brook-{number % 8}", profile="brook"
    )


def _ended(delivery: int, attempt: int) -> EndAttempt:
    answer = Acknowledgement(answer=Answer.ACCEPTED, code="AA", text="")
    return EndAttempt(delivery_id=delivery, attempt=attempt, at=NOW, acknowledgement=answer)


@contextmanager
def _stores(server: PostgresServer, turn: int) -> Iterator[Mapping[str, Store]]:
    """Give a new store of each kind."""
    names = {kind: f"{kind}_{turn}" for kind in ("ahead", "waiting")}
    for name in names.values():
        server.sql(f"CREATE DATABASE {name} TEMPLATE template0")
    with tempfile.TemporaryDirectory(prefix="padpost-speed-", dir=server.folder.parent) as folder:
        stores: dict[str, Store] = {
            FILE: SqliteStore(Path(folder) / "store", now=clock.now),
            WAITING: _Waiting(Server(url=server.url(names["waiting"]))),
            SERVER: PostgresStore(Server(url=server.url(names["ahead"]))),
        }
        try:
            yield stores
        finally:
            for store in stores.values():
                store.close()


def table(rates: Mapping[str, Sequence[Mapping[str, float]]]) -> Iterator[str]:
    """Give the lines of the table: the medians, and what sending ahead and the file are worth."""
    yield f"{'commands a second':32}{FILE:>10}{WAITING:>26}{SERVER:>14}{'ahead/waits':>14}{'of SQLite':>12}"
    for what in rates[FILE][0]:
        file, waiting, ahead = (statistics.median(run[what] for run in rates[kind]) for kind in (FILE, WAITING, SERVER))
        yield f"{what:32}{file:10,.0f}{waiting:26,.0f}{ahead:14,.0f}{ahead / waiting:14.2f}{ahead / file:12.2f}"


def _measured(rounds: int, count: int, note: Callable[[str], None]) -> None:
    server = PostgresServer()
    rates: dict[str, list[Mapping[str, float]]] = {kind: [] for kind in (FILE, WAITING, SERVER)}
    try:
        for turn in range(rounds):
            with _stores(server, turn) as stores:
                for kind, store in stores.items():
                    run = Run(store, count)
                    run.measure()
                    rates[kind].append(run.rates)
    finally:
        server.close()
    for line in table(rates):
        note(line)


def main() -> None:
    """Measure and print."""
    parser = argparse.ArgumentParser(prog="python -m tests.speed.commands")
    parser.add_argument("--rounds", type=int, default=3, help="the median of so many is told")
    parser.add_argument("--commands", type=int, default=400, help="of each kind, each way")
    given = parser.parse_args()
    _measured(given.rounds, given.commands, print)


if __name__ == "__main__":
    main()
