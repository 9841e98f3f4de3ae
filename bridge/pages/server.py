"""The HTTP server of the pages and the posts, with a limit on whatever another side could draw out or pile up.

uvicorn limits the size of a head and the silence between requests; not how long a head may drip, nor how many may connect. What a body
may take in time and size is the guard's (pages) and the source's (posts), which know whose it is.
"""

from __future__ import annotations

import asyncio
import socket
from collections.abc import Callable, Generator
from contextlib import contextmanager
from ipaddress import ip_address
from typing import cast

import structlog
import uvicorn
from starlette.types import ASGIApp
from uvicorn.protocols.http.h11_impl import H11Protocol, RequestResponseCycle

log = structlog.get_logger()

HEAD_S = 10.0  # ours: a head is one or two packets; who needs longer holds a place for nothing
MOST_CONNECTIONS = 256  # ours: a laboratory's screens and programs are some tens, each with a few connections
# ours: a browser opens six; one machine must not take the places of all. A proxy on this machine brings everybody
MOST_OF_ONE = 64
IDLE_S = 5  # ours, uvicorn's own: silence after an answer; a browser just connects again
LARGEST_HEAD_BYTES = 16_384  # ours: twice what browsers send with many cookies


class BoundedProtocol(H11Protocol):
    """One connection: ended where a request's head is not there within ``HEAD_S``, and at once where there are too many."""

    _head_timer: asyncio.TimerHandle | None = None

    def connection_made(self, transport: asyncio.Transport) -> None:  # type: ignore[override]  # as uvicorn's own has it
        """Begin to wait for a head; hang up where there are too many connections."""
        super().connection_made(transport)
        others = [cast("BoundedProtocol", each) for each in self.connections]
        of_one = sum(each.host == self.host for each in others)
        if len(others) > MOST_CONNECTIONS or (of_one > MOST_OF_ONE and not self._is_here):
            log.warning("pages.turned_away", peer=self.host, connections=len(others), of_this_peer=of_one)
            transport.abort()
        else:
            self._await_head()

    def data_received(self, data: bytes) -> None:
        """Take bytes in: a head that is whole ends the wait, and what comes after an answer begins the next one."""
        super().data_received(data)
        if self._is_answering:
            self._end_wait()
        elif self._head_timer is None:
            self._await_head()

    def connection_lost(self, exc: Exception | None) -> None:
        """Note that the connection is gone."""
        self._end_wait()
        super().connection_lost(exc)

    @property
    def host(self) -> str:
        """Give the other side's address."""
        return self.client[0] if self.client else ""

    @property
    def _is_here(self) -> bool:
        try:
            return ip_address(self.host).is_loopback
        except ValueError:
            return False

    @property
    def _is_answering(self) -> bool:
        cycle = cast("RequestResponseCycle | None", self.cycle)  # None before the first request, whatever its type says
        return cycle is not None and not cycle.response_complete

    def _await_head(self) -> None:
        self._head_timer = self.loop.call_later(HEAD_S, self._head_is_late)

    def _end_wait(self) -> None:
        if self._head_timer is not None:
            self._head_timer.cancel()
            self._head_timer = None

    def _head_is_late(self) -> None:
        self._head_timer = None
        if not self._is_answering and not self.transport.is_closing():
            log.warning("pages.head_late", peer=self.host, within_s=HEAD_S)
            self.transport.abort()


class PagesServer(uvicorn.Server):
    """uvicorn with these limits, and without its own signal handlers: the command owns the signals."""

    def __init__(self, app: ASGIApp, *, ending: Callable[[], None]) -> None:
        """Take the application; ``ending`` is called first of all when the server is to end, and ends what would go on for ever."""
        self._ending = ending
        super().__init__(
            uvicorn.Config(
                app,
                http=BoundedProtocol,
                ws="none",
                log_config=None,
                access_log=False,
                server_header=False,
                proxy_headers=False,  # an address that a client may write itself is none: not in the audit trail, and not to count wrong tries by
                timeout_keep_alive=IDLE_S,
                h11_max_incomplete_event_size=LARGEST_HEAD_BYTES,
            )
        )

    async def shutdown(self, sockets: list[socket.socket] | None = None) -> None:
        """End: what streams for as long as a page is open first, since the server waits for every answer to be over."""
        self._ending()
        await super().shutdown(sockets)

    @contextmanager
    def capture_signals(self) -> Generator[None, None, None]:
        """Leave the signals alone."""
        yield
