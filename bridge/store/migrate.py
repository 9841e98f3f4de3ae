"""Brings a store's schema forward. Alembic is imported only when a step is due: it costs a quarter of a second."""

from __future__ import annotations

import sqlite3
from collections.abc import Callable
from pathlib import Path

from bridge.errors import StoreFailed

MIGRATIONS = Path(__file__).parent / "migrations"
NEWEST = "0161"  # the newest revision under migrations/versions; a test compares


def revision(file: Path) -> str:
    """Give the schema revision of ``file``, "" for none yet."""
    if not file.exists():
        return ""
    connection = sqlite3.connect(file)
    try:
        has = connection.execute("SELECT 1 FROM sqlite_master WHERE name = 'alembic_version'").fetchone()
        row = connection.execute("SELECT version_num FROM alembic_version").fetchone() if has else None
        return str(row[0]) if row else ""
    finally:
        connection.close()


def migrate(file: Path) -> None:
    """Bring ``file`` to the newest schema. Raises StoreFailed if a newer Padpost wrote it."""
    bring_forward(revision(file), str(file), lambda: f"sqlite:///{file}")


def is_known(found: str) -> bool:
    """Say whether this Padpost has a step to a revision, or it is "", none yet. Numbers name steps; they need not rise along the line."""
    return found in {"", *(file.name[1:5] for file in (MIGRATIONS / "versions").glob("m[0-9]*.py"))}


def bring_forward(found: str, where: str, target: Callable[[], str]) -> None:
    """Bring the store ``where``, of revision ``found``, to the newest schema. Raises StoreFailed if a newer Padpost wrote it.

    ``target`` gives SQLAlchemy's URL of a file, or libpq's connection string of a database. What the database says against it (no room, no
    right, gone) is raised as its own driver says it, sqlite3.Error or psycopg.Error: callers know those. The store is as it was then.
    """
    if found == NEWEST:
        return
    if not is_known(found):
        raise StoreFailed(
            f"The store {where} was written by a newer Padpost (schema {found}). Install that version again, or restore a backup."
        )
    from alembic import command  # noqa: PLC0415 - see the module's first line
    from alembic.config import Config  # noqa: PLC0415 - as above
    from sqlalchemy.exc import DBAPIError  # noqa: PLC0415 - as above

    config = Config()
    config.set_main_option("script_location", str(MIGRATIONS))
    config.attributes["target"] = target()
    try:
        command.upgrade(config, "head")
    except DBAPIError as error:
        if error.orig is None:
            raise
        raise error.orig from error
