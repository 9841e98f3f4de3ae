"""Whether this is the server that the store was on before: after a failover or a restore, what was committed last may be gone.

Identifiers come from a counter in the database. A standby that took over without the last commits, or a database put back from a
backup, would give them again, to other results. So a store that finds itself on another server, on another timeline of it
(PostgreSQL documentation, "Continuous Archiving": each recovery opens one), in another database or in tables that were made
anew from a dump, opens a new epoch.
"""

from __future__ import annotations

from datetime import datetime

from bridge.model import SERVICE
from bridge.store.apply import new_epoch
from bridge.store.database import Db
from bridge.store.statements import Change, note

# The cluster's own number, given by initdb, and the timeline: the first eight digits of a log file's name. Then the numbers of the database
# and of a table in it: a dump that is put back, into this database or another, makes its tables anew, and so their numbers (a column of
# pg_class that nothing else changes; PostgreSQL documentation, "System Catalogs")
_HERE = (
    "SELECT (SELECT system_identifier FROM pg_control_system()) || '/' || substr(pg_walfile_name(pg_current_wal_lsn()), 1, 8)"
    " || '/' || (SELECT oid FROM pg_database WHERE datname = current_database()) || '.' || 'meta'::regclass::oid"
)
LEAP = 1_000_000  # ours: more identifiers than any process can have in hand, or a standby can be behind


def epoch_here(db: Db) -> str:
    """Give the store's epoch; a new one where the database is not where it was, with an event ``store.moved``."""
    (here,) = db.execute(_HERE).fetchone()
    found = dict(db.execute("SELECT name, value FROM meta WHERE name IN ('epoch', 'server')").fetchall())
    if found.get("server") == here:
        return str(found["epoch"])
    db.execute("BEGIN")
    db.hold("lineage")
    row = db.execute("SELECT value FROM meta WHERE name = 'server'").fetchone()
    if row is None or row[0] != here:
        db.execute(
            "INSERT INTO meta (name, value) VALUES ('server', ?) ON CONFLICT (name) DO UPDATE SET value = excluded.value", (here,)
        )
        if row is not None:
            _leave(db, str(found["epoch"]), before=row[0], after=here)
    (epoch,) = db.execute("SELECT value FROM meta WHERE name = 'epoch'").fetchone()
    db.execute("COMMIT")
    return str(epoch)


def _leave(db: Db, epoch: str, *, before: str, after: str) -> None:
    """Open a new epoch, and leave behind every number that may have been given."""
    db.execute("UPDATE meta SET value = ? WHERE name = 'epoch'", (new_epoch((epoch,)),))
    db.execute("UPDATE meta SET value = CAST(CAST(value AS BIGINT) + ? AS TEXT) WHERE name = 'next_number'", (LEAP,))
    note(db, server_time(db), SERVICE, "store.moved", "store:epoch", Change(before=before, after=after))


def server_time(db: Db) -> datetime:
    """Give the server's clock; aware, UTC."""
    now: datetime = db.execute("SELECT clock_timestamp()").fetchone()[0]
    return now
