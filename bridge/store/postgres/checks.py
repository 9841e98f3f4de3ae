"""What a server must be like for a commit to be a promise; each in a sentence with its remedy."""

from __future__ import annotations

from collections.abc import Callable, Iterator

from bridge.errors import StoreAway
from bridge.store.database import Db

# ours: the oldest version that its makers still mended when this was written (PostgreSQL 14, until November 2026)
OLDEST = 140000
# PostgreSQL documentation, section "Write Ahead Log", synchronous_commit: the others answer before the commit is flushed anywhere,
# or (local) before a standby that the site asked for has it
DURABLE = frozenset({"on", "remote_write", "remote_apply"})


def unfit(db: Db) -> Iterator[str]:
    """Give a sentence for each thing that keeps the store from relying on the server behind ``db``; none where all is well."""

    def setting(name: str) -> str:
        return str(db.execute("SELECT current_setting(?)", (name,)).fetchone()[0])

    if int(setting("server_version_num")) < OLDEST:
        yield f"The server is PostgreSQL {setting('server_version')}. Use version {OLDEST // 10000} or newer."
    if db.execute("SELECT pg_is_in_recovery()").fetchone()[0]:
        yield "The server is a standby, which takes no writes. Name the primary in the URL, or all hosts of the cluster."
    for name, loses in (
        ("fsync", "a power cut loses or spoils the database"),
        ("full_page_writes", "a power cut can spoil pages"),
    ):
        if setting(name) != "on":
            yield f"The server's setting {name} is off: {loses}. Set {name} = on and restart the server."
    if setting("synchronous_commit") not in DURABLE:
        yield (
            f"The server's setting synchronous_commit is {setting('synchronous_commit')}: a commit is told before it is durable. "
            "Set synchronous_commit = on for Padpost's role."
        )
    if setting("server_encoding") != "UTF8":
        yield f"The database's encoding is {setting('server_encoding')}. Create it with ENCODING 'UTF8' TEMPLATE template0."
    yield from _rights(db)


def _rights(db: Db) -> Iterator[str]:
    role, schema = db.execute("SELECT current_user, current_schema()").fetchone()
    if schema is None:
        yield f"The role {role} has no schema to work in. Give it USAGE and CREATE on the schema public, or one of its own."
    elif not db.execute("SELECT has_schema_privilege(current_schema(), 'CREATE')").fetchone()[0]:
        yield f"The role {role} may not create tables in the schema {schema}. GRANT CREATE, USAGE ON SCHEMA {schema} TO {role}."


def must_be_fit(where: str) -> Callable[[Db], None]:
    """Give a check that raises StoreAway with the first fault of a session on the database ``where``."""

    def check(db: Db) -> None:
        for sentence in unfit(db):
            raise StoreAway(f"The database {where} cannot be relied on. {sentence}")

    return check
