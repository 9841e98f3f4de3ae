"""Starts and commands flaky_proxy.py as a program of its own."""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path
from types import TracebackType
from typing import Any, Self


class FlakyProxy:
    """A proxy in front of ``port`` on loopback; ``self.port`` is where to call, at ``host``. Use as a context manager."""

    def __init__(self, port: int, host: str = "127.0.0.1") -> None:
        # setpriv (util-linux): the proxy dies with the test, also where that is killed
        dying = ["setpriv", "--pdeathsig", "KILL"]
        program = [*dying, sys.executable, str(Path(__file__).with_name("flaky_proxy.py")), "--to", f"127.0.0.1:{port}"]
        program += ["--listen", f"{host}:0"]
        self._process = subprocess.Popen(program, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True)
        self.port: int = self._read()["listening"][1]

    def _read(self) -> dict[str, Any]:
        assert self._process.stdout is not None
        line = self._process.stdout.readline()
        assert line, "the proxy ended"
        answer: dict[str, Any] = json.loads(line)
        return answer

    def command(self, **command: object) -> dict[str, Any]:
        """Give one command (see flaky_proxy.py); the answer says that it is in force."""
        assert self._process.stdin is not None
        self._process.stdin.write(json.dumps(command) + "\n")
        self._process.stdin.flush()
        answer = self._read()
        assert answer["ok"], answer
        return answer

    def __enter__(self) -> Self:
        """Give itself; it runs already."""
        return self

    def __exit__(self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None) -> None:
        """End the program."""
        self._process.terminate()
        self._process.communicate(timeout=60)
