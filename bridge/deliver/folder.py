"""A folder as destination: one file a message, whole or not there at all."""

from __future__ import annotations

import asyncio
import errno
import os
import re
from contextlib import suppress
from pathlib import Path

from bridge.lifecycle.answers import FolderEnd, read_folder
from bridge.model import Acknowledgement, Format, Message
from bridge.settings import FolderDestination

ENDINGS = {fmt: ".json" if fmt.is_fhir else ".hl7" for fmt in Format}
_ENDS = {
    errno.ENOSPC: FolderEnd.FULL,
    errno.EDQUOT: FolderEnd.FULL,
    errno.EACCES: FolderEnd.NO_RIGHTS,
    errno.EPERM: FolderEnd.NO_RIGHTS,
    errno.EROFS: FolderEnd.NO_RIGHTS,
    errno.ENOENT: FolderEnd.NO_FOLDER,
    errno.ENOTDIR: FolderEnd.NO_FOLDER,
}


class FolderClient:
    """Writes into one folder, which must exist. File names hold the control ID and nothing of the patient."""

    def __init__(self, settings: FolderDestination) -> None:
        self._folder = settings.path

    async def send(self, message: Message) -> Acknowledgement:
        """Write ``message`` and give what came of it. Raises nothing for what the disk does."""
        return await asyncio.to_thread(self._send, message)

    async def close(self) -> None:
        """Nothing is kept open."""

    def _send(self, message: Message) -> Acknowledgement:
        if not re.fullmatch(r"[A-Z0-9]{1,20}", message.control_id):
            return read_folder(FolderEnd.BAD_NAME)
        path = self._folder / f"{message.control_id}{ENDINGS[message.format]}"
        try:
            if path.exists():
                return read_folder(self._compared(path, message.payload))
            write_whole(path, message.payload)
        except OSError as error:
            return read_folder(_ENDS.get(error.errno or 0, FolderEnd.FAULT), error.strerror or "")
        return read_folder(FolderEnd.WRITTEN)

    @staticmethod
    def _compared(path: Path, payload: bytes) -> FolderEnd:
        """Compare a file of an earlier try, whose fsync may have failed: only what is durable now counts as accepted."""
        with path.open("rb") as file:
            if file.read() != payload:
                return FolderEnd.OTHER_CONTENT
            os.fsync(file.fileno())
        sync_folder(path.parent)
        return FolderEnd.THERE_ALREADY


def write_whole(path: Path, payload: bytes) -> None:
    """Write a file so that its name never stands before its bytes are durable. Raises OSError; then nothing is left behind."""
    temporary = path.with_name(f".{path.name}.part")
    try:
        with temporary.open("wb") as file:
            file.write(payload)
            file.flush()
            os.fsync(file.fileno())
        temporary.rename(path)
        sync_folder(path.parent)
    except OSError:
        with suppress(OSError):
            temporary.unlink()
        raise


def sync_folder(folder: Path) -> None:
    """Make the names in ``folder`` durable. Raises OSError."""
    directory = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(directory)
    finally:
        os.close(directory)
