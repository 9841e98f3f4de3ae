"""A message that came while the disk was full is taken when it is sent again: real store, real socket, the same control ID and bytes."""

from __future__ import annotations

import asyncio
import contextlib
import random
import socket
import sqlite3
from pathlib import Path

import pytest

from bridge import clock
from bridge.model import Capture
from bridge.receive.mllp_listener import MllpReceiver, Office
from bridge.settings import MllpSource
from bridge.store.awaited import done
from bridge.store.commands import KeepCapture, NoteRefusedFile
from bridge.store.database import SqliteDb
from bridge.store.rows import CaptureState
from bridge.store.sqlite import SqliteStore
from tests.tables.shipped_tables import tables

HEAD = b"MSH|^~\\&|DIPPER|BENCH|||20261125091500||ORU^R01^ORU_R01|D1|P|2.5.1\r"
NOISE = bytes(random.Random(7).choices(range(0x40, 0x7B), k=60_000)).replace(
    b"|", b"x"
)  # so long, and so hard to pack, that it needs new pages
LONG = HEAD + b"NTE|1||" + NOISE + b"\r"


class _Bounded(SqliteStore):
    """A real store whose file a test may bound, as a full disk would."""

    def __init__(self, folder: Path) -> None:
        self.connections: list[sqlite3.Connection] = []  # one that the store has closed already, and the writer's
        super().__init__(folder, now=clock.now)

    def _connect(self) -> SqliteDb:
        connection = sqlite3.connect(self._file, isolation_level=None, timeout=30, check_same_thread=False, factory=SqliteDb)
        for pragma in ("journal_mode = WAL", "synchronous = FULL", "foreign_keys = ON"):
            connection.execute(f"PRAGMA {pragma}")
        self.connections.append(connection)
        return connection

    def bound(self, more_pages: int) -> None:
        """Let the file grow by ``more_pages`` from here; a million to take the bound away."""
        for connection in self.connections:
            with contextlib.suppress(sqlite3.ProgrammingError):  # closed
                (pages,) = connection.execute("PRAGMA page_count").fetchone()
                connection.execute(f"PRAGMA max_page_count = {pages + more_pages}")


async def _answer(address: tuple[str, int], message: bytes) -> bytes:
    with await asyncio.to_thread(socket.create_connection, address, 20) as wire:
        await asyncio.to_thread(wire.sendall, b"\x0b" + message + b"\x1c\r")
        heard = b""
        while not heard.endswith(b"\x1c\r"):
            heard += await asyncio.to_thread(wire.recv, 4_096)
    return heard


async def _scene(store: _Bounded) -> list[bytes]:
    async def keep(capture: Capture, *more: Capture, origin: str = "") -> int:
        assert not more
        return int(await done(store, KeepCapture(capture=capture, analyzer="a", profile="dipper", origin=origin)))

    async def note(refused: NoteRefusedFile) -> int:
        raise AssertionError("a full disk is no fault of the message")

    async def look(_: int) -> CaptureState | None:
        return None

    async def control() -> str:
        return "Q1M1"

    layout = tables().profiles["dipper"].hl7
    assert layout is not None
    office = Office(keep=keep, note_refused=note, look=look, control_id=control, words=str, now=clock.now, takes=frozenset("P"))
    source = MllpSource(kind="mllp", name="net", analyzer="a", profile="dipper", port=0)
    receiver = MllpReceiver(source, layout, office)
    running = asyncio.create_task(receiver.run())
    try:
        await asyncio.wait_for(receiver.opened.wait(), 20)
        assert receiver.address is not None
        assert b"MSA|AA|D0" in await _answer(receiver.address, HEAD.replace(b"D1", b"D0"))
        answers = []
        for pages in (0, 0, 1_000_000, 1_000_000):
            await asyncio.to_thread(store.bound, pages)
            answers.append(await _answer(receiver.address, LONG))
        return answers
    finally:
        running.cancel()
        await asyncio.wait([running])


def test_what_came_while_the_disk_was_full_is_taken_when_it_comes_again(tmp_path: Path) -> None:
    """AR 207 while it is full, however often; then AA, once kept; then AA for the same again."""
    store = _Bounded(tmp_path)
    try:
        answers = asyncio.run(_scene(store))
        kept = store.capture(2).capture.payload
        with pytest.raises(LookupError):
            store.capture(3)
    finally:
        store.close()
    assert [b"MSA|AR|D1" in answer and b"207" in answer for answer in answers] == [True, True, False, False]
    assert [b"MSA|AA|D1" in answer for answer in answers] == [False, False, True, True]
    assert kept == LONG
