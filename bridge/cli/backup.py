"""``padpost backup``: a checked copy of the store, taken while the service runs."""

from __future__ import annotations

from pathlib import Path

from bridge import clock, settings
from bridge.errors import BackupError
from bridge.store.backup import TEXT, back_up, is_beside
from bridge.store.sqlite import FILE


def backup(config_path: Path, folder: Path) -> int:
    """Write a backup of the site's store into ``folder`` and say what is in it; give 0. Raises SettingsError or BackupError."""
    config = settings.read_settings(config_path)
    if config.database is not None:
        raise BackupError(
            "The store is a PostgreSQL database: back it up with the server's own tools, pg_dump --format=custom for a copy, or a base backup with"
            " WAL archiving for any moment; docs/how-to/back-up-and-restore.md says what a restore must do then."
        )
    store = config.site.data / FILE
    file, text = back_up(store, folder, now=clock.now(), spare_bytes=config.room.refuse_below_mb * 1_000_000)
    rows = text.counts
    print(f"{file}: {text.size_bytes} bytes, checked; {rows['strips']} strips, {rows['deliveries']} deliveries")
    print(f"{file}{TEXT}: its counts and its SHA-256, {text.sha256}")
    if is_beside(store, folder):
        print("It lies on the store's own disk, and is lost with it: copy both files elsewhere.")
    print("Keep the site's file, its mapping files and its signatures with it: they are not in the store.")
    return 0
