"""What the folder way in does on the disk: look, read, move. Blocking; the receiver calls it in a thread."""

from __future__ import annotations

import errno
import hashlib
import os
import stat
from dataclasses import dataclass
from pathlib import Path

DONE, REFUSED = "done", "refused"
BEGINNING = 512  # ours: bytes of a refused file that are shown, enough to recognise what it is
_CHUNK = 1_048_576  # ours: bytes hashed at a time
_NO_DIRECTORY_SYNC = {errno.EINVAL, errno.ENOTSUP, errno.EBADF, errno.EACCES}  # file systems that cannot sync a directory


@dataclass(frozen=True, kw_only=True, slots=True)
class Seen:
    """One entry of the folder at one look. ``mark`` changes when the file does."""

    name: str
    size: int
    mtime_ns: int
    is_plain: bool

    @property
    def mark(self) -> tuple[int, int]:
        """Give what tells this state of this file from another; not the inode, which network mounts make up."""
        return (self.size, self.mtime_ns)


@dataclass(frozen=True, kw_only=True, slots=True)
class Taken:
    """A file's whole content, and the key by which it is known if the move after the commit never came."""

    seen: Seen
    payload: bytes

    @property
    def origin(self) -> str:
        """Give a hash of name, time, size and content: the same file, while a resent one has another time."""
        content = hashlib.sha256(self.payload).hexdigest()
        return hashlib.sha256(f"{shown(self.seen.name)}\0{self.seen.mtime_ns}\0{self.seen.size}\0{content}".encode()).hexdigest()


@dataclass(frozen=True, kw_only=True, slots=True)
class Glimpse:
    """What is noted of a file that is not captured: SHA-256, size and first bytes."""

    digest: str
    size: int
    beginning: bytes


def shown(name: str) -> str:
    """Give a file's name as text that can be stored, whatever its bytes."""
    return os.fsencode(name).decode("utf-8", errors="backslashreplace")


def look(folder: Path) -> list[Seen]:
    """Give what lies in ``folder``, oldest first: plain files, and what is neither file nor folder.

    Folders are left alone, and so are names that begin with a dot (half copies of some copying programs).
    Raises OSError if the folder is not there.
    """
    found = []
    with os.scandir(folder) as entries:
        for entry in entries:
            seen = _seen(entry)
            if seen is not None:
                found.append(seen)
    return sorted(found, key=lambda seen: (seen.mtime_ns, seen.name))


def _seen(entry: os.DirEntry[str]) -> Seen | None:
    if entry.name.startswith("."):
        return None
    try:
        status = entry.stat(follow_symlinks=False)
    except FileNotFoundError:
        return None  # gone since the look
    if stat.S_ISDIR(status.st_mode):
        return None
    return _as_seen(entry.name, status)


def _as_seen(name: str, status: os.stat_result) -> Seen:
    return Seen(name=name, size=status.st_size, mtime_ns=status.st_mtime_ns, is_plain=stat.S_ISREG(status.st_mode))


def take(folder: Path, seen: Seen) -> Taken | None:
    """Read a file whole; None if it is not the file that was seen any more, or changed while it was read.

    Follows no link and waits for no pipe. Raises OSError if it may not be read.
    """
    descriptor = os.open(folder / seen.name, os.O_RDONLY | os.O_NOFOLLOW | os.O_NONBLOCK | os.O_CLOEXEC)
    with os.fdopen(descriptor, "rb") as file:
        payload = file.read(seen.size + 1)
        after = _as_seen(seen.name, os.fstat(file.fileno()))
    return Taken(seen=seen, payload=payload) if after == seen and len(payload) == seen.size else None


def glimpse(folder: Path, seen: Seen) -> Glimpse:
    """Give hash, size and first bytes of a file that is too large to take; of what is no plain file only that it is there.

    Raises OSError if it may not be read.
    """
    if not seen.is_plain:
        return Glimpse(digest=hashlib.sha256().hexdigest(), size=0, beginning=b"")
    digest = hashlib.sha256()
    beginning = b""
    size = 0
    descriptor = os.open(folder / seen.name, os.O_RDONLY | os.O_NOFOLLOW | os.O_NONBLOCK | os.O_CLOEXEC)
    with os.fdopen(descriptor, "rb") as file:
        while chunk := file.read(_CHUNK):
            beginning = beginning or chunk[:BEGINNING]
            size += len(chunk)
            digest.update(chunk)
    return Glimpse(digest=digest.hexdigest(), size=size, beginning=beginning)


def put_away(folder: Path, seen: Seen, where: str) -> bool:
    """Move a file into ``where`` (done or refused), under a name that is free there, durably.

    False if another version of it lies there by now: that one stays, as a new file. Raises OSError if it cannot be moved.
    """
    target_folder = folder / where
    if not target_folder.is_dir():
        target_folder.mkdir(exist_ok=True)
        _sync(folder)  # before anything is in it: a power cut that takes the folder's name takes the file too
    source = folder / seen.name
    if not _is_still(source, seen):
        return False
    target = _free(target_folder, seen.name)
    source.rename(target)
    if not _is_still(target, seen):  # written anew between the look and the move: nobody has captured this one
        target.rename(_free(folder, seen.name))
        return False
    _sync(target_folder)
    _sync(folder)
    return True


def drop_marker(folder: Path, name: str) -> None:
    """Remove a marker file; it may be gone already."""
    (folder / name).unlink(missing_ok=True)
    _sync(folder)


def _is_still(path: Path, seen: Seen) -> bool:
    try:
        return _as_seen(seen.name, path.lstat()) == seen
    except FileNotFoundError:
        return False


def _free(folder: Path, name: str) -> Path:
    """Give a path that is free in ``folder``: the name itself, else with a number before its suffix."""
    plain = Path(name)
    candidate = folder / name
    number = 2
    while os.path.lexists(candidate):
        candidate = folder / f"{plain.stem}~{number}{plain.suffix}"
        number += 1
    return candidate


def _sync(folder: Path) -> None:
    """Make names in ``folder`` durable, where the file system can."""
    descriptor = os.open(folder, os.O_RDONLY | os.O_DIRECTORY | os.O_CLOEXEC)
    try:
        os.fsync(descriptor)
    except OSError as error:
        if error.errno not in _NO_DIRECTORY_SYNC:
            raise
    finally:
        os.close(descriptor)
