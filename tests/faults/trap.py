"""Waits for a happening that somebody else reports, and strikes at it while the reporter waits."""

from __future__ import annotations

import threading
import time
from collections.abc import Callable


class Trap:
    """Strikes at the n-th happening of one kind, or some time after it, while whoever reports it waits. Safe from any thread."""

    def __init__(self) -> None:
        self.sprung = threading.Event()
        self._lock = threading.Lock()
        self._kind = ""
        self._left = 0
        self._after_s = 0.0
        self._strike: Callable[[], object] = lambda: None

    def set(self, kind: str, count: int, after_s: float, strike: Callable[[], object]) -> None:
        """Call ``strike`` ``after_s`` after the ``count``-th ``kind`` from now."""
        with self._lock:
            self.sprung.clear()
            self._kind, self._left, self._after_s, self._strike = kind, count, after_s, strike

    def put_away(self) -> None:
        """Strike at nothing."""
        self.set("", 0, 0.0, lambda: None)

    def happened(self, kind: str) -> bool:
        """Take a report; say whether the service was struck at it."""
        with self._lock:
            if kind != self._kind:
                return False
            self._left -= 1
            if self._left != 0:
                return False
            strike = self._strike
        time.sleep(self._after_s)
        strike()
        self.sprung.set()
        return True
