"""Whether there is room for another strip where the store lies. Strips are refused before the disk is full, so that answers can still be written."""

from __future__ import annotations

import asyncio
import os
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import structlog

from bridge.errors import StoreFull
from bridge.settings import Room as Limits

log = structlog.get_logger()

LOOK_S = 2.0  # ours: how soon Today and the log tell of room that was made; strips look for themselves
BACK_AT_PERCENT = 110  # ours: strips are taken again at a tenth more than they are refused at, so that it does not flutter
MB = 1_000_000


@dataclass(frozen=True, kw_only=True, slots=True)
class Space:
    """What is free for us on a file system: bytes, and files (inodes); None where it makes files as they are needed."""

    free_bytes: int
    free_files: int | None


def space_of(folder: Path) -> Space:
    """Look at the file system of ``folder``. Raises OSError. ``f_files`` is 0 where there is no fixed number (btrfs; from memory)."""
    found = os.statvfs(folder)
    return Space(free_bytes=found.f_bavail * found.f_frsize, free_files=found.f_favail if found.f_files else None)


def lacking(space: Space, limits: Limits, *, is_refusing: bool) -> str:
    """Say why no strip is to be taken in, "" if there is room. ``is_refusing``: none was taken until now, so that a little more is asked for."""
    percent = BACK_AT_PERCENT if is_refusing else 100
    if space.free_bytes * 100 < limits.refuse_below_mb * MB * percent:
        return (
            f"{space.free_bytes // MB} MB are free where the store lies; {limits.refuse_below_mb} MB are held back for acknowledgements and"
            " deliveries. Make room there: it goes on by itself."
        )
    if space.free_files is not None and space.free_files * 100 < limits.refuse_below_files * percent:
        return (
            f"{space.free_files} more files can be made where the store lies; {limits.refuse_below_files} are held back. Remove files there: it"
            " goes on by itself."
        )
    return ""


class Room:
    """Looks at the disk for every strip, and now and then besides.

    ``refusing`` says why no strip is taken in, "" while there is room; ``notice`` that room runs short, while strips are still taken.
    """

    def __init__(self, folder: Path | None, limits: Limits, *, look: Callable[[Path], Space] = space_of) -> None:
        """Take the store's folder; None where the store is on a server, whose disk cannot be seen from here."""
        self.refusing = ""
        self.notice = ""
        self._folder = folder
        self._limits = limits
        self._look = look

    def require(self) -> None:
        """Let a strip in. Raises StoreFull where there is no room; nothing was written then."""
        self.look()
        if self.refusing:
            raise StoreFull(self.refusing)

    def look(self) -> None:
        """Look once. A disk that cannot be asked changes nothing: the store itself will say what is wrong with it."""
        if self._folder is None:
            return
        try:
            space = self._look(self._folder)
        except OSError:
            return
        was_refusing = bool(self.refusing)
        self.refusing = lacking(space, self._limits, is_refusing=was_refusing)
        is_short = not self.refusing and space.free_bytes < self._limits.warn_below_mb * MB
        self.notice = (
            f"Room runs short: {space.free_bytes // MB} MB are free where the store lies. Below {self._limits.refuse_below_mb} MB no strip is taken in."
            if is_short
            else ""
        )
        if bool(self.refusing) is not was_refusing:  # once a change, not once a strip
            tell = log.error if self.refusing else log.info
            tell("room.refusing" if self.refusing else "room.back", free_mb=space.free_bytes // MB, free_files=space.free_files)

    async def run(self) -> None:
        """Look until cancelled."""
        while True:
            self.look()
            await asyncio.sleep(LOOK_S)
