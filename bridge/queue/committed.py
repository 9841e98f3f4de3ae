"""Messages that their receiver keeps and will answer later: waits that end, and answers that come apart from their try."""

from __future__ import annotations

import asyncio
from collections.abc import Callable
from datetime import datetime

import structlog

from bridge.lifecycle.answers import stop_words, unanswered_words
from bridge.model import Acknowledgement, Answer, DeliveryState
from bridge.queue.tries import Pace
from bridge.store.api import Store
from bridge.store.asking import ask
from bridge.store.awaited import done
from bridge.store.commands import EndWait, NoteAnswer, NotedAnswer

log = structlog.get_logger()

ANSWER_LOOK_S = 0.2  # ours: an answer that came before the end of its try is brought again this often; a receiver waits some seconds for its CA
WAITS_AT_ONCE = 100  # ours: waits ended in one go


class Committed:
    """What one destination still owes an answer for."""

    def __init__(self, store: Store, name: str, pace: Pace, now: Callable[[], datetime]) -> None:
        self._store = store
        self._name = name
        self._pace = pace
        self._now = now

    async def end_waits(self, now: datetime) -> None:
        """End the waits for answers that did not come in time."""
        if self._pace.application is None:
            return
        sentence, remedy = unanswered_words(self._name, waited=self._pace.application)
        while late := await ask(self._store, self._store.unanswered, self._name, now=now, limit=WAITS_AT_ONCE):
            for delivery_id in late:
                is_yes = self._pace.silence_is_yes
                state = await done(
                    self._store, EndWait(delivery_id=delivery_id, at=now, is_yes=is_yes, sentence=sentence, remedy=remedy)
                )
                log.warning("delivery.unanswered", delivery=delivery_id, destination=self._name, state=state.value)

    async def settle(self, control_id: str, acknowledgement: Acknowledgement) -> bool:
        """Note durably an answer that came apart from its try; say whether the message is one of ours. Raises StoreError.

        It waits for the end of a try of that message that is not noted yet, or is another process's.
        """
        noted = await self._noted(control_id, acknowledgement)
        while noted is not None and noted.state is DeliveryState.SENDING:
            await asyncio.sleep(ANSWER_LOOK_S)
            noted = await self._noted(control_id, acknowledgement)
        if noted is None:
            return False
        log.info(
            "delivery.answered_late",
            delivery=noted.delivery_id,
            destination=self._name,
            state=noted.state.value,
            answer=acknowledgement.code,
            counts=noted.counts,
        )
        return True

    async def _noted(self, control_id: str, acknowledgement: Acknowledgement) -> NotedAnswer | None:
        now = self._now()
        sentence, remedy = stop_words(self._name, acknowledgement)
        again = now + self._pace.first if acknowledgement.answer is Answer.TRY_AGAIN else None
        noted: NotedAnswer | None = await done(
            self._store,
            NoteAnswer(
                destination=self._name, control_id=control_id, acknowledgement=acknowledgement, at=now, due_at=again, sentence=sentence,
                remedy=remedy,
            )
        )  # fmt: skip
        return noted
