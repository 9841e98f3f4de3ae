"""Messages that are sent as soon as they are recorded: their first try begins in the commit that makes them, and nobody asks the store for them."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Protocol

from bridge.model import Message
from bridge.store.commands import Lease


class Outlet(Protocol):
    """What sends the messages of one destination, as far as who makes them is concerned."""

    def offer(self, message: Message) -> Offer | None:
        """Give leave to begin the first try of ``message`` with its making; None where it has to wait with the others.

        To be asked just before the command that makes it is submitted, and to be told what came of that.
        """

    def came(self) -> None:
        """Hear that a delivery was made which waits in the store."""

    def wake(self) -> None:
        """Look again at once."""


@dataclass(kw_only=True, slots=True)
class Offer:
    """Leave to begin a try: under ``lease``, the destination's, in the queue's run number ``run``."""

    message: Message
    lease: Lease | None
    run: int
    told: Callable[[Offer, int, int | None], None]
    fell: Callable[[Offer, BaseException], None]

    def made(self, delivery_id: int, attempt: int | None) -> None:
        """Tell that the delivery is made, durably, and which try began with it, if one did."""
        self.told(self, delivery_id, attempt)

    def failed(self, error: BaseException) -> None:
        """Tell that the command that was to make it was refused, or may have been."""
        self.fell(self, error)
