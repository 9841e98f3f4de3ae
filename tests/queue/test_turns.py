"""Turns go to the most urgent that waits, are never lost, and never more are out than there are."""

from __future__ import annotations

import asyncio

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bridge.lifecycle.fairness import ROUTINE_TURN
from bridge.queue.turns import Turns


@given(st.integers(1, 4), st.lists(st.tuples(st.booleans(), st.booleans()), max_size=30))
def test_the_urgent_go_first_and_nobody_waits_for_ever(most: int, waiters: list[tuple[bool, bool]]) -> None:
    """Any mix of urgent and routine, some cancelled while they wait: in order, each eighth turn a routine one's, none lost."""

    async def whole() -> None:
        turns, served, out = Turns(most), [], 0
        gate = asyncio.Event()

        async def one(age: int, is_urgent: bool) -> None:
            nonlocal out
            async with turns.turn(age, is_urgent=is_urgent):
                out += 1
                assert out <= most
                await gate.wait()
                served.append(age)
                out -= 1

        tasks = [asyncio.create_task(one(age, is_urgent)) for age, (is_urgent, _) in enumerate(waiters)]
        await asyncio.sleep(0)
        gone = {age for age, (_, is_gone) in enumerate(waiters) if is_gone and age >= most}
        for age in gone:
            tasks[age].cancel()
        gate.set()
        await asyncio.gather(*tasks, return_exceptions=True)
        waiting = [age for age in range(most, len(waiters)) if age not in gone]
        urgent = [age for age in waiting if waiters[age][0]]
        routine = [age for age in waiting if not waiters[age][0]]
        expected = list(range(min(most, len(waiters))))
        while urgent or routine:
            is_routines = (len(expected) - most + 1) % ROUTINE_TURN == 0
            expected.append((routine if routine and (is_routines or not urgent) else urgent).pop(0))
        assert served == expected
        assert turns._free == most

    asyncio.run(whole())


def test_a_turn_given_to_one_that_is_cancelled_goes_on() -> None:
    """Between being given the turn and waking up a task may be cancelled: the next one gets it, or everything would stand still."""

    async def whole() -> list[str]:
        turns, served = Turns(1), []

        async def one(name: str, age: int) -> None:
            async with turns.turn(age, is_urgent=False):
                served.append(name)

        async with turns.turn(0, is_urgent=True):
            second, third = asyncio.create_task(one("second", 1)), asyncio.create_task(one("third", 2))
            await asyncio.sleep(0)
        second.cancel()  # it has the turn by now, and has not run yet
        with pytest.raises(asyncio.CancelledError):
            await second
        await third
        return served

    assert asyncio.run(whole()) == ["third"]


def test_a_turn_is_given_back_when_the_block_fails() -> None:
    """A defect in one try must not stop the others."""

    async def whole() -> None:
        turns = Turns(1)
        with pytest.raises(ValueError, match="defect"):
            async with turns.turn(1, is_urgent=False):
                raise ValueError("defect")
        async with turns.turn(2, is_urgent=False):
            pass

    asyncio.run(whole())
