"""The real FolderReceiver on real files: slow writers, crashes, resends, and everything that is no result file."""

from __future__ import annotations

import asyncio
import contextlib
import hashlib
import os
import shutil
import tempfile
from collections.abc import AsyncIterator, Iterator
from pathlib import Path

import pytest

from bridge.model import Capture, Way
from bridge.receive import folder as folder_module
from bridge.receive.folder import FolderReceiver
from bridge.settings import FolderSource
from bridge.store.commands import NoteRefusedFile
from tests.receive.shelf import MOMENT, PATIENCE_S, Shelf, now


def source(path: Path, **more: object) -> FolderSource:
    return FolderSource.model_validate(
        {
            "kind": "folder",
            "name": "drop",
            "analyzer": "brook",
            "profile": "brook",
            "path": path,
            "complete": "rename",
            "sweep_s": 0.05,
            "stable_s": 0.2,
            "longest_capture_bytes": 1_000,
            **more,
        }
    )


def receiver(path: Path, shelf: Shelf, **more: object) -> FolderReceiver:
    return FolderReceiver(source(path, **more), keep=shelf.keep, note_refused=shelf.note_refused, now=now)


@contextlib.asynccontextmanager
async def receiving(path: Path, shelf: Shelf, **more: object) -> AsyncIterator[FolderReceiver]:
    one = receiver(path, shelf, **more)
    running = asyncio.create_task(one.run())
    try:
        async with asyncio.timeout(3 * PATIENCE_S):
            yield one
    finally:
        running.cancel()
        await asyncio.wait([running])


async def until_gone(path: Path) -> None:
    async with asyncio.timeout(PATIENCE_S):
        while os.path.lexists(path):
            await asyncio.sleep(0.01)


def contents(folder: Path) -> dict[str, bytes]:
    return {p.name: p.read_bytes() for p in folder.iterdir()} if folder.is_dir() else {}


# --- captured ------------------------------------------------------------------------------------------


def test_a_file_is_kept_then_moved_to_done(tmp_path: Path) -> None:
    """The exact bytes with the file's name, not live; and done/ holds the file."""

    async def scene() -> Shelf:
        shelf = Shelf()
        async with receiving(tmp_path, shelf):
            (tmp_path / "strip 7.txt").write_bytes(b"a\x00\xff\r\n")
            await until_gone(tmp_path / "strip 7.txt")
        return shelf

    shelf = asyncio.run(scene())
    expected = Capture(source="drop", way=Way.FOLDER, arrived_at=MOMENT, payload=b"a\x00\xff\r\n", name="strip 7.txt", live=False)
    assert shelf.captures == [expected]
    assert contents(tmp_path / "done") == {"strip 7.txt": b"a\x00\xff\r\n"}


def test_an_empty_file_is_captured(tmp_path: Path) -> None:
    """Nothing vanishes: the reader will say that it is empty."""
    (tmp_path / "empty.txt").touch()
    shelf = Shelf()
    asyncio.run(receiver(tmp_path, shelf).sweep())
    assert [(c.payload, c.name) for c in shelf.captures] == [(b"", "empty.txt")]
    assert contents(tmp_path / "done") == {"empty.txt": b""}


def test_files_come_in_the_order_of_their_times(tmp_path: Path) -> None:
    """Oldest first, whatever their names."""
    for name, mtime in (("a", 300), ("b", 100), ("c", 200)):
        (tmp_path / name).write_text(name)
        os.utime(tmp_path / name, (mtime, mtime))
    shelf = Shelf()
    asyncio.run(receiver(tmp_path, shelf).sweep())
    assert [c.name for c in shelf.captures] == ["b", "c", "a"]


def test_an_event_wakes_the_sweep(tmp_path: Path) -> None:
    """With a sweep once an hour a file is still taken at once."""

    async def scene() -> Shelf:
        shelf = Shelf()
        async with receiving(tmp_path, shelf, sweep_s=3_600) as one:
            await one.opened.wait()
            for number in range(1_000):  # the watch needs a moment to stand: a file that it missed is followed by another
                (tmp_path / f"{number}.txt").write_bytes(b"x")
                with contextlib.suppress(TimeoutError):
                    async with asyncio.timeout(0.2):
                        await one._wake.wait()
                    break
            await shelf.holds(1)
        return shelf

    assert asyncio.run(scene()).captures[0].payload == b"x"


def test_without_events_the_sweep_finds_everything(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A network mount tells nobody about remote writes: the sweep alone is enough."""

    async def no_watch(one: FolderReceiver) -> None:
        await asyncio.Event().wait()
        del one

    monkeypatch.setattr(FolderReceiver, "_watch", no_watch)

    async def scene() -> Shelf:
        shelf = Shelf()
        async with receiving(tmp_path, shelf) as one:
            await one.opened.wait()
            (tmp_path / "a.txt").write_bytes(b"x")
            await shelf.holds(1)
        return shelf

    assert [c.name for c in asyncio.run(scene()).captures] == ["a.txt"]


# --- when a file is complete -----------------------------------------------------------------------------


def test_a_slow_writer_is_waited_for(tmp_path: Path) -> None:
    """A file that grows every tenth of a second is taken once it rests for the stable time, whole. HZ-F03."""

    async def scene() -> Shelf:
        shelf = Shelf()
        async with receiving(tmp_path, shelf, complete="stable", stable_s=0.4):
            with (tmp_path / "slow.txt").open("wb", buffering=0) as file:
                for number in range(8):
                    file.write(b"%d" % number)
                    await asyncio.sleep(0.1)  # the writer's pace
                assert shelf.captures == []
            await shelf.holds(1)
        return shelf

    assert [c.payload for c in asyncio.run(scene()).captures] == [b"01234567"]


def test_a_marker_makes_a_file_ready(tmp_path: Path) -> None:
    """NAME is taken once NAME.ready stands beside it; the marker goes with it. HZ-F03."""

    async def scene() -> Shelf:
        shelf = Shelf()
        one = receiver(tmp_path, shelf, complete="ready")
        (tmp_path / "a.txt").write_bytes(b"half")
        await one.sweep()
        assert shelf.captures == []
        (tmp_path / "a.txt").write_bytes(b"half and whole")
        (tmp_path / "a.txt.ready").touch()
        await one.sweep()
        return shelf

    assert [c.payload for c in asyncio.run(scene()).captures] == [b"half and whole"]
    assert sorted(p.name for p in tmp_path.iterdir()) == ["done"]


def test_a_marker_left_by_a_crash_is_removed(tmp_path: Path) -> None:
    """Its file was moved, then the power went: the next file of that name must not be taken half-written."""

    async def scene() -> None:
        shelf = Shelf()
        (tmp_path / "a.txt.ready").touch()
        async with receiving(tmp_path, shelf, complete="ready"):
            await until_gone(tmp_path / "a.txt.ready")
        assert shelf.captures == []

    asyncio.run(scene())


def test_a_rename_makes_a_file_complete(tmp_path: Path) -> None:
    """Names that end as the settings say are still being written. HZ-F03."""

    async def scene() -> Shelf:
        shelf = Shelf()
        one = receiver(tmp_path, shelf, unfinished=(".part", ".tmp"))
        (tmp_path / "a.txt.part").write_bytes(b"x")
        (tmp_path / "b.tmp").write_bytes(b"x")
        await one.sweep()
        assert shelf.captures == []
        (tmp_path / "a.txt.part").rename(tmp_path / "a.txt")
        await one.sweep()
        return shelf

    assert [c.name for c in asyncio.run(scene()).captures] == ["a.txt"]
    assert sorted(p.name for p in tmp_path.iterdir()) == ["b.tmp", "done"]


# --- crash, resend, collision --------------------------------------------------------------------------------


def test_a_crash_between_commit_and_move_only_finishes_the_move(tmp_path: Path) -> None:
    """The commit stands, the file is still in its place: a new process moves it and keeps nothing twice. HZ-F09."""
    (tmp_path / "a.txt").write_bytes(b"x")
    before = os.stat(tmp_path / "a.txt")

    async def scene() -> Shelf:
        shelf = Shelf()
        await receiver(tmp_path, shelf).sweep()
        (tmp_path / "done" / "a.txt").rename(tmp_path / "a.txt")  # as if the move had never reached the disk
        assert os.stat(tmp_path / "a.txt").st_mtime_ns == before.st_mtime_ns
        await receiver(tmp_path, shelf).sweep()
        assert shelf.tries == 2
        return shelf

    assert [c.payload for c in asyncio.run(scene()).captures] == [b"x"]
    assert contents(tmp_path / "done") == {"a.txt": b"x"}


def test_a_resent_file_of_equal_content_is_captured_again(tmp_path: Path) -> None:
    """Whether it is a copy of the strip is for judging to say, not for the folder; done/ holds both."""

    async def scene() -> Shelf:
        shelf = Shelf()
        one = receiver(tmp_path, shelf)
        for mtime in (100, 200):
            (tmp_path / "a.txt").write_bytes(b"x")
            os.utime(tmp_path / "a.txt", (mtime, mtime))
            await one.sweep()
        return shelf

    assert [c.payload for c in asyncio.run(scene()).captures] == [b"x", b"x"]
    assert contents(tmp_path / "done") == {"a.txt": b"x", "a~2.txt": b"x"}


def test_a_version_written_during_the_commit_is_captured_too(tmp_path: Path) -> None:
    """The sender writes the file anew while the first version is being committed: both are kept, neither overwrites. HZ-F03."""

    async def scene() -> Shelf:
        shelf = Shelf()
        shelf.gate.clear()
        (tmp_path / "a.txt").write_bytes(b"first")
        async with receiving(tmp_path, shelf):
            await shelf.was_tried(1)
            (tmp_path / "a.txt").write_bytes(b"second version")
            shelf.gate.set()
            await shelf.holds(2)
            await until_gone(tmp_path / "a.txt")
        return shelf

    assert [c.payload for c in asyncio.run(scene()).captures] == [b"first", b"second version"]
    assert contents(tmp_path / "done") == {"a.txt": b"second version"}


def test_a_full_store_leaves_the_file_in_place(tmp_path: Path) -> None:
    """Nothing is moved that is not kept; when there is room again it goes on by itself, in order. HZ-F08."""

    async def scene() -> Shelf:
        shelf = Shelf()
        shelf.is_full = True
        for name in ("a.txt", "b.txt"):
            (tmp_path / name).write_text(name)
            os.utime(tmp_path / name, (ord(name[0]), ord(name[0])))
        async with receiving(tmp_path, shelf):
            await shelf.was_tried(3)
            assert sorted(p.name for p in tmp_path.iterdir()) == ["a.txt", "b.txt"]
            shelf.is_full = False
            await shelf.holds(2)
            await until_gone(tmp_path / "b.txt")
        return shelf

    assert [c.name for c in asyncio.run(scene()).captures] == ["a.txt", "b.txt"]


def test_a_full_store_is_asked_politely(tmp_path: Path) -> None:
    """The pauses double from the sweep's up to half a minute; a success ends them."""
    pauses: list[float] = []

    async def scene() -> None:
        shelf = Shelf()
        shelf.is_full = True
        (tmp_path / "a.txt").write_bytes(b"x")
        one = receiver(tmp_path, shelf, sweep_s=1.0)
        for _ in range(7):
            await one.sweep()
            pauses.append(one._pause_s)
        shelf.is_full = False
        await one.sweep()
        pauses.append(one._pause_s)

    asyncio.run(scene())
    assert pauses == [1.0, 2.0, 4.0, 8.0, 16.0, folder_module.LONGEST_PAUSE_S, 30.0, 0.0]


# --- refused ----------------------------------------------------------------------------------------------


def test_a_file_over_the_limit_is_refused_with_a_row(tmp_path: Path) -> None:
    """Not captured: hash, size and beginning are noted, and the file is kept in refused/; one byte less is captured. HZ-F11."""
    (tmp_path / "big.txt").write_bytes(b"y" * 1_001)
    (tmp_path / "fits.txt").write_bytes(b"z" * 1_000)
    shelf = Shelf()
    asyncio.run(receiver(tmp_path, shelf).sweep())
    assert shelf.refused == [
        NoteRefusedFile(
            source="drop",
            name="big.txt",
            digest=hashlib.sha256(b"y" * 1_001).hexdigest(),
            size=1_001,
            beginning=b"y" * 512,
            sentence="The file is larger than this way in takes: 1001 bytes, and the limit is 1000.",
            remedy="If it is a result file, raise longest_capture_bytes of this source and move the file from refused/ back into the folder.",
            at=MOMENT,
        )
    ]
    assert contents(tmp_path / "refused") == {"big.txt": b"y" * 1_001}
    assert [c.name for c in shelf.captures] == ["fits.txt"]


def test_links_and_pipes_are_refused_unopened(tmp_path: Path) -> None:
    """A link could lead anywhere, a pipe would hang: each is moved as it is, noted, and the neighbours go on. HZ-F11."""
    secret = tmp_path / "elsewhere"
    secret.mkdir()
    (secret / "secret.txt").write_bytes(b"not ours")
    drop = tmp_path / "drop"
    drop.mkdir()
    (drop / "link.txt").symlink_to(secret / "secret.txt")
    os.mkfifo(drop / "pipe.txt")
    (drop / "good.txt").write_bytes(b"x")
    (drop / "folder").mkdir()
    (drop / "folder" / "inside.txt").write_bytes(b"x")
    shelf = Shelf()
    asyncio.run(receiver(drop, shelf).sweep())
    assert sorted((r.name, r.size, r.beginning) for r in shelf.refused) == [("link.txt", 0, b""), ("pipe.txt", 0, b"")]
    assert {r.sentence for r in shelf.refused} == {"This is no plain file but a link, a pipe or a device; it was not opened."}
    assert (drop / "refused" / "link.txt").is_symlink()
    assert (drop / "refused" / "pipe.txt").is_fifo()
    assert [c.name for c in shelf.captures] == ["good.txt"]
    assert contents(drop / "folder") == {"inside.txt": b"x"}
    assert (secret / "secret.txt").read_bytes() == b"not ours"


def test_a_refused_file_that_cannot_be_noted_stays(tmp_path: Path) -> None:
    """Never silent: without its row it is not moved out of sight."""
    (tmp_path / "big.txt").write_bytes(b"y" * 2_000)
    shelf = Shelf()
    shelf.is_full = True
    asyncio.run(receiver(tmp_path, shelf).sweep())
    assert sorted(p.name for p in tmp_path.iterdir()) == ["big.txt"]


# --- folders that are not as they should be ---------------------------------------------------------------------


def test_a_folder_that_is_not_there_is_waited_for(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """A mount that comes late, goes and comes again: the log says so once each time, and files are taken when it is there."""
    drop = tmp_path / "mount"

    async def scene() -> Shelf:
        shelf = Shelf()
        async with receiving(drop, shelf) as one:
            await asyncio.sleep(0.3)  # several sweeps
            assert not one.opened.is_set()
            for count in (1, 2):
                drop.mkdir()
                (drop / "a.txt").write_bytes(b"%d" % count)
                await shelf.holds(count)
                await until_gone(drop / "a.txt")
                shutil.rmtree(drop)
                async with asyncio.timeout(PATIENCE_S):
                    while one.opened.is_set():
                        await asyncio.sleep(0.01)
        return shelf

    assert [c.payload for c in asyncio.run(scene()).captures] == [b"1", b"2"]
    assert capsys.readouterr().out.count("folder.absent") == 3


@pytest.fixture
def open_folder() -> Iterator[Path]:
    """Give a folder that another user can reach, unlike the one that pytest makes."""
    path = Path(tempfile.mkdtemp(prefix="drop-"))
    path.chmod(0o777)
    try:
        yield path
    finally:
        shutil.rmtree(path)


@contextlib.contextmanager
def as_nobody() -> Iterator[None]:
    """Give up root's rights for a while, if we have them; without them the modes alone do it."""
    user = os.geteuid()
    if user == 0:
        os.seteuid(65_534)
    try:
        yield
    finally:
        os.seteuid(user)


def test_a_file_that_may_not_be_read_is_left_and_named_once(open_folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """The others go on, the log says so once without the name, and once the rights are given it is taken."""
    (open_folder / "T0042.txt").write_bytes(b"closed")
    (open_folder / "T0042.txt").chmod(0)
    (open_folder / "open.txt").write_bytes(b"open")
    (open_folder / "open.txt").chmod(0o666)
    shelf = Shelf()
    one = receiver(open_folder, shelf)

    async def sweeps() -> None:
        with as_nobody():
            await one.sweep()
            await one.sweep()
        assert [c.name for c in shelf.captures] == ["open.txt"]
        assert (open_folder / "T0042.txt").exists()
        (open_folder / "T0042.txt").chmod(0o666)
        await one.sweep()

    asyncio.run(sweeps())
    assert [c.name for c in shelf.captures] == ["open.txt", "T0042.txt"]
    logged = capsys.readouterr().out
    assert logged.count("folder.file_left") == 1
    assert "Permission denied" in logged
    assert "T0042" not in logged


def test_a_folder_that_may_not_be_written_keeps_each_file_once(open_folder: Path) -> None:
    """Kept, but not to be moved: the capture is not kept again at every sweep, and the move comes when the rights do."""
    (open_folder / "a.txt").write_bytes(b"x")
    (open_folder / "a.txt").chmod(0o666)
    open_folder.chmod(0o555)
    shelf = Shelf()
    one = receiver(open_folder, shelf)

    async def sweeps() -> None:
        with as_nobody():
            await one.sweep()
            await one.sweep()
        assert shelf.tries == 1
        assert (open_folder / "a.txt").exists()
        open_folder.chmod(0o777)
        await one.sweep()

    asyncio.run(sweeps())
    assert [c.payload for c in shelf.captures] == [b"x"]
    assert contents(open_folder / "done") == {"a.txt": b"x"}
