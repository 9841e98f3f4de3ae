"""Whether this is the server that the store was on before: after a failover or a restore, what was committed last may be gone.

Identifiers come from a counter in the database. A standby that took over without the last commits, or a database put back from a
backup, would give them again, to other results. So a store that finds itself on another server, on another timeline of it
(PostgreSQL documentation, "Continuous Archiving": each recovery opens one), in another database or in tables that were made
anew from a dump, opens a new epoch.
"""

from __future__ import annotations

from datetime import datetime, timedelta

import structlog

from bridge.model import SERVICE
from bridge.store.apply import new_epoch
from bridge.store.codec import moment_or_none
from bridge.store.database import Db, commit
from bridge.store.lanes import hold_lanes
from bridge.store.review import newest_moment, review
from bridge.store.statements import Change, note

# The cluster's own number, given by initdb, and the timeline: the first eight digits of a log file's name. Then the numbers of the database
# and of a table in it: a dump that is put back, into this database or another, makes its tables anew, and so their numbers (a column of
# pg_class that nothing else changes; PostgreSQL documentation, "System Catalogs")
_HERE = (
    "SELECT (SELECT system_identifier FROM pg_control_system()) || '/' || substr(pg_walfile_name(pg_current_wal_lsn()), 1, 8)"
    " || '/' || (SELECT oid FROM pg_database WHERE datname = current_database()) || '.' || 'meta'::regclass::oid"
)
log = structlog.get_logger()

# A recovery that was to end before the last commit names its end in one of these, which stay set behind it (PostgreSQL documentation,
# "Recovery Target")
_TARGET = (
    "SELECT current_setting('recovery_target') || current_setting('recovery_target_lsn') || current_setting('recovery_target_name')"
    " || current_setting('recovery_target_time') || current_setting('recovery_target_xid')"
)
# ours: who mends a server at night may take hours to let a standby take over, while Padpost was restarted beside it and knows of nothing;
# whoever recovers a database without naming an end mostly has a backup of yesterday
LONGEST_TAKEOVER = timedelta(days=1)
LEAP = 1_000_000  # ours: more identifiers than any process can have in hand, or a standby can be behind


def epoch_here(db: Db, *, quiet_s: float = 0) -> str:
    """Give the store's epoch; a new one where the database is not where it was, with an event ``store.moved``.

    ``quiet_s`` is for how long the server was away from a process that lived through it: so long it could not be at work either.

    Where it was put back rather than taken over (``was_put_back``), what may have been sent since goes to a person too, as
    ``padpost restore --in-place`` would have it.
    """
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
            _leave(db, str(found["epoch"]), Change(before=row[0], after=here), timedelta(seconds=quiet_s))
    (epoch,) = db.execute("SELECT value FROM meta WHERE name = 'epoch'").fetchone()
    commit(db)
    return str(epoch)


def was_put_back(before: str, after: str, *, alive_at: datetime | None, at: datetime, has_target: bool = False) -> bool:
    """Say whether a database that is elsewhere now was put back, and not taken over by a standby; both are places as ``_HERE`` gives them.

    A standby is the same cluster and the same tables on a later timeline, was recovered to no end that a person named (``has_target``), and
    takes over from a database that was at work within a day: ``alive_at`` is the last sign of life in it, ``at`` when it could last have been
    at work. All else is a copy, a dump or a recovery to a point in time. Times are aware, UTC.
    """
    (cluster, _, tables), (its_cluster, _, its_tables) = before.split("/"), after.split("/")
    if (cluster, tables) != (its_cluster, its_tables):
        return True
    return has_target or alive_at is None or at - alive_at > LONGEST_TAKEOVER


def _leave(db: Db, epoch: str, moved: Change, quiet: timedelta) -> None:
    """Open a new epoch, and leave behind every number that may have been given; stop what may have been sent, if the database was put back."""
    now, alive_at = server_time(db), _alive_at(db)
    (target,) = db.execute(_TARGET).fetchone()
    if was_put_back(moved.before, moved.after, alive_at=alive_at, at=now - quiet, has_target=bool(target)):
        hold_lanes(db)
        reviewed = review(db, now=now, taken_at=alive_at or now, known={epoch})
        log.warning("store.put_back", deliveries=reviewed.deliveries, captures=reviewed.captures)
    else:
        db.execute("UPDATE meta SET value = ? WHERE name = 'epoch'", (new_epoch((epoch,)),))
    db.execute("UPDATE meta SET value = CAST(CAST(value AS BIGINT) + ? AS TEXT) WHERE name = 'next_number'", (LEAP,))
    note(db, now, SERVICE, "store.moved", "store:epoch", moved)


def _alive_at(db: Db) -> datetime | None:
    """Give the last sign of life in the database: its newest event, or until when a process counted as alive."""
    (seen_until,) = db.execute("SELECT max(seen_until) FROM processes").fetchone()
    signs = (newest_moment(db), moment_or_none(seen_until))
    return max((at for at in signs if at is not None), default=None)


def server_time(db: Db) -> datetime:
    """Give the server's clock; aware, UTC."""
    now: datetime = db.execute("SELECT clock_timestamp()").fetchone()[0]
    return now
