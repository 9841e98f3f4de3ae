"""How a database is emptied between two tests, and taken over by the next process."""

from __future__ import annotations

from datetime import datetime

from bridge.store.commands import RecoverDeliveries
from bridge.store.postgres.store import PostgresStore
from bridge.store.schema import metadata
from tests.store.strips import WAIT

# As the administrator, past the triggers that keep history: far quicker than a new database for each test
EMPTY = "; ".join(
    [
        "SET session_replication_role = replica",
        *(f"DELETE FROM {table.name}" for table in metadata.tables.values()),
        *(
            f"ALTER SEQUENCE {table.name}_id_seq RESTART"
            for table in metadata.tables.values()
            if "id" in table.columns and table.columns["id"].autoincrement is True
        ),
    ]
)


def taken_over(store: PostgresStore, *, at: datetime) -> PostgresStore:
    """Do what a process does that takes the destinations of one that is gone: what was being sent is due again."""
    for name in ("records", "chart"):
        store.submit(RecoverDeliveries(destination=name, at=at)).result(WAIT)
    return store
