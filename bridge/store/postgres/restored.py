"""A database that the server's own tools put back to an earlier moment: what a restore must do then, in one transaction."""

from __future__ import annotations

from contextlib import closing
from datetime import datetime

import psycopg

from bridge.errors import StoreAway, StoreLocked
from bridge.store.codec import when
from bridge.store.database import commit
from bridge.store.lanes import hold_lanes
from bridge.store.migrate import bring_forward
from bridge.store.postgres.connection import WRITING, Server
from bridge.store.postgres.engine import name_of
from bridge.store.postgres.store import revision
from bridge.store.restore import Restored
from bridge.store.review import newest_moment, review


def open_epoch(server: Server, *, now: datetime) -> Restored:
    """Open a new epoch and put what may have been sent since before a person. The newest event stands for the time of the backup.

    Raises StoreAway where the server cannot be reached, StoreLocked while a process of ours is at work on the database.
    """
    try:
        with closing(server.connect(WRITING)) as db:
            bring_forward(revision(db), server.shown(), server.conninfo)
            db.execute("BEGIN")
            hold_lanes(
                db
            )  # a process that starts just now waits with its first heartbeat, and sends nothing of what is put before a person here
            busy = db.execute("SELECT host, pid FROM processes WHERE seen_until > ?", (when(db.time(now)),)).fetchone()
            if busy is not None:
                db.execute("ROLLBACK")
                raise StoreLocked(
                    f"Process {busy[1]} on {busy[0]} has the database {server.shown()} open. Stop every Padpost on it first."
                )
            taken_at = newest_moment(db) or now
            reviewed = review(db, now=now, taken_at=taken_at)
            commit(db)
    except psycopg.Error as error:
        raise StoreAway(f"The database {server.shown()} cannot be used ({name_of(error)}). Start it, or mend the URL.") from error
    return Restored(taken_at=taken_at, reviewed=reviewed, aside=None)
