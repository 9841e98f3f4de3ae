"""Places come back, are waited for no longer than is said, and are never found free by one who waits while another took them."""

from __future__ import annotations

import asyncio

from bridge.queue.places import Places


def test_a_place_is_taken_and_given_back() -> None:
    """What is left is what was there less what is taken, below zero too: urgent messages are let in beyond the last."""
    places = Places(2)
    assert places.left() == 2
    for left in (1, 0, -1):
        places.take()
        assert places.left() == left
    places.give()
    assert places.left() == 0
    places.clear()
    assert (places.left(), places.taken) == (2, 0)


def test_who_waits_goes_on_once_a_place_is_free() -> None:
    """Two wait for one place: the quicker takes it, and the other waits for the next."""

    async def whole() -> list[str]:
        places, went = Places(1), []
        places.take()

        async def one(name: str) -> None:
            await places.wait(at_most_s=60)
            places.take()
            went.append(name)

        tasks = [asyncio.create_task(one(name)) for name in ("first", "second")]
        await asyncio.sleep(0)
        places.give()
        await tasks[0]
        await asyncio.sleep(0)
        assert went == ["first"]
        places.give()
        await tasks[1]
        return went

    assert asyncio.run(whole()) == ["first", "second"]


def test_who_waits_long_enough_goes_on_without_a_place() -> None:
    """A receiver that is slow holds up nobody who judges for longer than a moment."""

    async def whole() -> int:
        places = Places(1)
        places.take()
        await places.wait(at_most_s=0.01)
        return places.left()

    assert asyncio.run(whole()) == 0
