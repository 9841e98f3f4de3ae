"""A folder as a way in. A sweep of the folder is the truth; file events only wake it, since they miss remote writes."""

from __future__ import annotations

import asyncio
import contextlib

import structlog
import watchfiles

from bridge.errors import StoreError
from bridge.model import Capture, Way
from bridge.receive import Keep, NoteRefused, Now
from bridge.receive.folder_files import DONE, REFUSED, Seen, drop_marker, glimpse, look, put_away, shown, take
from bridge.settings import FolderSource
from bridge.store.commands import NoteRefusedFile

log = structlog.get_logger()

READY = ".ready"
LONGEST_PAUSE_S = 30.0  # ours: a person mends a full disk in minutes; half a minute more is no loss
_TOO_LARGE = "The file is larger than this way in takes: {size} bytes, and the limit is {limit}."
_NOT_PLAIN = "This is no plain file but a link, a pipe or a device; it was not opened."
_REMEDY_TOO_LARGE = (
    "If it is a result file, raise longest_capture_bytes of this source and move the file from refused/ back into the folder."
)
_REMEDY_NOT_PLAIN = "Put the file itself into the folder, not a link to it."


class FolderReceiver:
    """Takes files out of one folder for ever: kept, then moved to done/; or noted, then moved to refused/.

    ``opened`` is set while the folder is there.
    """

    def __init__(self, source: FolderSource, *, keep: Keep, note_refused: NoteRefused, now: Now) -> None:
        self.opened = asyncio.Event()
        self._source = source
        self._keep = keep
        self._note_refused = note_refused
        self._now = now
        self._wake = asyncio.Event()
        self._unchanged_since: dict[str, tuple[tuple[int, int], float]] = {}
        self._to_move: dict[tuple[str, tuple[int, int]], str] = {}  # kept or noted already; only the move is missing
        self._complained: set[tuple[str, tuple[int, int]]] = set()
        self._pause_s = 0.0
        self._fault = ""

    async def run(self) -> None:
        """Run until cancelled."""
        async with asyncio.TaskGroup() as tasks:
            tasks.create_task(self._watch())
            while True:
                self._wake.clear()
                await self.sweep()
                await self._rest()

    async def sweep(self) -> None:
        """Look once and take all that is complete, oldest first."""
        try:
            found = await asyncio.to_thread(look, self._source.path)
        except OSError as error:
            self._note_absent(error)
            return
        self._fault = ""
        self.opened.set()
        for seen in self._complete(found):
            if not await self._settle(seen):
                self._pause_s = min(max(2 * self._pause_s, self._source.sweep_s), LONGEST_PAUSE_S)
                return
        self._pause_s = 0.0

    async def _rest(self) -> None:
        """Wait for the next sweep; an event may shorten it, but not a pause that the store needs."""
        if self._pause_s:
            await asyncio.sleep(self._pause_s)
            return
        with contextlib.suppress(TimeoutError):
            async with asyncio.timeout(self._source.sweep_s):
                await self._wake.wait()

    async def _watch(self) -> None:
        """Let file events wake the sweep; without them it comes on its own."""
        while True:
            await self.opened.wait()
            try:
                async for _ in watchfiles.awatch(self._source.path, watch_filter=None, debounce=50, step=10, recursive=False):
                    self._wake.set()
            except (OSError, RuntimeError) as error:  # RuntimeError: the library's own word for a folder that went away
                log.info("folder.not_watched", source=self._source.name, cause=type(error).__name__)
            await asyncio.sleep(self._source.sweep_s)

    def _note_absent(self, error: OSError) -> None:
        self.opened.clear()
        if str(error) != self._fault:  # once, not at every sweep
            log.warning("folder.absent", source=self._source.name, cause=str(error))
        self._fault = str(error)

    # --- which files are complete

    def _complete(self, found: list[Seen]) -> list[Seen]:
        """Give the files that may be taken, oldest first; what is no plain file is refused at once."""
        names = {seen.name for seen in found}
        now = asyncio.get_running_loop().time()
        self._unchanged_since = {seen.name: self._since(seen, now) for seen in found}
        self._to_move = {key: where for key, where in self._to_move.items() if key[0] in names}
        self._complained = {key for key in self._complained if key[0] in names}
        return [seen for seen in found if not seen.is_plain or self._is_complete(seen, names, now)]

    def _since(self, seen: Seen, now: float) -> tuple[tuple[int, int], float]:
        mark, since = self._unchanged_since.get(seen.name, (seen.mark, now))
        return (mark, since) if mark == seen.mark else (seen.mark, now)

    def _is_complete(self, seen: Seen, names: set[str], now: float) -> bool:
        match self._source.complete:
            case "rename":
                return not seen.name.endswith(self._source.unfinished)
            case "ready":
                if seen.name.endswith(READY) and len(seen.name) > len(READY):
                    return self._is_stable(seen, now) and seen.name.removesuffix(READY) not in names
                return seen.name + READY in names
            case "stable":
                return self._is_stable(seen, now)

    def _is_stable(self, seen: Seen, now: float) -> bool:
        return now - self._unchanged_since[seen.name][1] >= self._source.stable_s

    # --- what becomes of one file

    async def _settle(self, seen: Seen) -> bool:
        """Deal with one complete file; False asks for a pause, because the store cannot take anything now."""
        key = (seen.name, seen.mark)
        try:
            if key not in self._to_move:
                where = await self._deal_with(seen)
                if where is None:
                    return True
                self._to_move[key] = where
            await self._move(seen, self._to_move[key])
        except StoreError as error:
            log.warning("capture.not_kept", source=self._source.name, cause=type(error).__name__, bytes=seen.size)
            return False
        except OSError as error:  # not ours to read or move, or gone: the others go on
            if key not in self._complained:
                log.warning("folder.file_left", source=self._source.name, cause=error.strerror, bytes=seen.size)
            self._complained.add(key)
        return True

    async def _deal_with(self, seen: Seen) -> str | None:
        """Keep or note a file; give where it goes, or None if it stays for now."""
        if self._source.complete == "ready" and seen.is_plain and seen.name.endswith(READY) and len(seen.name) > len(READY):
            await asyncio.to_thread(drop_marker, self._source.path, seen.name)  # its file was moved before a crash
            return None
        if not seen.is_plain or seen.size > self._source.longest_capture_bytes:
            await self._refuse(seen)
            return REFUSED
        taken = await asyncio.to_thread(take, self._source.path, seen)
        if taken is None:
            return None
        capture = Capture(
            source=self._source.name,
            way=Way.FOLDER,
            arrived_at=self._now(),
            payload=taken.payload,
            name=shown(seen.name),
            live=False,
        )
        await self._keep(capture, origin=taken.origin)
        return DONE

    async def _refuse(self, seen: Seen) -> None:
        seen_of_it = await asyncio.to_thread(glimpse, self._source.path, seen)
        sentence = (
            _TOO_LARGE.format(size=seen_of_it.size, limit=self._source.longest_capture_bytes) if seen.is_plain else _NOT_PLAIN
        )
        await self._note_refused(
            NoteRefusedFile(
                source=self._source.name,
                name=shown(seen.name),
                digest=seen_of_it.digest,
                size=seen_of_it.size,
                beginning=seen_of_it.beginning,
                sentence=sentence,
                remedy=_REMEDY_TOO_LARGE if seen.is_plain else _REMEDY_NOT_PLAIN,
                at=self._now(),
            )
        )
        log.warning("folder.file_refused", source=self._source.name, bytes=seen_of_it.size, is_plain=seen.is_plain)

    async def _move(self, seen: Seen, where: str) -> None:
        is_moved = await asyncio.to_thread(put_away, self._source.path, seen, where)
        if is_moved and self._source.complete == "ready":
            await asyncio.to_thread(drop_marker, self._source.path, seen.name + READY)
        self._to_move.pop((seen.name, seen.mark), None)
