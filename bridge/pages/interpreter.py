"""Says in which language a request is answered, before anything else looks at it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from starlette.datastructures import Headers
from starlette.types import ASGIApp, Receive, Scope, Send

from bridge.pages.doorkeeper import cookie_of
from bridge.pages.guard import API_PREFIX
from bridge.pages.language import ENGLISH, Language, speaking, wanted_of

CHOSEN = "padpost_language"  # the cookie of who chose a language on a page; it says nothing else
# A program reads the same words whoever sits before it; so it is with tables for a spreadsheet
OF_PROGRAMS = (API_PREFIX, "/health/")
TABLE = ".csv"
OF_PAGES = ("/api/news/rejected", "/api/session/")  # but these an open page asks for, and shows what they say


class Interpreter:
    """ASGI middleware around all others. ``offered`` are the languages of the site; ``own`` is the tag of the one that it set, "" where it set none.

    Who chose one on a page has it; else the site's own; else what the browser asks for; else English.
    """

    def __init__(self, app: ASGIApp, *, offered: Sequence[Language], own: str = "") -> None:
        self._app = app
        self._offered: Mapping[str, Language] = {each.tag: each for each in offered}
        self._own = own

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Pass a request on in its language."""
        if scope["type"] != "http":
            await self._app(scope, receive, send)
            return
        with speaking(self._wanted(scope)):
            await self._app(scope, receive, send)

    def _wanted(self, scope: Scope) -> Language:
        path = scope["path"]
        if path.endswith(TABLE) or (path.startswith(OF_PROGRAMS) and not path.startswith(OF_PAGES)):
            return ENGLISH
        headers = Headers(scope=scope)
        chosen = cookie_of(headers, CHOSEN)
        if chosen not in self._offered:
            chosen = self._own or wanted_of(headers.get("accept-language", ""), self._offered)
        return self._offered.get(chosen, ENGLISH)
