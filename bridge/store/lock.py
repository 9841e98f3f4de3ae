"""One process a store, on a local disk: who holds it, and what the data folder stands on."""

from __future__ import annotations

import fcntl
import os
import socket
from pathlib import Path

from bridge.errors import StoreLocked

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
        """Take the lock. Raises StoreLocked naming the process that has it."""
        self._file = path.open("a+", encoding="utf-8")
        try:
            fcntl.flock(self._file, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except OSError:
            self._file.seek(0)
            holder = self._file.read().strip() or "another process"
            self._file.close()
            raise StoreLocked(
                f"{holder} has this store open. Stop it first, or give this one a data folder of its own."
            ) from None
        self._file.truncate(0)
        self._file.write(f"process {os.getpid()} on {socket.gethostname()}")
        self._file.flush()

    def release(self) -> None:
        """Let go."""
        self._file.close()


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
