"""What errors of the server mean, and what the one who asked is told of them."""

from __future__ import annotations

import psycopg
import pytest
from psycopg import errors

from bridge.errors import Overtaken, RefusedAction, StoreAway
from bridge.store.postgres.connection import Server
from bridge.store.postgres.engine import PostgresEngine, name_of, verdict_of
from bridge.store.writer import Verdict


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
        engine.begin()
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
