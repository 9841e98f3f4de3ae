"""A failed fsync: the service stops acknowledging, says so, and never tries the fsync again and goes on.

PostgreSQL has done the same since 2018 ("PANIC on fsync() failure"): after an fsync error the kernel may have dropped the pages
and marked them clean, so that a second fsync that returns well proves nothing.
"""

from __future__ import annotations

import errno
import os
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import ExitStack
from pathlib import Path

import pytest

from tests.faults.records import TWO
from tests.faults.scene import Scene
from tests.faults.strips import Batch
from tests.receive.independent_sender import IndependentSender, frame

ACK, NAK, EOT = b"\x06", b"\x15", b"\x04"
PATIENCE_S = 120.0
MANY = 60  # strips: more than the service takes between two moves of its log

pytestmark = [pytest.mark.needs_root, pytest.mark.slow]


@pytest.fixture
def stack() -> Iterator[ExitStack]:
    with ExitStack() as opened:
        yield opened


def begin(tmp_path: Path, stack: ExitStack, *, way: str, seed: int) -> Scene:
    """Start the service and see one batch through to both receivers, so that nothing but the next strip writes to the store."""
    scene = Scene(tmp_path, stack, way=way, seed=seed)
    scene.served.start()
    scene.served.wait_ready()
    cut = threading.Event()
    feeder = scene.feed(1, cut)
    assert scene.journal.wait_for_all(TWO, bound_s=PATIENCE_S)
    feeder.join()
    return scene


def wait(claim: Callable[[], object]) -> None:
    until = time.monotonic() + PATIENCE_S
    while not claim():
        assert time.monotonic() < until, "what was waited for did not come"
        time.sleep(0.02)


def says_so(scene: Scene) -> bool:
    """Say whether /health/ready says that it is not ready, and why."""
    status, answer = scene.served.health()
    reasons = " ".join(answer["reasons"])
    is_said = "SQLITE_IOERR_FSYNC" in reasons and "Nothing more is acknowledged; mend the disk and restart Padpost." in reasons
    return (status, answer["status"], is_said) == (503, "not ready", True)


def offer(sender: IndependentSender, batch: Batch) -> bytes:
    """Play a session as far as it goes; give the answers, one to ENQ and to each frame."""
    said = sender.ask()
    if said == ACK:
        for number, record in enumerate(batch.records, start=1):
            answer = sender.give(frame(number, record))
            said += answer
            if answer != ACK:
                break
    sender.put(EOT)
    return said


def test_a_line_gets_nak_and_never_ack_again_until_the_restart(tmp_path: Path, stack: ExitStack) -> None:
    """The last frame is answered NAK; later, with the disk well again, the line is still refused; a restart takes it all."""
    scene = begin(tmp_path, stack, way="serial", seed=21)
    assert scene.line is not None
    second = scene.batch(1)
    scene.disk.tell(f"set fsync_errno {errno.EIO}")
    scene.journal.submitted(second.strips[0])
    with scene.line() as descriptor:
        sender = IndependentSender(descriptor)
        assert offer(sender, second) == ACK * len(second.records) + NAK
        wait(lambda: says_so(scene))
        scene.disk.tell("set fsync_errno 0")
        fsyncs = scene.disk.tell("stats")["fsyncs"]
        for _ in range(3):
            assert offer(sender, second).endswith(NAK)
    assert scene.disk.tell("stats")["fsyncs"] == fsyncs
    assert says_so(scene)
    assert [each.strip for each in scene.journal.history.arrived if each.strip == second.strips[0].name] == []
    scene.served.stop()
    scene.drain(3)
    assert scene.journal.history.faults(TWO) == []


def test_a_file_stays_in_place_until_the_restart(tmp_path: Path, stack: ExitStack) -> None:
    """The file is not moved to done/ however often the sweep comes back to it; a restart takes it."""
    scene = begin(tmp_path, stack, way="file", seed=22)
    second = scene.batch(1)
    part = scene.drops / "second.part"
    with part.open("wb") as file:
        file.write(second.text)
        file.flush()
        os.fsync(file.fileno())
    for strip in second.strips:
        scene.journal.submitted(strip)
    scene.disk.tell(f"set fsync_errno {errno.EIO}")
    part.rename(scene.drops / second.name)
    wait(lambda: says_so(scene))
    scene.disk.tell("set fsync_errno 0")
    fsyncs = scene.disk.tell("stats")["fsyncs"]
    wait(lambda: scene.served.log.count("capture.not_kept") >= 4)
    assert scene.disk.tell("stats")["fsyncs"] == fsyncs
    assert says_so(scene)
    assert (scene.drops / second.name).read_bytes() == second.text
    assert not (scene.drops / "done" / second.name).exists()
    scene.served.stop()
    scene.drain(3)
    assert scene.journal.history.faults(TWO) == []


def test_a_checkpoint_that_cannot_be_synced_stops_the_service_too(tmp_path: Path, stack: ExitStack) -> None:
    """SQLite itself passes over an fsync that fails while it moves the log into the file, and tries it again at some later commit."""
    scene = begin(tmp_path, stack, way="serial", seed=23)
    scene.disk.tell(f"set fsync_main {errno.EIO}")
    cut = threading.Event()
    feeder = scene.feed(MANY, cut)
    wait(lambda: says_so(scene))
    scene.disk.tell("set fsync_main 0")
    fsyncs = scene.disk.tell("stats")["fsyncs"]
    cut.set()
    feeder.join()
    taken = len(scene.journal.history.acknowledged)
    assert taken < MANY
    assert scene.line is not None
    with scene.line() as descriptor:
        assert offer(IndependentSender(descriptor), scene.batch(MANY)).endswith(NAK)
    assert scene.disk.tell("stats")["fsyncs"] == fsyncs
    assert says_so(scene)
    scene.served.stop()
    scene.drain(MANY)
    assert scene.journal.history.faults(TWO) == []
