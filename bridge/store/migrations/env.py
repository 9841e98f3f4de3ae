"""Runs the steps in one transaction, on the database that the configuration names."""

from __future__ import annotations

from typing import Any

from alembic import context
from sqlalchemy import Connection, Engine, NullPool, create_engine, event

from bridge.store.schema import metadata

BEGIN_STEPS = {
    "sqlite": "BEGIN IMMEDIATE",
    # two processes that start at once: the second waits here, and then finds nothing to do
    "postgresql": "SELECT pg_advisory_xact_lock(hashtextextended('padpost schema', 0))",
}


def _engine(target: str) -> Engine:
    if target.startswith("sqlite:"):
        return create_engine(target)
    import psycopg  # noqa: PLC0415 - SQLite's way does not pay for the driver

    return create_engine("postgresql+psycopg://", creator=lambda: psycopg.connect(target), poolclass=NullPool)


engine = _engine(context.config.attributes["target"])
dialect = engine.dialect.name


@event.listens_for(engine, "connect")
def _take_over(made: Any, _record: Any) -> None:
    """Keep Python's sqlite3 from opening transactions by itself: it opens none before DDL, so a crash would leave half a step."""
    if dialect == "sqlite":
        made.isolation_level = None


@event.listens_for(engine, "begin")
def _begin(opened: Connection) -> None:
    opened.exec_driver_sql(BEGIN_STEPS[dialect])


with engine.connect() as connection:
    context.configure(connection=connection, target_metadata=metadata, transactional_ddl=True)
    with context.begin_transaction():
        context.run_migrations()
    connection.commit()
engine.dispose()
