"""One process a store, on a local disk: who holds it, and what the data folder stands on."""

from __future__ import annotations

import fcntl
import os
import socket
from contextlib import suppress
from pathlib import Path

from bridge.errors import StoreFailed, StoreLocked

# Kinds of mount on which SQLite's locks and fsync cannot be relied on (SQLite documentation, "How To Corrupt", section on network
# file systems); names as /proc/mounts has them
NETWORK_MOUNTS = frozenset(
    {
        "nfs",
        "nfs4",
        "cifs",
        "smb3",
        "smbfs",
        "afs",
        "ncpfs",
        "9p",
        "ceph",
        "glusterfs",
        "fuse.sshfs",
        "fuse.glusterfs",
        "fuse.s3fs",
    }
)


class ProcessLock:
    """An exclusive lock beside the store, held until ``release`` or the process's end."""

    def __init__(self, path: Path) -> None:
        """Take the lock. Raises StoreLocked naming the process that has it, StoreFailed where there is no room or no right for it."""
        try:
            self._file = path.open("a+", encoding="utf-8")
        except OSError as error:
            raise _unusable(path, error) from error
        try:
            fcntl.flock(self._file, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except OSError:
            self._file.seek(0)
            holder = self._file.read().strip() or "another process"
            self._file.close()
            raise StoreLocked(
                f"{holder} has this store open. Stop it first, or give this one a data folder of its own."
            ) from None
        try:
            self._file.truncate(0)
            self._file.write(f"process {os.getpid()} on {socket.gethostname()}")
            self._file.flush()
        except OSError as error:
            with suppress(OSError):  # closing tries to write once more
                self._file.close()
            raise _unusable(path, error) from error

    def release(self) -> None:
        """Let go."""
        self._file.close()


def _unusable(path: Path, error: OSError) -> StoreFailed:
    return StoreFailed(
        f"The store's lock {path} cannot be written: {error.strerror}. Make room on that disk, or give Padpost the right to write there; then start it again."
    )


def network_mount(folder: Path, mounts: str) -> str:
    """Give the kind of network mount that ``folder`` is on, or "". ``mounts`` is the text of /proc/mounts."""
    best, kind = -1, ""
    resolved = str(folder.resolve())
    for line in mounts.splitlines():
        fields = line.split()
        if len(fields) < 3:
            continue
        point = fields[1].replace("\\040", " ")
        if (resolved == point or resolved.startswith(point.rstrip("/") + "/")) and len(point) >= best:
            best, kind = len(point), fields[2]
    return kind if kind in NETWORK_MOUNTS else ""
