"""The simulated disk of lossyfs.py as a test holds it: mounted, cut, mounted again."""

from __future__ import annotations

import json
import os
import socket
import subprocess
import sys
import time
from pathlib import Path
from types import TracebackType
from typing import Any, Self

PATIENCE_S = 20.0


def sync_folder(folder: Path) -> None:
    """Make the names in ``folder`` durable."""
    descriptor = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(descriptor)
    finally:
        os.close(descriptor)


class Disk:
    """A disk at ``place`` that forgets what was never fsynced, names of files too. Needs root, /dev/fuse and fusermount.

    ``cut`` drops what is unsynced and lets every call fail from then on; ``mount_again`` is the power coming back: a new
    mount, so that nothing is left in the kernel's cache of the old one. Use as a context manager.
    """

    def __init__(self, home: Path, *, seed: int) -> None:
        self.place = home / "disk"
        self.lost_bytes = 0
        self._backing = home / "disk.backing"
        self._control = home / "disk.control"
        self._words = home / "disk.words"
        self._seed = seed
        for folder in (self.place, self._backing):
            folder.mkdir()

    def __enter__(self) -> Self:
        """Mount it."""
        self._mount()
        return self

    def __exit__(self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None) -> None:
        """Take it off, whatever still uses it."""
        self._unmount()

    def cut(self, *, torn: bool) -> None:
        """Cut the power. ``torn``: a random part of the unsynced sectors survives, as on a real disk."""
        self.lost_bytes += self.tell("crash torn" if torn else "crash")["lost_bytes"]

    def mount_again(self) -> None:
        """Let the power come back. Everything that used the disk must be dead."""
        self._unmount()
        self._mount()

    def tell(self, command: str) -> dict[str, Any]:
        """Give one command of lossyfs.py; the answer has its counters."""
        with socket.socket(socket.AF_UNIX) as line, line.makefile("rw") as talk:
            line.settimeout(PATIENCE_S)
            line.connect(str(self._control))
            talk.write(command + "\n")
            talk.flush()
            answer: dict[str, Any] = json.loads(talk.readline())
        assert answer["ok"], answer
        return answer

    def _mount(self) -> None:
        program = Path(__file__).with_name("lossyfs.py")
        command = [sys.executable, str(program), str(self._backing), str(self.place)]
        with self._words.open("ab") as words:
            self._server = subprocess.Popen(
                [*command, "--control", str(self._control), "--seed", str(self._seed), "--lose-dirs"],
                stdout=words,
                stderr=words,
                start_new_session=True,
            )
        self._seed += 1
        until = time.monotonic() + PATIENCE_S
        while not (self.place.is_mount() and self._control.is_socket()):
            assert self._server.poll() is None, self._words.read_text()
            assert time.monotonic() < until, "the disk was not mounted"
            time.sleep(0.02)

    def _unmount(self) -> None:
        subprocess.run(["fusermount", "-u", "-z", str(self.place)], check=True, timeout=PATIENCE_S)
        try:
            self._server.wait(PATIENCE_S)
        except subprocess.TimeoutExpired:
            self._server.kill()
            self._server.wait(PATIENCE_S)
        self._control.unlink(missing_ok=True)
