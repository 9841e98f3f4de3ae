"""Open pages are told by one look at the store for all of them, for as long as they listen and the server runs."""

from __future__ import annotations

import asyncio
import json
from collections.abc import AsyncIterator

import httpx

from bridge.errors import StoreAway
from bridge.lifecycle.states import StopEnd
from bridge.pages import newsroom
from bridge.pages.newsroom import AWAY, MOST_STREAMS, Newsroom
from bridge.store.rows import News, Turns
from bridge.store.stop_commands import NoteStop
from tests.pages.stocked import Stocked, Visitor
from tests.store.stop_contract import assign
from tests.store.strips import BO, close

BOUND_S = 20.0  # a bound, not a pause


async def _next(stream: AsyncIterator[bytes]) -> bytes:
    async with asyncio.timeout(BOUND_S):
        return await anext(stream)


def _told(frame: bytes) -> dict[str, int]:
    head, _, rest = frame.decode().partition("data: ")
    assert head.endswith("event: news\n")
    told: dict[str, int] = json.loads(rest)
    told.pop("standing")
    return told


class Counted:
    """A store's news, counted, and away when a test says so."""

    is_shared = False

    def __init__(self, shelf: Stocked) -> None:
        self._store = shelf.store
        self.looks = 0
        self.is_away = False

    def news(self, *, after_stop: int, after_strip: int) -> News:
        """Give the store's own."""
        self.looks += 1
        if self.is_away:
            raise StoreAway("away")
        return self._store.news(after_stop=after_stop, after_strip=after_strip)

    def stop_turns(self, *, after: int) -> Turns:
        """Give the store's own."""
        return self._store.stop_turns(after=after)


def test_what_comes_is_told_to_every_page_by_one_look(shelf: Stocked) -> None:
    """Thirty pages cost the store what one costs; the look ends with the last page."""
    counted = Counted(shelf)
    room = Newsroom(counted)  # type: ignore[arg-type]  # all that it asks of a store

    async def listen() -> None:
        streams = [room.stream() for _ in range(30)]
        assert all([(await _next(each)).startswith(b"retry: ") for each in streams])
        first = [_told(await _next(each)) for each in streams]
        assert first == [{"stop": 0, "strip": 0, "turn": 0}] * 30
        stop = shelf.rejected()
        counted.looks = 0
        assert [_told(await _next(each)) for each in streams] == [{"stop": stop, "strip": 1, "turn": 0}] * 30
        assert counted.looks == 1
        assert room.listeners == 30
        for each in streams:
            await each.aclose()  # type: ignore[attr-defined]  # it is a generator
        assert (room.listeners, room._looking) == (0, None)

    asyncio.run(listen())


def test_a_row_that_turns_is_told_once(shelf: Stocked) -> None:
    """Taken, given back, ended; a note is none, and what was told is not told again at each look."""
    room = Newsroom(shelf.store)

    async def listen() -> None:
        stop = shelf.held()
        stream = room.stream()
        await _next(stream)
        assert _told(await _next(stream))["turn"] == 0
        assign(shelf.store, stop, "Ben")
        assert _told(await _next(stream))["turn"] == 1
        assign(shelf.store, stop, "", "Ben")
        assert _told(await _next(stream))["turn"] == 2
        close(shelf.store, stop, StopEnd.DISCARDED)
        assert _told(await _next(stream))["turn"] == 3
        shelf.store.submit(NoteStop(stop_id=stop, text="x", actor=BO, at=shelf.now)).result(BOUND_S)
        came = shelf.held(number="9")
        assert _told(await _next(stream)) == {"stop": came, "strip": 2, "turn": 3}
        await stream.aclose()  # type: ignore[attr-defined]  # it is a generator

    asyncio.run(listen())


def test_a_store_that_is_away_is_told_and_its_return_too(shelf: Stocked) -> None:
    """The page then says that it may be old."""
    counted = Counted(shelf)
    room = Newsroom(counted)  # type: ignore[arg-type]  # as above

    async def listen() -> None:
        stream = room.stream()
        await _next(stream)
        assert _told(await _next(stream)) == {"stop": 0, "strip": 0, "turn": 0}
        counted.is_away = True
        assert await _next(stream) == AWAY
        counted.is_away = False
        assert _told(await _next(stream)) == {"stop": 0, "strip": 0, "turn": 0}
        await stream.aclose()  # type: ignore[attr-defined]  # it is a generator

    asyncio.run(listen())


def test_a_silent_stream_stays_open(shelf: Stocked) -> None:
    """A proxy ends what says nothing: a comment goes over it (WHATWG HTML section 9.2.5: a line that begins with a colon)."""
    room = Newsroom(shelf.store)

    async def listen() -> None:
        stream = room.stream()
        assert b"retry" in await _next(stream)
        _told(await _next(stream))
        was, newsroom.ALIVE_S = newsroom.ALIVE_S, 0.01
        try:
            assert (await _next(stream)).startswith(b":")
        finally:
            newsroom.ALIVE_S = was
        await stream.aclose()  # type: ignore[attr-defined]  # it is a generator

    asyncio.run(listen())


def test_a_stream_ends_so_that_it_is_asked_anew_who_listens(shelf: Stocked) -> None:
    """A session that is over hears no more; the browser of one that is not comes back at once."""
    room = Newsroom(shelf.store, longest_s=0)

    async def listen() -> None:
        frames = [frame async for frame in room.stream()]
        assert frames == [b"retry: 3000\n\n", b"retry: 100\n\n"]
        assert room.listeners == 0

    asyncio.run(listen())


def test_a_silent_stream_ends_at_its_time_too(shelf: Stocked) -> None:
    """Not only with the next comment, which may come a quarter of a minute later."""
    room = Newsroom(shelf.store, longest_s=0.05)

    async def listen() -> None:
        async with asyncio.timeout(newsroom.ALIVE_S / 2):
            frames = [frame async for frame in room.stream()]
        assert frames[-1] == b"retry: 100\n\n"

    asyncio.run(listen())


def test_streams_are_bounded_and_all_end_together(shelf: Stocked) -> None:
    """Whoever comes too late asks every second instead; a server that ends waits for nobody's page."""
    room = Newsroom(shelf.store)

    async def listen() -> None:
        streams = [room.stream() for _ in range(MOST_STREAMS)]
        for each in streams:
            assert room.has_room
            await _next(each)
        assert not room.has_room
        room.close()
        for each in streams:
            rest = [frame async for frame in each]
            assert rest in ([b""], [])
        assert (room.listeners, room.has_room) == (0, False)

    asyncio.run(listen())


def test_a_page_is_told_over_the_wire_until_the_server_ends(shelf: Stocked) -> None:
    """The real server; it stops though a page still listens (``serving`` fails where it does not within its bound)."""
    with shelf.serving() as visitor:
        with httpx.Client(base_url=visitor.origin, timeout=BOUND_S) as client, client.stream("GET", "/api/news/stream") as answer:
            assert answer.headers["content-type"].startswith("text/event-stream")
            assert answer.headers["cache-control"] == "no-store"
            lines = answer.iter_lines()
            assert next(line for line in lines if line.startswith("data:")).startswith(
                'data: {"stop": 0, "strip": 0, "standing": "'
            )
            stop = shelf.rejected()
            assert next(line for line in lines if line.startswith("data:")).startswith(f'data: {{"stop": {stop}, "strip": 1, ')
        listening = httpx.Client(base_url=visitor.origin, timeout=BOUND_S)
        opened = listening.send(listening.build_request("GET", "/api/news/stream"), stream=True)
        assert opened.status_code == 200
        lines = opened.iter_lines()
        assert next(line for line in lines if line.startswith("event")) == "event: news"
    assert [line for line in lines if line.startswith("event")] == []
    listening.close()


def test_one_too_many_is_told_so(visitor: Visitor) -> None:
    """In words, as a problem."""
    was, newsroom.MOST_STREAMS = newsroom.MOST_STREAMS, 0
    try:
        answer = visitor.get("/api/news/stream")
    finally:
        newsroom.MOST_STREAMS = was
    assert answer.status_code == 503
    assert answer.json()["detail"] == "Too many pages listen already. Ask /api/news every second instead."
