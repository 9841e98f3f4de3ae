"""What errors of the server mean, and what the one who asked is told of them."""

from __future__ import annotations

import itertools
import threading
from collections.abc import Callable, Iterator
from concurrent.futures import Future
from dataclasses import dataclass, field
from typing import Any

import psycopg
import pytest
from psycopg import errors

from bridge.errors import Overtaken, RefusedAction, StoreAway
from bridge.store.apply import apply, begin_store
from bridge.store.commands import Command, KeepCapture, ReserveNumbers
from bridge.store.database import Db
from bridge.store.postgres.connection import Server
from bridge.store.postgres.engine import CrowdedError, PostgresEngine, name_of, verdict_of
from bridge.store.postgres.store import PostgresStore
from bridge.store.writer import MOST_TURNS, Verdict, Writer
from tests.peers.postgres import PostgresServer
from tests.store import strips as s
from tests.store.strips import NOW, WAIT


@pytest.mark.parametrize(
    ("error", "verdict", "name"),
    [
        (errors.UniqueViolation(), Verdict.MET, "UniqueViolation"),
        (errors.ForeignKeyViolation(), Verdict.ONE, "ForeignKeyViolation"),
        (errors.NumericValueOutOfRange(), Verdict.ONE, "NumericValueOutOfRange"),
        (errors.UndefinedTable(), Verdict.ONE, "UndefinedTable"),
        (errors.SerializationFailure(), Verdict.AGAIN, "SerializationFailure"),
        (errors.DeadlockDetected(), Verdict.AGAIN, "DeadlockDetected"),
        (errors.LockNotAvailable(), Verdict.AGAIN, "LockNotAvailable"),
        (errors.QueryCanceled(), Verdict.AGAIN, "QueryCanceled"),
        (errors.DiskFull(), Verdict.FULL, "DiskFull"),
        (errors.DataCorrupted(), Verdict.BROKEN, "DataCorrupted"),
        (errors.IndexCorrupted(), Verdict.BROKEN, "IndexCorrupted"),
        (errors.ProgramLimitExceeded(), Verdict.ONE, "ProgramLimitExceeded"),
        (errors.StatementTooComplex(), Verdict.ONE, "StatementTooComplex"),
        (errors.TooManyColumns(), Verdict.ONE, "TooManyColumns"),
        (CrowdedError("ProgramLimitExceeded"), Verdict.AGAIN, "ProgramLimitExceeded"),
        (errors.InsufficientPrivilege(), Verdict.AWAY, "InsufficientPrivilege"),
        (errors.ConfigFileError(), Verdict.AWAY, "ConfigFileError"),
        (errors.TransactionRollback(), Verdict.AGAIN, "TransactionRollback"),
        (errors.RaiseException(), Verdict.ONE, "RaiseException"),
        (errors.InternalError_(), Verdict.ONE, "InternalError_"),
        (errors.AdminShutdown(), Verdict.AWAY, "AdminShutdown"),
        (errors.CrashShutdown(), Verdict.AWAY, "CrashShutdown"),
        (errors.CannotConnectNow(), Verdict.AWAY, "CannotConnectNow"),
        (errors.TooManyConnections(), Verdict.AWAY, "TooManyConnections"),
        (errors.ReadOnlySqlTransaction(), Verdict.AWAY, "ReadOnlySqlTransaction"),
        (errors.IdleInTransactionSessionTimeout(), Verdict.AWAY, "IdleInTransactionSessionTimeout"),
        (errors.IoError(), Verdict.AWAY, "IoError"),
        (errors.InvalidPassword(), Verdict.AWAY, "InvalidPassword"),
        (psycopg.OperationalError("the connection is lost\nmore"), Verdict.AWAY, "the connection is lost"),
        (psycopg.InterfaceError("the connection is closed"), Verdict.AWAY, "the connection is closed"),
        (psycopg.ProgrammingError("the query has 1 placeholder but 2 parameters were passed"), Verdict.ONE, None),
        (psycopg.DataError(""), Verdict.ONE, "DataError"),
        (StoreAway("not this server"), Verdict.AWAY, "not this server"),
        (MemoryError(), Verdict.AWAY, "MemoryError"),
        (ValueError("a defect"), Verdict.ONE, "a defect"),
        (RefusedAction("no"), Verdict.ONE, "no"),
    ],
)
def test_an_error_is_of_one_command_of_the_group_or_of_the_server(error: Exception, verdict: Verdict, name: str | None) -> None:
    """PostgreSQL documentation, Appendix A: by the code, never by the words."""
    assert verdict_of(error) is verdict
    if name is not None:
        assert name_of(error) == name


def test_what_is_told_holds_nothing_of_a_row(at: Server) -> None:
    """The server quotes the row that it refuses; such words may end in a log, and a patient's number with them."""
    engine = PostgresEngine(at, lambda _: None)
    db = engine.open()
    db.execute("INSERT INTO meta (name, value) VALUES ('40718823', 'x')")
    with pytest.raises(errors.NotNullViolation, match="40718824") as refused:
        db.execute("INSERT INTO meta (name) VALUES ('40718824')")
    told = engine.told(refused.value)
    assert (type(told), str(told)) == (errors.NotNullViolation, "NotNullViolation")
    with pytest.raises(errors.UniqueViolation, match="40718823") as met:
        db.execute("INSERT INTO meta (name, value) VALUES ('40718823', 'y')")
    told = engine.told(met.value)
    assert (type(told), str(told)) == (Overtaken, "The same was recorded already (meta_pkey). Look again.")
    assert engine.told(fault := ValueError("a defect")) is fault
    engine.close()


def test_news_is_told_with_the_commit_and_not_without(at: Server) -> None:
    """A listener hears each name once a transaction, in the order of the commits; what was rolled back is not told."""
    engine, ear = PostgresEngine(at, lambda _: None), at.connect("")
    ear.hear()
    db = engine.open()
    for names, end in (
        (("analyzer:a", "destination:x", "analyzer:a"), engine.commit),
        (("analyzer:b",), engine.undo),
        (("analyzer:c",), engine.commit),
    ):
        engine.begin(together=True)
        for name in names:
            db.tell(name)
        end()
    heard = [(notice.payload, notice.pid) for notice in ear.connection.notifies(timeout=5, stop_after=3)]
    assert heard == [(name, engine.backend) for name in ("analyzer:a", "destination:x", "analyzer:c")]
    engine.close()
    ear.close()


def test_a_session_that_may_not_be_written_through_is_not_used(at: Server) -> None:
    """The check stands between connecting and the first command, at every connecting."""

    def check(_db: object) -> None:
        raise StoreAway("not this one")

    with pytest.raises(StoreAway, match="not this one"):
        PostgresEngine(at, check).open()


# --- two processes


class Both:
    """Two writers on one database, as two processes have them."""

    def __init__(self, at: Server) -> None:
        db = at.connect("")
        begin_store(db)
        db.close()
        self.writers = [Writer(PostgresEngine(at, lambda _: None), apply) for _ in range(2)]

    def close(self) -> None:
        for writer in self.writers:
            writer.close()


@pytest.fixture
def both(at: Server) -> Iterator[Both]:
    made = Both(at)
    yield made
    made.close()


def test_one_file_kept_by_two_processes_at_once_is_one_capture(both: Both, postgres: PostgresServer, database: str) -> None:
    """The constraint lets one in; the other looks again and is given that one's number. Two hundred files, both ways round."""
    for start in range(0, 200, 20):
        pairs = []
        for number in range(start, start + 20):
            command = KeepCapture(capture=s.capture(b"x"), analyzer="brook-1", profile="brook", origin=f"file {number}")
            first, second = both.writers if number % 2 else reversed(both.writers)
            pairs.append((first.submit(command), second.submit(command)))
        for one, other in pairs:
            assert one.result(WAIT) == other.result(WAIT)
    assert postgres.sql("SELECT count(*), count(DISTINCT origin) FROM captures", database) == [(200, 200)]


def test_identifiers_of_two_processes_never_meet(both: Both) -> None:
    """Blocks are taken by one statement each, which waits for the other's commit."""
    futures = [writer.submit(ReserveNumbers(count=3)) for _ in range(100) for writer in both.writers]
    numbers = sorted(future.result(WAIT) for future in futures)
    assert all(following - earlier == 3 for earlier, following in itertools.pairwise(numbers))


@dataclass(frozen=True)
class Put:
    """Write a name; nobody asks what came of it. A fault is raised instead, whenever the command is done."""

    name: str
    faults: list[Exception] = field(default_factory=list)


def put(db: Db, command: Any) -> str:
    """Do a Put."""
    if command.faults:
        raise command.faults.pop(0)
    db.execute("INSERT INTO meta (name, value) VALUES (?, '')", (command.name,))
    name: str = command.name
    return name


@pytest.fixture
def writer(at: Server) -> Iterator[Writer]:
    made = Writer(PostgresEngine(at, lambda _: None), put)
    yield made
    made.close()


def submitted(writer: Writer, *commands: Put) -> list[Future[Any]]:
    """Submit commands that nearly always make one group."""
    return [writer.submit(command) for command in commands]  # type: ignore[arg-type]  # no command of ours: the writer takes any


def test_an_error_that_only_the_commit_tells_of_is_of_one_command_alone(writer: Writer) -> None:
    """No statement of the group is asked about, so that all go with the commit; the one that is refused is told, the rest is kept."""
    first, *answers = submitted(writer, Put(name="a"), *(Put(name=name) for name in "bacad"))
    assert first.result(WAIT) == "a"
    assert [answers[place].result(WAIT) for place in (0, 2, 4)] == ["b", "c", "d"]
    for place in (1, 3):
        with pytest.raises(Overtaken, match=r"^The same was recorded already \(meta_pkey\)\. Look again\.$"):
            answers[place].result(WAIT)
    assert (writer.fault, writer.away) == ("", "")
    assert submitted(writer, Put(name="e"))[0].result(WAIT) == "e"


def test_a_refusal_in_the_last_turn_is_told_too(writer: Writer) -> None:
    """A group that met others four times and is then refused: nobody waits for ever."""
    met = [errors.SerializationFailure() for _ in range(MOST_TURNS - 1)]
    refused = submitted(writer, Put(name="a", faults=[*met, ValueError("no"), ValueError("no")]))[0]
    with pytest.raises(ValueError, match="no"):
        refused.result(WAIT)
    given_up = submitted(writer, Put(name="b", faults=[*met, errors.SerializationFailure()]))[0]
    with pytest.raises(
        StoreAway, match=r"^Other processes were in the way 5 times; nothing was written \(SerializationFailure\)\.$"
    ):
        given_up.result(WAIT)


@dataclass(frozen=True)
class Cross:
    """Hold two names, in this order."""

    names: tuple[str, str]


def test_two_processes_that_wait_for_each_other_both_get_through(at: Server) -> None:
    """A deadlock (PostgreSQL documentation, "Deadlocks"): the server undoes one group, which is done again without a word."""
    inside, turns = threading.Barrier(2), []

    def cross(db: Db, command: Any) -> tuple[str, str]:
        first, second = command.names
        db.hold(first)
        db.time(NOW)  # with its answer the name is held
        turns.append(command.names)
        if turns.count(command.names) == 1:
            inside.wait(WAIT)
        db.hold(second)
        return first, second

    writers = [Writer(PostgresEngine(at, lambda _: None), cross) for _ in range(2)]
    orders = [("a", "b"), ("b", "a")]
    futures = [writer.submit(Cross(names=names)) for writer, names in zip(writers, orders, strict=True)]  # type: ignore[arg-type]  # no command of ours: the writer takes any
    assert [future.result(WAIT) for future in futures] == orders
    assert len(turns) == 3
    assert [(writer.fault, writer.away) for writer in writers] == [("", "")] * 2
    for writer in writers:
        writer.close()


def test_a_process_that_freezes_inside_a_transaction_lets_go(at: Server) -> None:
    """Its session is ended by the server after four seconds; the other goes on, and its own group is done again when it thaws."""
    frozen, thaw, turns = threading.Event(), threading.Event(), []

    def freeze(db: Db, _command: Command) -> str:
        db.hold("lanes")
        db.time(NOW)
        turns.append(1)
        if len(turns) == 1:
            frozen.set()
            assert thaw.wait(WAIT)
        return f"turn {len(turns)}"

    slow, quick = (Writer(PostgresEngine(at, lambda _: None), freeze) for _ in range(2))
    late = slow.submit(ReserveNumbers(count=1))
    assert frozen.wait(WAIT)
    assert quick.submit(ReserveNumbers(count=1)).result(WAIT) == "turn 2"
    thaw.set()
    assert late.result(WAIT) == "turn 3"
    slow.close()
    quick.close()


_LIMIT = """
CREATE FUNCTION too_much() RETURNS trigger LANGUAGE plpgsql AS $$
BEGIN RAISE EXCEPTION 'too many notifications in the NOTIFY queue' USING ERRCODE = '54000'; END $$;
CREATE CONSTRAINT TRIGGER limited AFTER UPDATE ON meta DEFERRABLE INITIALLY DEFERRED FOR EACH ROW EXECUTE FUNCTION too_much();
"""


def test_a_commit_that_meets_a_limit_of_the_server_is_told_and_the_next_goes_on(
    postgres: PostgresServer, make_database: Callable[..., str]
) -> None:
    """A full queue of notifications fails the commit and not a statement (class 54); it is no reason to stop for good."""
    name = make_database()
    at = Server(url=postgres.url(name))
    store = PostgresStore(at)
    first = store.submit(ReserveNumbers(count=1)).result(WAIT)
    postgres.sql(_LIMIT, name)
    said = store.submit(ReserveNumbers(count=1)).exception(WAIT)
    assert isinstance(said, StoreAway)
    assert "nothing was written (ProgramLimitExceeded)" in str(said)
    postgres.sql("DROP TRIGGER limited ON meta", name)
    assert store.submit(ReserveNumbers(count=1)).result(WAIT) == first + 1
    assert (store.fault, store.away) == ("", "")
    store.close()
