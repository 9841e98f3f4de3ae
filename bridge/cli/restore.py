"""``padpost restore``: a backup in the store's place, and what a person must know of the time that is lost."""

from __future__ import annotations

from datetime import UTC
from pathlib import Path

from bridge import clock, settings
from bridge.errors import BackupError
from bridge.store.restore import Restored, open_epoch
from bridge.store.restore import restore as put_back


def restore(config_path: Path, backup: Path | None, *, replace: bool, in_place: bool) -> int:
    """Restore the site's store, or do for one that was put back by other means what a restore does; give 0.

    Raises SettingsError, StoreLocked or BackupError.
    """
    config = settings.read_settings(config_path)
    if (backup is None) is not in_place:
        raise BackupError("Say which backup: --from FILE. Or --in-place alone, where the store was put back by other means.")
    data, now = config.site.data, clock.now()
    if config.database is not None:
        _say(_on_server(config.database, backup), config.database.url)
    else:
        _say(open_epoch(data, now=now) if backup is None else put_back(backup, data, now=now, replace=replace), str(data))
    return 0


def _on_server(database: settings.Database, backup: Path | None) -> Restored:
    if backup is not None:
        raise BackupError(
            "The store is a PostgreSQL database: restore it with the server's own tools (pg_restore, or recovery to a point in time), then say"
            " padpost restore --in-place."
        )
    from bridge.store.postgres import restored  # noqa: PLC0415 - only who has a server loads its driver
    from bridge.store.postgres.opening import server_of  # noqa: PLC0415 - as above

    return restored.open_epoch(server_of(database), now=clock.now())


def _say(done: Restored, data: str) -> None:
    at = f"{done.taken_at.astimezone(UTC):%Y-%m-%d %H:%M:%S} UTC"
    found = done.reviewed
    print(
        f"The store in {data} is as it was at {at}. Identities go on under the epoch {found.epoch}; before it was {found.old_epoch}."
    )
    if done.aside:
        print(f"The store that was there is kept in {done.aside}.")
    print(
        f"Nothing is sent by itself that may have been sent since: {found.deliveries} deliveries and {found.captures} captures that were not"
        " judged wait on Rejected messages. Look in the records, then discard what is there and send the rest again."
    )
    print(
        f"What came in after {at} is not here. Send it again from the analyzers' memories and put the files into their folders again:"
        " what the backup has is known as a copy. What it has not may stand in the records already, under an identity that is lost:"
        " compare with the records before you send it again. The same holds for a row of Rejected messages that was dealt with since."
    )
