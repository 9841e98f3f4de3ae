"""What is owed is noted once there is room, in its order, and another process's destination is left alone."""

from __future__ import annotations

import asyncio
from concurrent.futures import Future
from typing import Any, cast

import pytest

from bridge.errors import LeaseLost, StoreFull
from bridge.lifecycle.answers import Silence, no_answer
from bridge.queue.owed import Owed
from bridge.store.api import Store
from bridge.store.commands import EndAttempt
from tests.store.strips import NOW


class Ledger:
    """A store that notes ends of tries, or refuses them with what is left in ``refusals``."""

    def __init__(self, *refusals: Exception) -> None:
        self.refusals = list(refusals)
        self.noted: list[int] = []

    def submit(self, command: EndAttempt) -> Future[Any]:
        """Refuse, or note and give nothing."""
        future: Future[Any] = Future()
        if self.refusals:
            future.set_exception(self.refusals.pop(0))
        else:
            self.noted.append(command.attempt)
            future.set_result(None)
        return future


def end(attempt: int) -> EndAttempt:
    """Give the end of a try."""
    return EndAttempt(
        delivery_id=1, attempt=attempt, at=NOW, acknowledgement=no_answer(Silence.KEPT_BACK), due_at=NOW, expire=False, sentence="", remedy=""
    )  # fmt: skip


def test_what_is_owed_is_paid_in_its_order_and_stays_owed_while_there_is_no_room() -> None:
    """The first finds no room, so nothing is passed over; later both are noted, once."""
    ledger = Ledger(StoreFull("no room"))

    async def whole() -> None:
        owed = Owed(cast("Store", ledger))
        owed.add(end(1))
        owed.add(end(2))
        with pytest.raises(StoreFull):
            await owed.pay()
        assert ledger.noted == []
        await owed.pay()
        await owed.pay()

    asyncio.run(whole())
    assert ledger.noted == [1, 2]


def test_what_is_of_another_process_by_now_is_not_owed() -> None:
    """It makes the message due again itself."""
    ledger = Ledger(LeaseLost("another's"))

    async def whole() -> None:
        owed = Owed(cast("Store", ledger))
        owed.add(end(1))
        owed.add(end(2))
        await owed.pay()

    asyncio.run(whole())
    assert ledger.noted == [2]


@pytest.mark.parametrize(
    ("refusal", "called", "noted"), [(None, 1, [1]), (StoreFull("no room"), 1, [1]), (LeaseLost("another's"), 0, [])]
)
def test_an_end_that_nobody_waits_for(refusal: Exception | None, called: int, noted: list[int]) -> None:
    """It is noted at once, or owed; who asked looks again, unless the destination is another's."""
    ledger, calls = Ledger(*([refusal] if refusal else [])), []

    async def whole() -> None:
        owed = Owed(cast("Store", ledger))
        owed.note(end(1), then=lambda: calls.append(1))
        await asyncio.gather(*owed._noting)
        await owed.pay()

    asyncio.run(whole())
    assert (len(calls), ledger.noted) == (called, noted)
