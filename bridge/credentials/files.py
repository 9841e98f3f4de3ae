"""Files that hold certificates and keys: their bytes, what tells that they changed, and errors that name them."""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import Path

from bridge.errors import SettingsError

Stamp = tuple[tuple[int, int, int], ...]  # inode, size and time of change of each file: another file has another
LONGEST = 1_000_000  # bytes; ours: a system's whole bundle of CAs is some 250 kB


def stamp(paths: Iterable[Path]) -> Stamp:
    """Give what changes when one of the files does; zeros for one that is not there."""
    return tuple(_one(path) for path in paths)


def _one(path: Path) -> tuple[int, int, int]:
    try:
        found = path.stat()
    except OSError:
        return (0, 0, 0)
    return (found.st_ino, found.st_size, found.st_mtime_ns)


def is_open_to_others(path: Path) -> bool:
    """Say whether others than the owner and the group may read or change a file. Raises OSError if it is not there."""
    return bool(path.stat().st_mode & 0o007)


def read(path: Path, key: tuple[str, ...]) -> bytes:
    """Give the bytes of a file that the setting ``key`` names. Raises SettingsError with its path and the remedy."""
    try:
        with path.open("rb") as file:
            held = file.read(LONGEST + 1)
    except OSError as error:
        raise SettingsError(
            f"The file {path} cannot be read: {error.strerror}.",
            remedy="Check its name, and that Padpost's user may read it.",
            path=key,
        ) from error
    if not held or len(held) > LONGEST:
        raise SettingsError(
            f"The file {path} is {'empty' if not held else 'far too long for what it should hold'}.",
            remedy="Put the right file in its place.",
            path=key,
        )
    return held
