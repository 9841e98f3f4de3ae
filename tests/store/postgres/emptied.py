"""How a database is emptied between two tests."""

from __future__ import annotations

from bridge.store.schema import metadata

# As the administrator, past the triggers that keep history: far quicker than a new database for each test
EMPTY = "; ".join(
    [
        "SET session_replication_role = replica",
        *(f"DELETE FROM {table.name}" for table in metadata.tables.values()),
        *(f"ALTER SEQUENCE {table.name}_id_seq RESTART" for table in metadata.tables.values() if "id" in table.columns),
    ]
)
