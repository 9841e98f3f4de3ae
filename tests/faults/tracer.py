"""strace on the service: its n-th call of a kind is where it dies, or fails. The service itself knows nothing of it."""

from __future__ import annotations

import os
import subprocess
from collections.abc import Sequence
from dataclasses import dataclass
from types import TracebackType
from typing import Self

PATIENCE_S = 20.0


@dataclass(frozen=True, kw_only=True)
class Spot:
    """Calls to be met: of which kinds, on which file (any, where empty), and from which one on, counted from 1 in each thread.

    ``what`` is what strace does there (strace(1), option -e inject): ``signal=KILL`` strikes before the call is done.
    """

    calls: str
    when: str
    what: str = "signal=KILL"
    path: str = ""

    @property
    def options(self) -> tuple[str, ...]:
        """Give strace's own."""
        on = ("-P", self.path) if self.path else ()
        return ("-f", "-e", f"trace={self.calls}", "-e", f"inject={self.calls}:{self.what}:when={self.when}", *on)


def under(spot: Spot) -> Sequence[str]:
    """Give what a command is run under from its first moment on; its process stays the one that was started."""
    return ("strace", "-D", "-qq", "-o", os.devnull, *spot.options)


class Tracer:
    """strace, attached to a running process. Use as a context manager: in force inside, gone behind."""

    def __init__(self, pid: int, spot: Spot) -> None:
        self._pid = pid
        self._spot = spot

    def __enter__(self) -> Self:
        """Attach; in force when it returns. Raises AssertionError where it cannot."""
        command = ["strace", "-o", os.devnull, *self._spot.options, "-p", str(self._pid)]
        self._strace = subprocess.Popen(command, stderr=subprocess.PIPE, text=True)
        assert self._strace.stderr is not None
        line = self._strace.stderr.readline()
        assert "attached" in line, f"strace said: {line}"
        return self

    def __exit__(self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None) -> None:
        """Let go; the process goes on if it lives."""
        self._strace.terminate()
        self._strace.communicate(timeout=PATIENCE_S)
