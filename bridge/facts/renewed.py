"""What people entered, kept in memory for judging and read again every few seconds: no strip costs a query."""

from __future__ import annotations

from collections.abc import Callable
from datetime import datetime, timedelta
from typing import Generic, TypeVar

AS_LONG = timedelta(seconds=5)  # ours: what a person enters counts this soon, in every process on the store
_Value = TypeVar("_Value")


class Renewed(Generic[_Value]):
    """A value that is read anew once it is ``AS_LONG`` old, or was forgotten. May be asked from any thread."""

    def __init__(self, read: Callable[[datetime], _Value], now: Callable[[], datetime]) -> None:
        """``read`` gives the value as it is at a moment; what it raises is raised by ``value``, and nothing old is taken for new."""
        self._read = read
        self._now = now
        self._kept: tuple[datetime, _Value] | None = None
        self._forgotten = 0

    def value(self) -> _Value:
        """Give the value. A clock that was set makes it old."""
        now, kept = self._now(), self._kept
        if kept is not None and abs(now - kept[0]) < AS_LONG:
            return kept[1]
        before = self._forgotten
        read = self._read(now)
        if before == self._forgotten:  # what was forgotten while it was read may be older than what made it so
            self._kept = now, read
        return read

    def forget(self) -> None:
        """Read anew with the next strip: somebody entered something."""
        self._forgotten += 1
        self._kept = None
