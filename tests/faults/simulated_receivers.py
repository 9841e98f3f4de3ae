"""The simulated record systems and the wires to them."""

from __future__ import annotations

import asyncio
import json
import random
from asyncio import Event
from collections.abc import Collection, Mapping
from typing import Protocol

from bridge.errors import StoreError
from bridge.lifecycle.answers import Silence, no_answer
from bridge.model import Acknowledgement, Answer, Message
from bridge.queue.lanes import DestinationQueue
from tests.faults.history import Arrived, History
from tests.faults.virtual_loop import VirtualLoop

ANSWER_S = 30.0
LATE_S = (20.0, 20.0, 20.0, 60.0, 1200.0)  # a second answer that is late comes at most one of these after its message


class Hears(Protocol):
    """A process to which a receiver says what became of a message."""

    is_dead: bool
    died: Event

    @property
    def queues(self) -> Mapping[str, DestinationQueue]:
        """Give its queue for each receiver."""


class Surroundings(Protocol):
    """What a receiver needs to know of the world that it stands in."""

    chance: random.Random
    loop: VirtualLoop
    history: History
    moved: Event
    found: list[str]

    @property
    def living(self) -> list[Hears]:
        """Give the processes that are not dead."""

    def strikes(self, fault: str) -> bool:
        """Say whether a fault comes now, and count it."""


class Receiver:
    """A record system and the wire to it. What it takes it holds for good."""

    yes = Acknowledgement(answer=Answer.ACCEPTED, code="AA")
    put_off: Collection[str] = ()

    def __init__(self, world: Surroundings, name: str) -> None:
        self.name = name
        self.away_until = 0.0
        self.closed_until = 0.0
        self._world = world

    def take(self, message: Message, *, held: bool = True) -> None:
        """Note that a message came."""
        told = json.loads(message.payload)
        self._world.history.arrived.append(
            Arrived(
                receiver=self.name, strip=told["strip"], patient=told["patient"], control_id=message.control_id,
                filler=message.result_id, content=message.payload, held=held,
            )
        )  # fmt: skip
        self._world.moved.set()

    async def answer(self, message: Message) -> Acknowledgement:
        """Give what comes of one try; the message may arrive in spite of a silence."""
        world, loop = self._world, self._world.loop
        if self._is_away():
            return no_answer(Silence.NO_CONNECTION)
        await asyncio.sleep(world.chance.uniform(0.001, 0.05))
        if self._is_closed():
            return Acknowledgement(answer=Answer.CLOSED, code="HTTP 401")
        if world.strikes("message lost"):
            return await self._silence()
        if world.strikes("message late"):
            loop.call_later(world.chance.uniform(1, 90), self.take, message)
            return await self._silence()
        if world.strikes("later, please"):
            return Acknowledgement(answer=Answer.TRY_AGAIN, code="AR 207", retry_after_s=world.chance.choice((None, 5.0, 120.0)))
        if world.strikes("edited at the same time"):
            return Acknowledgement(answer=Answer.TRY_AGAIN, code="HTTP 409")
        if world.strikes("refused"):
            self.take(message, held=False)
            return Acknowledgement(answer=Answer.REFUSED, code="AE")
        self.take(message)
        if world.strikes("message twice"):
            loop.call_later(world.chance.uniform(0, 60), self.take, message)
        if world.strikes("answer lost"):
            return await self._silence()
        await asyncio.sleep(world.chance.uniform(0.001, 0.05))
        return self.yes

    def _is_away(self) -> bool:
        if self._world.strikes("nobody there"):
            self.away_until = self._world.loop.time() + self._world.chance.uniform(1, 120)
        return self._world.loop.time() < self.away_until

    def _is_closed(self) -> bool:
        if self._world.strikes("door closed"):
            self.closed_until = self._world.loop.time() + self._world.chance.uniform(1, 240)
        return self._world.loop.time() < self.closed_until

    @property
    def is_owing(self) -> bool:
        """Say whether an answer is still to come."""
        return False

    async def hush(self) -> None:
        """Say nothing more of its own accord: it never does."""

    async def _silence(self) -> Acknowledgement:
        is_cut = self._world.chance.random() < 0.5
        await asyncio.sleep(self._world.chance.uniform(0.01, 5) if is_cut else ANSWER_S)
        return no_answer(Silence.LOST if is_cut else Silence.TIMEOUT)


class LateReceiver(Receiver):
    """A record system that says at once that it keeps a message (HL7 2.5.1 section 2.9.3: CA), and later what became of it.

    It says that to whichever process lives then, until one has noted it. What it once took it takes again.
    """

    yes = Acknowledgement(answer=Answer.COMMITTED, code="CA")

    def __init__(self, world: Surroundings, name: str) -> None:
        super().__init__(world, name)
        self._taken: set[str] = set()
        self.put_off: set[str] = (
            set()
        )  # told "later" as the last word: where nobody waits for an answer any more, that is a person's matter
        self._owed: list[asyncio.Task[None]] = []

    def take(self, message: Message, *, held: bool = True) -> None:
        """Note that a message came, and owe an answer. What is turned away at once is owed none."""
        if not held:
            super().take(message, held=False)
            return
        answer = self._second(message.control_id)
        is_yes = answer.answer is Answer.ACCEPTED
        if is_yes:
            self._taken.add(message.control_id)
        super().take(message, held=is_yes)
        is_late = answer.answer is not Answer.TRY_AGAIN and self._world.strikes(
            "second answer late"
        )  # "later" too late changes nothing
        wait_s = self._world.chance.uniform(0, self._world.chance.choice(LATE_S) if is_late else 2.0)
        self._owed.append(self._world.loop.create_task(self._tell(message.control_id, answer, wait_s)))
        if is_yes and self._world.strikes("second answer twice"):
            again_s = wait_s + self._world.chance.uniform(0, self._world.chance.choice(LATE_S))
            self._owed.append(self._world.loop.create_task(self._tell(message.control_id, answer, again_s)))

    def _second(self, control_id: str) -> Acknowledgement:
        if control_id not in self._taken:
            if self._world.strikes("put off by the second answer"):
                return Acknowledgement(answer=Answer.TRY_AGAIN, code="AE 207")
            if self._world.strikes("refused by the second answer"):
                return Acknowledgement(answer=Answer.REFUSED, code="AE 204")
        return Acknowledgement(answer=Answer.ACCEPTED, code="AA")

    async def _tell(self, control_id: str, answer: Acknowledgement, wait_s: float) -> None:
        await asyncio.sleep(wait_s)
        while not await self._told(control_id, answer):
            await asyncio.sleep(self._world.chance.uniform(0.5, 10))

    async def _told(self, control_id: str, answer: Acknowledgement) -> bool:
        """Say it to a process that lives; True once that has noted it, and lives to say so."""
        living = self._world.living
        if not living:
            return False
        process = self._world.chance.choice(living)
        settling = asyncio.ensure_future(process.queues[self.name].settle(control_id, answer))
        dying = asyncio.ensure_future(process.died.wait())
        await asyncio.wait({settling, dying}, return_when=asyncio.FIRST_COMPLETED)
        is_noted = settling.done() and not settling.cancelled() and settling.exception() is None
        for task in (settling, dying):
            task.cancel()
        ended, _ = await asyncio.gather(settling, dying, return_exceptions=True)
        if isinstance(ended, Exception) and not isinstance(ended, StoreError):
            raise ended
        if is_noted and not settling.result():
            self._world.found.append(f"{self.name}: {control_id} was sent and is not known when its second answer comes")
        if is_noted:
            (self.put_off.add if answer.answer is Answer.TRY_AGAIN else self.put_off.discard)(control_id)
        self._world.moved.set()
        return is_noted

    @property
    def is_owing(self) -> bool:
        """Say whether an answer was not said yet, or nobody noted it."""
        return any(not task.done() for task in self._owed)

    async def hush(self) -> None:
        """Say nothing more. Raises what one of the answers fell over."""
        for task in self._owed:
            task.cancel()
        for ended in await asyncio.gather(*self._owed, return_exceptions=True):
            if isinstance(ended, Exception):
                raise ended
