"""Runs the steps in one transaction, on the database that the configuration names."""

from __future__ import annotations

from alembic import context
from sqlalchemy import create_engine

from bridge.store.schema import metadata

engine = create_engine(context.config.get_main_option("sqlalchemy.url") or "")
with engine.connect() as connection:
    context.configure(connection=connection, target_metadata=metadata, transactional_ddl=True)
    with context.begin_transaction():
        context.run_migrations()
    connection.commit()
engine.dispose()
