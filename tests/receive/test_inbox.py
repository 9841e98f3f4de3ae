"""Bytes that wait to be taken."""

import asyncio

from bridge.receive.inbox import FULL, Inbox


def test_bytes_come_out_in_order_then_the_end() -> None:
    """What was put before the end is given before the end is seen, and the end is seen again and again."""

    async def scene() -> list[bytes]:
        inbox = Inbox(pause=lambda: None, resume=lambda: None)
        waiting = asyncio.create_task(inbox.read())
        await asyncio.sleep(0)
        inbox.put(b"a")
        first = await waiting
        inbox.put(b"b")
        inbox.put(b"c")
        inbox.end()
        return [first, await inbox.read(), await inbox.read(), await inbox.read(), inbox.read_now()]

    assert asyncio.run(scene()) == [b"a", b"bc", b"", b"", b""]


def test_a_cancelled_read_loses_nothing() -> None:
    """A timer that runs out while a read waits must not cost a byte."""

    async def scene() -> bytes:
        inbox = Inbox(pause=lambda: None, resume=lambda: None)
        waiting = asyncio.create_task(inbox.read())
        await asyncio.sleep(0)
        inbox.put(b"a")
        waiting.cancel()
        await asyncio.wait([waiting])
        return await inbox.read()

    assert asyncio.run(scene()) == b"a"


def test_a_full_inbox_asks_the_wire_to_pause_once() -> None:
    """A store that is slow costs no memory: the wire is paused at the bound and resumed when all was taken."""
    said: list[str] = []

    async def scene() -> None:
        inbox = Inbox(pause=lambda: said.append("pause"), resume=lambda: said.append("resume"))
        inbox.put(b"x" * (FULL - 1))
        assert said == []
        inbox.put(b"x")
        inbox.put(b"x")
        assert len(inbox.read_now()) == FULL + 1
        inbox.put(b"y")
        assert inbox.read_now() == b"y"

    asyncio.run(scene())
    assert said == ["pause", "resume"]
