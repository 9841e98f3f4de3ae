"""A session that only reads, beside the service that has the store."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator
from contextlib import closing, contextmanager
from urllib.parse import quote

from bridge import settings
from bridge.errors import StoreFailed
from bridge.store.database import Db, SqliteDb
from bridge.store.sqlite import FILE


@contextmanager
def looked_at(config: settings.Settings) -> Iterator[Db]:
    """Give a session that only reads, and sees one moment of the store. Raises StoreError."""
    if config.database is not None:
        from bridge.store.postgres.opening import looked_at as on_server  # noqa: PLC0415 - only who has a server loads its driver

        with on_server(config.database) as db:
            db.execute("BEGIN")
            yield db
            db.execute("COMMIT")
        return
    file = config.site.data / FILE
    if not file.is_file():
        raise StoreFailed(f"There is no store at {file}. Check site.data in the site configuration.")
    try:
        opened = sqlite3.connect(f"file:{quote(str(file))}?mode=ro", uri=True, isolation_level=None, timeout=30, factory=SqliteDb)
        with closing(opened) as connection:
            connection.execute("BEGIN")
            yield connection
    except sqlite3.DatabaseError as error:
        raise StoreFailed(f"The store {file} cannot be read ({error}). Restore it from a backup.") from error
