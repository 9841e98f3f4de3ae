"""What a server must be like; each shown on a real one that is not so, as far as one process can be made so."""

from __future__ import annotations

from collections.abc import Callable

import pytest

from bridge.errors import StoreAway, StoreFailed
from bridge.store.postgres.checks import must_be_fit, unfit
from bridge.store.postgres.connection import WRITING, Server
from bridge.store.postgres.store import PostgresStore
from tests.peers.postgres import PostgresServer


def said(server: Server, session: str = WRITING) -> list[str]:
    """Give what is wrong with a session."""
    db = server.connect(session)
    try:
        return list(unfit(db))
    finally:
        db.close()


def test_a_server_as_it_comes_is_fit(at: Server) -> None:
    """PostgreSQL's own defaults are the right ones."""
    assert said(at) == []


@pytest.mark.parametrize("value", ["on", "remote_write", "remote_apply"])
def test_a_commit_that_waits_for_the_disk_is_fit(at: Server, value: str) -> None:
    """And one that waits for a standby besides."""
    assert said(at, f"SET synchronous_commit = '{value}'") == []


@pytest.mark.parametrize("value", ["off", "local"])
def test_a_commit_that_does_not_wait_is_refused(postgres: PostgresServer, at: Server, value: str) -> None:
    """Set for the role by somebody who wanted speed: the store does not open, and says what to do."""
    postgres.sql(f"ALTER ROLE postgres SET synchronous_commit = '{value}'")
    try:
        with pytest.raises(
            StoreFailed,
            match=rf"cannot be relied on\. The server's setting synchronous_commit is {value}: a commit is told before it is durable\. "
            r"Set synchronous_commit = on for Padpost's role\.$",
        ):
            PostgresStore(at)
    finally:
        postgres.sql("ALTER ROLE postgres RESET synchronous_commit")


@pytest.mark.parametrize(
    ("setting", "loses"),
    [
        ("fsync", "a power cut loses or spoils the database"),
        ("full_page_writes", "a power cut can spoil pages"),
    ],
)
def test_a_server_that_does_not_write_through_is_refused(postgres: PostgresServer, at: Server, setting: str, loses: str) -> None:
    """Both may be changed while it runs (PostgreSQL documentation, "Write Ahead Log"); a session sees them at once after a reload."""
    db = at.connect(WRITING)
    postgres.sql(f"ALTER SYSTEM SET {setting} = off")
    postgres.reload()
    try:
        postgres.until(lambda: db.execute(f"SHOW {setting}").fetchone() == ("off",))
        assert list(unfit(db)) == [f"The server's setting {setting} is off: {loses}. Set {setting} = on and restart the server."]
    finally:
        postgres.sql(f"ALTER SYSTEM RESET {setting}")
        postgres.reload()
        postgres.until(lambda: db.execute(f"SHOW {setting}").fetchone() == ("on",))
        db.close()


def test_a_database_of_another_encoding_is_refused(postgres: PostgresServer, make_database: Callable[..., str]) -> None:
    """A name that it cannot hold would stop a strip."""
    name = make_database("ENCODING 'LATIN1' LOCALE 'C'")
    assert said(Server(url=postgres.url(name))) == [
        "The database's encoding is LATIN1. Create it with ENCODING 'UTF8' TEMPLATE template0."
    ]


def test_a_role_that_may_not_create_tables_is_told_which_grant_it_lacks(
    postgres: PostgresServer, make_database: Callable[..., str]
) -> None:
    """As PostgreSQL 15 and later are of themselves: the schema public takes no tables of everybody."""
    name = make_database()
    postgres.sql("REVOKE CREATE ON SCHEMA public FROM public", name)
    postgres.sql("CREATE ROLE padlock LOGIN")
    try:
        at = Server(url=postgres.url(name, user="padlock"))
        grant = "The role padlock may not create tables in the schema public. GRANT CREATE, USAGE ON SCHEMA public TO padlock."
        assert said(at) == [grant]
        with pytest.raises(StoreFailed, match=grant):
            PostgresStore(at)
        postgres.sql("GRANT CREATE, USAGE ON SCHEMA public TO padlock", name)
        PostgresStore(at)
        postgres.sql("REVOKE ALL ON SCHEMA public FROM public", name)
        postgres.sql("REVOKE ALL ON SCHEMA public FROM padlock", name)
        assert said(at) == [
            "The role padlock has no schema to work in. Give it USAGE and CREATE on the schema public, or one of its own."
        ]
    finally:
        postgres.sql("DROP OWNED BY padlock", name)
        postgres.sql("DROP ROLE padlock")


class Old:
    """Answers like a server that is not at hand here."""

    for_update = ""
    in_transaction = False

    def __init__(self, **answers: str) -> None:
        self.answers = {
            "server_version_num": "180006", "server_version": "18.6", "fsync": "on", "full_page_writes": "on", "synchronous_commit": "on",
            "server_encoding": "UTF8", "in_recovery": "", **answers,
        }  # fmt: skip

    def execute(self, sql: str, values: tuple[str, ...] = ()) -> Old:
        name = values[0] if values else "in_recovery" if "recovery" in sql else ""
        self.row = (self.answers[name],) if name else ("pad", "public") if "current_user" in sql else (True,)
        return self

    def fetchone(self) -> tuple[str, ...]:
        return self.row  # type: ignore[return-value]  # a boolean stands for one


@pytest.mark.parametrize(
    ("answers", "sentence"),
    [
        ({"server_version_num": "130022", "server_version": "13.22"}, "The server is PostgreSQL 13.22. Use version 14 or newer."),
        (
            {"in_recovery": "yes"},
            "The server is a standby, which takes no writes. Name the primary in the URL, or all hosts of the cluster.",
        ),
    ],
)
def test_what_no_server_here_is(answers: dict[str, str], sentence: str) -> None:
    """An old version and a standby, by the answers that such a server gives."""
    assert list(unfit(Old(**answers))) == [sentence]  # type: ignore[arg-type]  # only execute is asked
    with pytest.raises(StoreAway) as told:
        must_be_fit("db:5432/results")(Old(**answers))  # type: ignore[arg-type]  # as above
    assert str(told.value) == f"The database db:5432/results cannot be relied on. {sentence}"
