"""Runs the steps in one transaction, on the database that the configuration names."""

from __future__ import annotations

from typing import Any

from alembic import context
from sqlalchemy import Connection, create_engine, event

from bridge.store.schema import metadata

engine = create_engine(context.config.get_main_option("sqlalchemy.url") or "")


@event.listens_for(engine, "connect")
def _take_over(made: Any, _record: Any) -> None:
    """Keep Python's sqlite3 from opening transactions by itself: it opens none before DDL, so a crash would leave half a step."""
    made.isolation_level = None


@event.listens_for(engine, "begin")
def _begin(opened: Connection) -> None:
    opened.exec_driver_sql("BEGIN IMMEDIATE")


with engine.connect() as connection:
    context.configure(connection=connection, target_metadata=metadata, transactional_ddl=True)
    with context.begin_transaction():
        context.run_migrations()
    connection.commit()
engine.dispose()
