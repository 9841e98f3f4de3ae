"""How people and programs come in to the pages, and the cookie that stands for a sign-in."""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from dataclasses import dataclass
from typing import TYPE_CHECKING

from starlette.requests import Request
from starlette.responses import Response
from starlette.types import Scope

from bridge.accounts.directory import TRIP as TRIP_LASTS
from bridge.desk.access import Access
from bridge.desk.accounts import AccountDesk
from bridge.desk.arrivals import Arrivals
from bridge.desk.benches import Benches
from bridge.desk.envelopes import EnvelopeDesk

COOKIE = "padpost_session"
BENCH = "padpost_bench"  # what a browser holds that several people share
if TYPE_CHECKING:
    from bridge.desk.directory import Directory  # 11 MB of libraries, loaded only where a site has a directory

TRIP = "padpost_trip"  # what a browser that is on its way to the directory and back brings again
SAFE_COOKIE = "__Host-padpost_session"  # RFC 6265bis 4.1.3.2: only over TLS, from this host, for all of it


@dataclass(frozen=True, kw_only=True)
class DirectoryDoor:
    """The hospital's directory, and who lets in those that come from it."""

    directory: Directory
    arrivals: Arrivals


@dataclass(frozen=True, kw_only=True)
class Door:
    """How people and programs come in. ``behind_tls``: browsers reach us over TLS alone, by a proxy in front. ``by_directory`` None: nobody comes by one.

    ``benches`` None: nobody switches at a shared bench.
    """

    access: Access
    desk: AccountDesk
    envelopes: EnvelopeDesk
    behind_tls: bool = False
    by_directory: DirectoryDoor | None = None
    benches: Benches | None = None

    @asynccontextmanager
    async def served(self) -> AsyncIterator[None]:
        """While the pages are served: the directory is asked what it can do, beside all else, and its connections are closed at the end."""
        if self.by_directory is None:
            yield
            return
        directory = self.by_directory.directory
        asking = asyncio.create_task(directory.look())
        try:
            yield
        finally:
            asking.cancel()
            await asyncio.wait((asking,))
            await directory.close()

    @property
    def cookie(self) -> str:
        """Give the name of the session's cookie."""
        return SAFE_COOKIE if self.behind_tls else COOKIE

    def give(self, response: Response, token: str) -> Response:
        """Put a session's token into the answer: for this host alone, out of reach of scripts, gone when the browser closes."""
        response.set_cookie(self.cookie, token, httponly=True, samesite="lax", secure=self.behind_tls, path="/")
        return response

    @property
    def trip(self) -> str:
        """Give the name of the cookie of a browser that is on its way."""
        return f"__Host-{TRIP}" if self.behind_tls else TRIP

    def send_off(self, response: Response, cookie: str) -> Response:
        """Put into the answer what the browser brings again. Lax: it comes back by a link from the directory (RFC 6265bis 5.2.1)."""
        lasts = int(TRIP_LASTS.total_seconds())
        response.set_cookie(self.trip, cookie, httponly=True, samesite="lax", secure=self.behind_tls, path="/", max_age=lasts)
        return response

    def receive(self, response: Response) -> Response:
        """Take back what the browser brought: it is good once."""
        response.delete_cookie(self.trip, httponly=True, samesite="lax", secure=self.behind_tls, path="/")
        return response

    @property
    def bench(self) -> str:
        """Give the name of the cookie of a shared bench."""
        return f"__Host-{BENCH}" if self.behind_tls else BENCH

    def bench_of(self, request: Request) -> str:
        """Give the token of the shared bench that a browser is, "" where it is none."""
        return request.cookies.get(self.bench, "") if self.benches is not None else ""

    def mark(self, response: Response, token: str, *, days: int) -> Response:
        """Make the browser a shared bench for so many days."""
        response.set_cookie(
            self.bench, token, httponly=True, samesite="lax", secure=self.behind_tls, path="/", max_age=days * 86_400
        )
        return response

    def take(self, response: Response) -> Response:
        """Take the token back."""
        response.delete_cookie(self.cookie, httponly=True, samesite="lax", secure=self.behind_tls, path="/")
        return response


def address_of(scope: Scope) -> str:
    """Give where a request comes from, in words."""
    return f"from {scope['client'][0]}" if scope.get("client") else "from this machine"
