"""What an act on something stopped would do, before anybody does it: the act's own checks, over a store that keeps nothing."""

from __future__ import annotations

from collections.abc import Callable
from concurrent.futures import Future
from dataclasses import dataclass
from typing import Any, cast

from bridge.desk.actions import Desk
from bridge.model import Finding, Message
from bridge.store.api import Store
from bridge.store.commands import CloseStop
from bridge.store.rows import StopRow


@dataclass(frozen=True, kw_only=True, slots=True)
class Foreseen:
    """One message that would go. ``message`` None: it would be made later, once the destination may be written for."""

    destination: str
    message: Message | None


@dataclass(frozen=True, kw_only=True, slots=True)
class Foresight:
    """What would become of a strip: the outcome's word as the store has it, what stops it then, and the messages that would go.

    ``outcome`` is "" where nothing is left to judge. ``others`` are the further strips that come of the same bytes, where all of them are read again.
    """

    outcome: str
    findings: tuple[Finding, ...]
    messages: tuple[Foreseen, ...]
    others: tuple[Foresight, ...] = ()


Foresees = Callable[[StopRow, CloseStop], Foresight]


def intended(store: Store, desk: Desk, act: Callable[[Desk], None]) -> CloseStop:
    """Give the command that ``act`` on the desk would submit. Raises what the desk raises: RefusedAction or Overtaken."""
    heard = _Heard(store)
    act(desk.over(cast("Store", heard)))
    (command,) = heard.commands
    return command


class _Heard:
    """A store that answers what it is asked, and keeps nothing of what it is told."""

    def __init__(self, store: Store) -> None:
        self._store = store
        self.commands: list[CloseStop] = []

    def __getattr__(self, name: str) -> Any:
        return getattr(self._store, name)

    def submit(self, command: CloseStop) -> Future[Any]:
        self.commands.append(command)
        answered: Future[Any] = Future()
        answered.set_result(None)
        return answered
