"""The adapter: SQL with question marks, values that PostgreSQL takes otherwise, and sessions with their settings."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import timedelta

import psycopg
import pytest
from hypothesis import given
from hypothesis import strategies as st
from psycopg.conninfo import conninfo_to_dict, make_conninfo

from bridge import clock
from bridge.model import DeliveryState
from bridge.store.postgres.connection import READING, WRITING, PostgresDb, Server, numbered, translated
from tests.store.strips import NOW

STOP = (
    "INSERT INTO stops (opened_at, rule, grp, state, rules, sentence, remedy, releasable, repeats, source, analyzer, receiver_words, closed_by,"
    " closed_how, closed_reason) VALUES (?,?,'','','','','',0,0,'','','','','','')"
)


@pytest.fixture
def db(at: Server) -> Iterator[PostgresDb]:
    opened = at.connect(WRITING)
    yield opened
    opened.close()


@pytest.mark.parametrize(
    ("sql", "sent"),
    [
        ("SELECT a FROM t WHERE b = ? AND c IN (?, '')", b"SELECT a FROM t WHERE b = %s AND c IN (%s, '')"),
        ("SELECT '?', 'it''s ?', ?", b"SELECT '?', 'it''s ?', %s"),
        ("SELECT 7 % 4, '%', ?", b"SELECT 7 %% 4, '%%', %s"),
        ("SELECT a FROM strips INDEXED BY strips_arrived WHERE b >= ?", b"SELECT a FROM strips WHERE b >= %s"),
        ("SELECT ' INDEXED BY x', ?", b"SELECT ' INDEXED BY x', %s"),
    ],
)
def test_question_marks_outside_quotes_are_places_for_values(sql: str, sent: bytes) -> None:
    """A hint to SQLite's planner is none to PostgreSQL's, which goes by its statistics."""
    assert translated(sql, has_values=True) == sent


def test_what_is_sent_together_names_its_values_by_number() -> None:
    """As the server itself takes them (PostgreSQL documentation, PREPARE); a per cent sign is none of its business."""
    assert numbered("SELECT '?', 7 % 4, ? FROM t INDEXED BY x WHERE a = ?") == b"SELECT '?', 7 % 4, $1 FROM t WHERE a = $2"


def test_without_values_the_driver_changes_nothing() -> None:
    """Then it takes a per cent sign as it is."""
    assert translated("SELECT 7 % 4, '%?'", has_values=False) == b"SELECT 7 % 4, '%?'"


@given(st.lists(st.text(alphabet="?%'a ", max_size=8), min_size=1, max_size=4))
def test_what_is_quoted_arrives_as_it_was(texts: list[str]) -> None:
    """Whatever stands in quotes: PEP 249's pyformat gives it back by one ``%``, and nothing in it is taken for a value."""
    quoted = ", ".join("'" + text.replace("'", "''") + "'" for text in texts)
    assert translated(f"SELECT {quoted}, ?", has_values=True) % (b"1",) == f"SELECT {quoted}, 1".encode()


@pytest.mark.parametrize("ahead", [False, True])
def test_values_come_back_as_they_went(db: PostgresDb, ahead: bool) -> None:
    """Whole numbers of 64 bits, bytes, text beyond the first plane, words of an enumeration, nothing; by both ways to send."""
    db.begin(ahead=ahead)
    for value in (0, -1, 2**62, 3_000_000_000, "Ω 𝛼 'x' %", bytes(range(256)), None):
        kind = {int: "BIGINT", str: "TEXT", bytes: "BYTEA"}.get(type(value), "TEXT")
        assert db.execute(f"SELECT CAST(? AS {kind})", (value,)).fetchone() == (value,)
    assert db.execute("SELECT CAST(? AS TEXT)", (DeliveryState.QUEUED,)).fetchone() == ("queued",)


def test_a_nul_in_a_text_becomes_its_picture(db: PostgresDb) -> None:
    """PostgreSQL documentation, "Character Types": the character with code zero cannot be stored. An analyzer may print one all the same."""
    assert db.execute("SELECT CAST(? AS TEXT)", ("OP\0 7",)).fetchone() == ("OP␀ 7",)
    assert db.execute("SELECT CAST(? AS BYTEA)", (b"OP\0 7",)).fetchone() == (b"OP\0 7",)


def test_a_transaction_is_open_from_begin_to_commit(db: PostgresDb) -> None:
    """Also after a statement in it failed: only ROLLBACK ends it then."""
    seen = [db.in_transaction]
    db.execute("BEGIN")
    seen.append(db.in_transaction)
    with pytest.raises(psycopg.errors.DivisionByZero):
        db.execute("SELECT 1 / 0")
    seen.append(db.in_transaction)
    db.execute("ROLLBACK")
    assert [*seen, db.in_transaction] == [False, True, True, False]


def test_a_new_row_gives_its_id_and_a_savepoint_undoes_it(db: PostgresDb) -> None:
    """As on SQLite; an id that was undone is not given again."""
    db.execute("BEGIN")
    assert int(db.insert(STOP, ("x", "a"))) == 1
    db.execute("SAVEPOINT one")
    assert int(db.insert(STOP, ("y", "b"))) == 2
    db.execute("ROLLBACK TO one")
    db.execute("RELEASE one")
    db.execute("COMMIT")
    assert int(db.insert(STOP, ("z", "c"))) == 3
    assert db.execute("SELECT id, opened_at FROM stops ORDER BY id").fetchall() == [(1, "x"), (3, "z")]


def test_what_is_held_is_held_to_the_end_of_the_transaction(at: Server, db: PostgresDb) -> None:
    """Another session cannot have it meanwhile, and can at once afterwards."""
    other = at.connect("SET lock_timeout = '50ms'")
    db.execute("BEGIN")
    db.hold("lanes")
    db.hold("lanes")
    other.execute("BEGIN")
    with pytest.raises(psycopg.errors.LockNotAvailable):
        other.hold("lanes")
    other.execute("ROLLBACK")
    other.execute("BEGIN")
    other.hold("another name")
    other.execute("ROLLBACK")
    db.execute("COMMIT")
    other.execute("BEGIN")
    other.hold("lanes")
    other.close()


def test_rows_read_for_update_are_nobody_elses_meanwhile(at: Server, db: PostgresDb) -> None:
    """Two persons on two processes who close one stop: the second waits for the first."""
    other = at.connect("SET lock_timeout = '50ms'")
    db.execute("INSERT INTO meta (name, value) VALUES ('a', '1'), ('b', '1')")
    db.execute("BEGIN")
    assert db.execute(f"SELECT value FROM meta WHERE name = 'a'{db.for_update}").fetchone() == ("1",)
    with pytest.raises(psycopg.errors.LockNotAvailable):
        other.execute("UPDATE meta SET value = '2' WHERE name = 'a'")
    other.execute("UPDATE meta SET value = '2' WHERE name = 'b'")
    db.execute("COMMIT")
    other.execute("UPDATE meta SET value = '2' WHERE name = 'a'")
    other.close()


def test_the_time_is_the_servers_and_goes_on_inside_a_transaction(db: PostgresDb) -> None:
    """Leases of several hosts are measured by one clock; what this host believes is not asked."""
    db.execute("BEGIN")
    first, second = db.time(NOW), db.time(NOW)
    db.execute("COMMIT")
    assert first.utcoffset() == timedelta(0)
    assert first < second
    assert abs(first - clock.now()) < timedelta(minutes=1)  # the test's server runs on this machine


def test_a_writing_session_frees_what_it_holds_when_its_process_freezes(db: PostgresDb) -> None:
    """The server ends it (PostgreSQL documentation, idle_in_transaction_session_timeout); no limit cuts a statement or a commit."""
    shown = {
        name: db.execute(f"SHOW {name}").fetchone()[0] for name in ("idle_in_transaction_session_timeout", "statement_timeout")
    }
    assert shown == {"idle_in_transaction_session_timeout": "2s", "statement_timeout": "0"}
    assert db.execute("SHOW transaction_isolation").fetchone() == ("read committed",)


def test_a_limit_that_the_server_sets_for_the_role_cuts_no_commit(at: Server) -> None:
    """A commit that waits for a standby would be told as done although no standby has it (PostgreSQL documentation, "Synchronous Replication")."""
    limited = Server(url=make_conninfo(at.url, options="-c statement_timeout=5s"))
    for session, limit in (("", "5s"), (WRITING, "0")):
        db = limited.connect(session)
        assert db.execute("SHOW statement_timeout").fetchone() == (limit,)
        db.close()


def test_a_reading_session_writes_nothing_and_sees_one_moment(at: Server, db: PostgresDb) -> None:
    """The server itself refuses; within BEGIN all queries see the same."""
    reading = at.connect(READING)
    with pytest.raises(psycopg.errors.ReadOnlySqlTransaction):
        reading.execute("DELETE FROM meta")
    reading.execute("BEGIN")
    assert reading.execute("SELECT count(*) FROM meta").fetchone() == (0,)
    db.execute("INSERT INTO meta (name, value) VALUES ('a', '1')")
    assert reading.execute("SELECT count(*) FROM meta").fetchone() == (0,)
    reading.execute("COMMIT")
    assert reading.execute("SELECT count(*) FROM meta").fetchone() == (1,)
    reading.close()


# --- where the server is


def test_a_url_may_say_otherwise_and_the_rest_is_ours() -> None:
    """What the site's URL gives stands; a password comes from elsewhere and is never shown."""
    server = Server(url="postgresql://pad@db1,db2:5433/results?connect_timeout=9&sslmode=require", password="p'w \\ x")
    given = conninfo_to_dict(server.conninfo())
    assert given == {
        "user": "pad", "host": "db1,db2", "port": ",5433", "dbname": "results", "connect_timeout": "9", "sslmode": "require",
        "password": "p'w \\ x", "client_encoding": "UTF8", "tcp_user_timeout": "5000", "keepalives_idle": "2", "keepalives_interval": "1",
        "keepalives_count": "3", "target_session_attrs": "read-write", "application_name": "padpost",
    }  # fmt: skip
    assert server.shown() == "db1:5432,db2:5433/results"
    assert Server(url="postgresql://db1,db2/results").shown() == "db1:5432,db2:5432/results"
    assert "p'w" not in repr(server)


def test_without_a_password_none_is_sent() -> None:
    """Then a certificate, a password file or the operating system answers for the role."""
    assert "password" not in conninfo_to_dict(Server(url="postgresql://db/results").conninfo())


def test_a_url_that_is_none_is_told() -> None:
    """By libpq's own parser."""
    with pytest.raises(psycopg.ProgrammingError):
        Server(url="postgresql://db/x?no_such_word=1").conninfo()
