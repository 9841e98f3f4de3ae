"""An event loop whose time is a number: waiting costs nothing, and the same tasks always take the same turns."""

from __future__ import annotations

import asyncio
import selectors
from collections.abc import Callable
from concurrent.futures import Executor
from typing import Any, TypeVar, TypeVarTuple

_Asked = TypeVarTuple("_Asked")
_Told = TypeVar("_Told")


class _NoWire(selectors.SelectSelector):
    """Waits for no file; when the loop would wait for a timer, its time is put forward instead."""

    loop: VirtualLoop

    def select(self, timeout: float | None = None) -> list[Any]:
        if timeout is None:
            raise RuntimeError("everything waits, and no timer runs: nothing can ever happen again")
        self.loop.put_forward(max(timeout, 0.0))
        return []


class VirtualLoop(asyncio.SelectorEventLoop):
    """A loop of one thread, without files or sockets. ``time`` begins at 0 s."""

    def __init__(self) -> None:
        self._now_s = 0.0
        selector = _NoWire()
        super().__init__(selector)
        selector.loop = self

    def time(self) -> float:
        """Give the seconds since the loop was made."""
        return self._now_s

    def put_forward(self, seconds: float) -> None:
        """Let time pass."""
        self._now_s += seconds

    def run_in_executor(
        self, executor: Executor | None, func: Callable[[*_Asked], _Told], *args: *_Asked
    ) -> asyncio.Future[_Told]:
        """Do it here and now, instead of on a thread that would have a time of its own."""
        del executor
        future: asyncio.Future[_Told] = self.create_future()
        try:
            future.set_result(func(*args))
        except Exception as fault:  # told to the one who asked, as an executor does
            future.set_exception(fault)
        return future

    def _write_to_self(self) -> None:
        """Wake nobody: everything happens on this thread, and what it has put in line is seen before the next wait."""
