"""Turns go to the most urgent that waits, are never lost, and never more are out than there are."""

from __future__ import annotations

import asyncio

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bridge.queue.turns import Rank, Turns


@given(st.integers(1, 4), st.lists(st.tuples(st.integers(0, 1), st.booleans()), max_size=20))
def test_the_lowest_rank_that_waits_is_next(most: int, waiters: list[tuple[int, bool]]) -> None:
    """Any mix of urgent and routine, some of them cancelled while they wait: order by rank, all served, no turn lost."""

    async def whole() -> None:
        turns, served, out = Turns(most), [], 0
        gate = asyncio.Event()

        async def one(rank: Rank) -> None:
            nonlocal out
            async with turns.turn(rank):
                out += 1
                assert out <= most
                await gate.wait()
                served.append(rank)
                out -= 1

        ranks = [(urgency, age) for age, (urgency, _) in enumerate(waiters)]
        tasks = [asyncio.create_task(one(rank)) for rank in ranks]
        await asyncio.sleep(0)
        first = ranks[:most]
        gone = [rank for rank, (_, is_gone) in zip(ranks, waiters, strict=True) if is_gone and rank not in first]
        for rank in gone:
            tasks[ranks.index(rank)].cancel()
        gate.set()
        await asyncio.gather(*tasks, return_exceptions=True)
        assert served == [*first, *sorted(set(ranks) - set(first) - set(gone))]
        async with turns.turn((0, -1)):  # as many turns are left as there were
            pass
        assert turns._free == most

    asyncio.run(whole())


def test_a_turn_given_to_one_that_is_cancelled_goes_on() -> None:
    """Between being given the turn and waking up a task may be cancelled: the next one gets it, or everything would stand still."""

    async def whole() -> list[str]:
        turns, served = Turns(1), []

        async def one(name: str, age: int) -> None:
            async with turns.turn((1, age)):
                served.append(name)

        async with turns.turn((0, 0)):
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
            async with turns.turn((1, 1)):
                raise ValueError("defect")
        async with turns.turn((1, 2)):
            pass

    asyncio.run(whole())
