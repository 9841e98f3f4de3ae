"""The folder as destination: whole files under their own names, on a real disk."""

from __future__ import annotations

import asyncio
import errno
import os
from pathlib import Path

import pytest

from bridge.deliver.folder import FolderClient, write_whole
from bridge.model import Acknowledgement, Answer, Message
from bridge.settings import FolderDestination
from tests.peers.outgoing import bundle, oru


def sent(folder: Path, *messages: Message) -> list[Acknowledgement]:
    """Send messages into ``folder``, one after the other."""

    async def whole() -> list[Acknowledgement]:
        client = FolderClient(FolderDestination(kind="folder", name="record", path=folder))
        answers = [await client.send(message) for message in messages]
        await client.close()
        return answers

    return asyncio.run(whole())


def test_each_message_is_one_whole_file(tmp_path: Path) -> None:
    """Name from the control ID, ending from the format, the very bytes, and nothing else left in the folder."""
    assert [answer.code for answer in sent(tmp_path, oru("EPOCHM1"), bundle("EPOCHM2"))] == ["written", "written"]
    assert {path.name: path.read_bytes() for path in tmp_path.iterdir()} == {
        "EPOCHM1.hl7": oru("EPOCHM1").payload,
        "EPOCHM2.json": bundle("EPOCHM2").payload,
    }


def test_the_same_message_again_is_accepted(tmp_path: Path) -> None:
    """A crash between the file and its note in the store: the second try finds the first one's file, untouched."""
    sent(tmp_path, oru("EPOCHM1"))
    before = (tmp_path / "EPOCHM1.hl7").stat()
    assert sent(tmp_path, oru("EPOCHM1")) == [Acknowledgement(answer=Answer.ACCEPTED, code="there already")]
    after = (tmp_path / "EPOCHM1.hl7").stat()
    assert (before.st_ino, before.st_mtime_ns) == (after.st_ino, after.st_mtime_ns)


def test_other_content_under_the_name_is_refused(tmp_path: Path) -> None:
    """Nothing is overwritten: a person must see that two results claim one identity."""
    (tmp_path / "EPOCHM1.hl7").write_bytes(b"somebody else's")
    assert sent(tmp_path, oru("EPOCHM1")) == [Acknowledgement(answer=Answer.REFUSED, code="other content there")]
    assert (tmp_path / "EPOCHM1.hl7").read_bytes() == b"somebody else's"


def test_the_rest_of_a_crash_is_written_over(tmp_path: Path) -> None:
    """Half a temporary file from a power cut neither counts nor disturbs."""
    (tmp_path / ".EPOCHM1.hl7.part").write_bytes(b"half")
    assert [answer.code for answer in sent(tmp_path, oru("EPOCHM1"))] == ["written"]
    assert [path.name for path in tmp_path.iterdir()] == ["EPOCHM1.hl7"]
    assert (tmp_path / "EPOCHM1.hl7").read_bytes() == oru("EPOCHM1").payload


@pytest.mark.parametrize("control_id", ["", "../up", "a", "EPOCH M1", "X" * 21, "EPOCHM1\n", "ÉPOCHM1"])
def test_a_strange_control_id_makes_no_file(tmp_path: Path, control_id: str) -> None:
    """A name never leads out of the folder, nor to a file that a receiver would trip over."""
    folder = tmp_path / "in"
    folder.mkdir()
    assert sent(folder, oru(control_id)) == [Acknowledgement(answer=Answer.REFUSED, code="no file name")]
    assert list(tmp_path.rglob("*")) == [folder]


def test_a_missing_folder_closes_the_destination(tmp_path: Path) -> None:
    """An unmounted share must not be written under its empty mount point: the folder is never made."""
    answer = sent(tmp_path / "away", oru("EPOCHM1"))[0]
    assert (answer.answer, answer.code) == (Answer.CLOSED, "no such folder")
    assert not (tmp_path / "away").exists()


def test_a_file_in_the_folders_place_closes_the_destination(tmp_path: Path) -> None:
    """A configuration fault, told as one."""
    (tmp_path / "file").write_bytes(b"")
    answer = sent(tmp_path / "file", oru("EPOCHM1"))[0]
    assert (answer.answer, answer.code) == (Answer.CLOSED, "no such folder")


@pytest.mark.parametrize(
    ("number", "answer", "code"),
    [
        (errno.ENOSPC, Answer.TRY_AGAIN, "no room"),
        (errno.EDQUOT, Answer.TRY_AGAIN, "no room"),
        (errno.EIO, Answer.TRY_AGAIN, "write failed"),
        (errno.ESTALE, Answer.TRY_AGAIN, "write failed"),
        (errno.EACCES, Answer.CLOSED, "no rights"),
        (errno.EROFS, Answer.CLOSED, "no rights"),
    ],
)
def test_a_failed_fsync_is_no_yes(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, number: int, answer: Answer, code: str
) -> None:
    """Bytes that are not durable are not delivered, and neither the file nor its temporary is left to be picked up."""

    def fail(_: int) -> None:
        raise OSError(number, os.strerror(number))

    monkeypatch.setattr(os, "fsync", fail)
    found = sent(tmp_path, oru("EPOCHM1"))[0]
    assert (found.answer, found.code, found.text) == (answer, code, os.strerror(number))
    assert list(tmp_path.iterdir()) == []


def test_a_name_that_may_not_be_durable_is_made_durable_by_the_next_try(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The folder's fsync fails after the rename: the next try finds the file, and says yes only after file and folder are synced."""
    real, synced = os.fsync, []

    def fail_once(number: int) -> None:
        synced.append(Path(f"/proc/self/fd/{number}").readlink().name)
        if len(synced) == 2:
            raise OSError(errno.EIO, "scripted")
        real(number)

    monkeypatch.setattr(os, "fsync", fail_once)
    assert [answer.code for answer in sent(tmp_path, oru("EPOCHM1"), oru("EPOCHM1"))] == ["write failed", "there already"]
    assert synced == [".EPOCHM1.hl7.part", tmp_path.name, "EPOCHM1.hl7", tmp_path.name]


def test_a_watcher_never_sees_half_a_file(tmp_path: Path) -> None:
    """A receiver that reads the moment a name appears reads the whole message."""
    payload = b"y" * 5_000_000
    path = tmp_path / "EPOCHM1.hl7"

    async def whole() -> int:
        writing = asyncio.create_task(asyncio.to_thread(write_whole, path, payload))
        while not path.exists():
            await asyncio.sleep(0)
        size = path.stat().st_size
        await writing
        return size

    assert asyncio.run(asyncio.wait_for(whole(), 20)) == len(payload)
