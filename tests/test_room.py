"""Strips are refused before the disk is full, told once, and taken again by themselves."""

from __future__ import annotations

import asyncio
from pathlib import Path

import pytest
from structlog.testing import capture_logs

from bridge.errors import StoreFull
from bridge.room import MB, Room, Space, lacking, space_of
from bridge.settings import Room as Limits

LIMITS = Limits(refuse_below_mb=100, warn_below_mb=200, refuse_below_files=50)


class Disk:
    """A disk whose room a test sets."""

    def __init__(self, free_mb: float, free_files: int | None = 1_000) -> None:
        self.space = Space(free_bytes=int(free_mb * MB), free_files=free_files)

    def __call__(self, _: Path) -> Space:
        return self.space

    def set(self, free_mb: float, free_files: int | None = 1_000) -> None:
        self.space = Space(free_bytes=int(free_mb * MB), free_files=free_files)


@pytest.mark.parametrize(
    ("free_mb", "files", "is_refusing", "lacks"),
    [
        (100, 1_000, False, ""),
        (99.9, 1_000, False, "99 MB are free where the store lies; 100 MB are held back"),
        (109.9, 1_000, True, "109 MB are free where the store lies; 100 MB are held back"),
        (110, 1_000, True, ""),
        (500, 50, False, ""),
        (500, 49, False, "49 more files can be made where the store lies; 50 are held back"),
        (500, 54, True, "54 more files can be made where the store lies; 50 are held back"),
        (500, 55, True, ""),
        (500, None, True, ""),
    ],
)
def test_where_strips_are_refused_and_taken_again(free_mb: float, files: int | None, is_refusing: bool, lacks: str) -> None:
    """A tenth more is asked for before they are taken again: it does not flutter about one figure."""
    said = lacking(Space(free_bytes=int(free_mb * MB), free_files=files), LIMITS, is_refusing=is_refusing)
    assert said.startswith(lacks)
    assert bool(said) is bool(lacks)


def test_it_refuses_tells_once_and_comes_back(tmp_path: Path) -> None:
    """One line in the log for each change, however many strips are refused."""
    disk = Disk(150)
    room = Room(tmp_path, LIMITS, look=disk)
    with capture_logs() as logged:
        room.require()
        assert (room.refusing, room.notice) == (
            "",
            "Room runs short: 150 MB are free where the store lies. Below 100 MB no strip is taken in.",
        )
        disk.set(90)
        for _ in range(3):
            with pytest.raises(
                StoreFull, match=r"^90 MB are free where the store lies; 100 MB are held back for acknowledgements and"
            ):
                room.require()
        assert room.notice == ""
        disk.set(105)
        with pytest.raises(StoreFull):
            room.require()
        disk.set(500)
        room.require()
    assert (room.refusing, room.notice) == ("", "")
    assert [(line["event"], line["free_mb"]) for line in logged] == [("room.refusing", 90), ("room.back", 500)]


def test_a_disk_that_cannot_be_asked_changes_nothing(tmp_path: Path) -> None:
    """The store itself says what is wrong with its disk."""
    room = Room(tmp_path / "gone", LIMITS)
    room.require()
    assert room.refusing == ""


def test_the_real_disk_is_asked(tmp_path: Path) -> None:
    """statvfs(3), of the file system that the folder is on."""
    space = space_of(tmp_path)
    assert space.free_bytes > 0
    everything = Room(tmp_path, Limits(refuse_below_mb=1_000_000, warn_below_mb=1_000_000, refuse_below_files=0))
    assert space.free_bytes < 1_000_000 * MB
    with pytest.raises(StoreFull):
        everything.require()


def test_it_looks_without_strips_too(tmp_path: Path) -> None:
    """Today tells of room that was made although nobody sends anything."""
    disk = Disk(50)
    room = Room(tmp_path, LIMITS, look=disk)

    async def scene() -> None:
        watch = asyncio.create_task(room.run())
        while not room.refusing:
            await asyncio.sleep(0)
        watch.cancel()

    asyncio.run(asyncio.wait_for(scene(), 10))


def test_a_servers_disk_is_the_servers_business() -> None:
    """With the store in a database nothing is looked at here."""
    room = Room(None, LIMITS, look=Disk(0))
    room.require()
    assert (room.refusing, room.notice) == ("", "")
