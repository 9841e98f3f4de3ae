"""Looking, reading and moving on a real disk."""

from __future__ import annotations

import errno
import hashlib
import os
import socket
from pathlib import Path

import pytest

from bridge.receive import folder_files
from bridge.receive.folder_files import Glimpse, glimpse, look, put_away, shown, take


def test_look_gives_plain_files_and_what_is_neither_file_nor_folder(tmp_path: Path) -> None:
    """Oldest first; folders and dot names are left alone; links and pipes are seen for what they are, not for what they lead to."""
    for name, mtime in (("b", 100), ("a", 300), ("c", 100)):
        (tmp_path / name).write_bytes(b"x")
        os.utime(tmp_path / name, (mtime, mtime))
    (tmp_path / ".part").write_bytes(b"x")
    (tmp_path / "done").mkdir()
    os.mkfifo(tmp_path / "pipe")
    (tmp_path / "link").symlink_to(tmp_path / "a")
    (tmp_path / "dangling").symlink_to(tmp_path / "nowhere")
    found = look(tmp_path)
    assert [s.name for s in found if s.is_plain] == ["b", "c", "a"]
    assert sorted(s.name for s in found if not s.is_plain) == ["dangling", "link", "pipe"]


def test_take_gives_the_bytes_and_a_key(tmp_path: Path) -> None:
    """The key is a hash of name, time, size and content; computed here apart from the code."""
    (tmp_path / "r.txt").write_bytes(b"\x00\xffbytes\r\n")
    os.utime(tmp_path / "r.txt", ns=(5, 1_700_000_000_000_000_007))
    taken = take(tmp_path, look(tmp_path)[0])
    assert taken is not None
    assert taken.payload == b"\x00\xffbytes\r\n"
    content = hashlib.sha256(b"\x00\xffbytes\r\n").hexdigest()
    assert taken.origin == hashlib.sha256(f"r.txt\0{1_700_000_000_000_000_007}\0{9}\0{content}".encode()).hexdigest()


@pytest.mark.parametrize("change", [b"longer than before", b"less"])
def test_take_leaves_a_file_that_changed(tmp_path: Path, change: bytes) -> None:
    """A file that was seen complete and is being written again is not taken in halves."""
    (tmp_path / "r.txt").write_bytes(b"as it was")
    seen = look(tmp_path)[0]
    (tmp_path / "r.txt").write_bytes(change)
    assert take(tmp_path, seen) is None


@pytest.mark.parametrize("kind", ["link", "pipe", "socket"])
def test_nothing_but_a_plain_file_is_opened(tmp_path: Path, kind: str) -> None:
    """A file swapped for a link or a pipe since the look: no link is followed, no pipe is waited for."""
    path = tmp_path / "r.txt"
    path.write_bytes(b"x")
    seen = look(tmp_path)[0]
    path.unlink()
    if kind == "link":
        (tmp_path / "other").write_bytes(b"x")
        path.symlink_to(tmp_path / "other")
        with pytest.raises(OSError, match="symbolic links") as caught:
            take(tmp_path, seen)
        assert caught.value.errno == errno.ELOOP
    elif kind == "pipe":
        os.mkfifo(path)
        assert take(tmp_path, seen) is None
    else:
        with socket.socket(socket.AF_UNIX) as door:
            door.bind(str(path))
        with pytest.raises(OSError, match="No such device"):
            take(tmp_path, seen)


def test_glimpse_hashes_all_and_shows_the_beginning(tmp_path: Path) -> None:
    """A refused file is known by hash and size, and recognised by its first bytes."""
    content = bytes(range(256)) * 10_000
    (tmp_path / "big").write_bytes(content)
    expected = Glimpse(digest=hashlib.sha256(content).hexdigest(), size=2_560_000, beginning=content[:512])
    assert glimpse(tmp_path, look(tmp_path)[0]) == expected


def test_glimpse_opens_no_link(tmp_path: Path) -> None:
    """Of a link there is only its name: what it leads to is none of ours."""
    (tmp_path / "link").symlink_to("/etc/hostname")
    assert glimpse(tmp_path, look(tmp_path)[0]) == Glimpse(digest=hashlib.sha256(b"").hexdigest(), size=0, beginning=b"")


def test_put_away_never_overwrites(tmp_path: Path) -> None:
    """Three files of one name: all three are in done/, each with its own content."""
    for content in (b"one", b"two", b"three"):
        (tmp_path / "r.txt").write_bytes(content)
        assert put_away(tmp_path, look(tmp_path)[0], "done")
    assert {p.name: p.read_bytes() for p in (tmp_path / "done").iterdir()} == {
        "r.txt": b"one",
        "r~2.txt": b"two",
        "r~3.txt": b"three",
    }


def test_put_away_minds_a_dangling_link_of_that_name(tmp_path: Path) -> None:
    """A name is taken if anything has it, even a link that leads nowhere."""
    (tmp_path / "done").mkdir()
    (tmp_path / "done" / "r.txt").symlink_to(tmp_path / "nowhere")
    (tmp_path / "r.txt").write_bytes(b"one")
    assert put_away(tmp_path, look(tmp_path)[0], "done")
    assert (tmp_path / "done" / "r~2.txt").read_bytes() == b"one"


def test_put_away_leaves_a_version_that_nobody_captured(tmp_path: Path) -> None:
    """Written anew since it was read: the new version stays for the next sweep."""
    (tmp_path / "r.txt").write_bytes(b"captured")
    seen = look(tmp_path)[0]
    (tmp_path / "r.txt").write_bytes(b"new and longer")
    assert not put_away(tmp_path, seen, "done")
    assert (tmp_path / "r.txt").read_bytes() == b"new and longer"
    (tmp_path / "r.txt").unlink()
    assert not put_away(tmp_path, seen, "done")


def test_put_away_brings_back_a_version_swapped_in_at_the_last_moment(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Between the check and the move the sender writes a new version: it is moved back, not lost in done/."""
    (tmp_path / "r.txt").write_bytes(b"captured")
    seen = look(tmp_path)[0]
    free = folder_files._free

    def sender_writes_now(folder: Path, name: str) -> Path:
        if folder.name == "done":
            (tmp_path / "r.txt").write_bytes(b"new and longer")
        return free(folder, name)

    monkeypatch.setattr(folder_files, "_free", sender_writes_now)
    assert not put_away(tmp_path, seen, "done")
    assert (tmp_path / "r.txt").read_bytes() == b"new and longer"
    assert list((tmp_path / "done").iterdir()) == []


def test_both_folders_are_synced_after_the_move(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A rename is durable when the folders are: done/ first, so that no moment knows the file nowhere; a new done/ before that."""
    synced: list[str] = []
    fsync = os.fsync

    def note(descriptor: int) -> None:
        synced.append(Path(f"/proc/self/fd/{descriptor}").readlink().name)
        fsync(descriptor)

    monkeypatch.setattr(os, "fsync", note)
    (tmp_path / "r.txt").write_bytes(b"x")
    put_away(tmp_path, look(tmp_path)[0], "done")
    assert synced == [tmp_path.name, "done", tmp_path.name]
    synced.clear()
    (tmp_path / "s.txt").write_bytes(b"y")
    put_away(tmp_path, look(tmp_path)[0], "done")
    assert synced == ["done", tmp_path.name]


@pytest.mark.parametrize(("number", "passes"), [(errno.EINVAL, True), (errno.EIO, False)])
def test_a_failed_sync_is_told_from_one_that_the_disk_does_not_know(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, number: int, passes: bool
) -> None:
    """Some network mounts cannot sync a folder; a disk that fails at it must be heard."""

    def fail(descriptor: int) -> None:
        raise OSError(number, os.strerror(number), descriptor)

    monkeypatch.setattr(os, "fsync", fail)
    (tmp_path / "r.txt").write_bytes(b"x")
    if passes:
        assert put_away(tmp_path, look(tmp_path)[0], "done")
    else:
        with pytest.raises(OSError, match="Input/output error"):
            put_away(tmp_path, look(tmp_path)[0], "done")


def test_a_name_that_is_no_text_can_be_shown(tmp_path: Path) -> None:
    """File names are bytes; the store takes text."""
    raw = os.fsencode(tmp_path) + b"/r\xe9sum\xe9.txt"
    Path(os.fsdecode(raw)).write_bytes(b"x")
    seen = look(tmp_path)[0]
    assert shown(seen.name) == "r\\xe9sum\\xe9.txt"
    assert take(tmp_path, seen) is not None
    assert put_away(tmp_path, seen, "done")


def test_a_marker_may_be_gone_already(tmp_path: Path) -> None:
    """A second removal after a crash is no error."""
    (tmp_path / "r.txt.ready").write_bytes(b"")
    folder_files.drop_marker(tmp_path, "r.txt.ready")
    folder_files.drop_marker(tmp_path, "r.txt.ready")
    assert list(tmp_path.iterdir()) == []
