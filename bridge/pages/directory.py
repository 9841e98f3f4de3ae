"""The way to the hospital's directory and back, as a browser goes it."""

from __future__ import annotations

from collections.abc import Callable
from urllib.parse import quote, urlsplit

from fastapi import APIRouter, Request
from fastapi.responses import RedirectResponse, Response

from bridge.accounts.directory import BACK
from bridge.desk.own_codes import LASTS_WORDS
from bridge.errors import Overtaken, RefusedAction
from bridge.pages.door import DirectoryDoor, Door, address_of
from bridge.pages.forms import SEE_OTHER, ShowsPage
from bridge.pages.language import _

GO = "/sign-in/directory"
SaysNo = Callable[[Request, str], Response]


class DirectoryPages:
    """Makes these routes. ``inside`` gives an address of ours for any that is asked for; ``again`` shows the sign-in page with what was wrong."""

    def __init__(self, door: Door, by: DirectoryDoor, page: ShowsPage, again: SaysNo, inside: Callable[[str], str]) -> None:
        self._page = page
        self._door = door
        self._by = by
        self._again = again
        self._inside = inside

    def add_to(self, routes: APIRouter) -> None:
        """Add the routes."""
        for path, view in ((GO, self.go), (BACK, self.back)):
            routes.add_api_route(path, view, methods=["GET"], response_model=None)

    async def go(self, request: Request, next: str = "/", code: bool = False) -> Response:  # noqa: A002 - the word in the address
        """Send the browser to the directory; with ``code`` to get a code in place of a password. A link and no form: to a form's answer our own policy shuts the way out (CSP3 form-action)."""
        onward, ours = self._inside(next), self._by.directory.address
        if (
            request.headers["host"].lower() != urlsplit(ours).netloc.lower()
        ):  # the cookie must be where the directory sends back to
            return RedirectResponse(
                f"{ours}{GO}?next={quote(onward, safe='')}{'&code=yes' if code else ''}", status_code=SEE_OTHER
            )
        try:
            setting = await self._by.directory.set_out(onward, fresh=code)
        except RefusedAction as error:
            return self._again(request, str(error))
        return self._door.send_off(RedirectResponse(setting.url, status_code=SEE_OTHER), setting.cookie)

    async def back(self, request: Request) -> Response:
        """Let in who comes back, or show their code: that signs nobody in, whoever's browser it is."""
        brought = request.cookies.get(self._door.trip, "")
        try:
            arrived = await self._by.directory.come_back(dict(request.query_params), brought)
            if arrived.is_fresh:
                name, code = await self._by.arrivals.code(arrived.found, address=address_of(request.scope))
                return self._door.receive(
                    self._page(request, "own_code.html", {"name": name, "code": code, "lasts": _(LASTS_WORDS)})
                )
            token = await self._by.arrivals.let_in(
                arrived.found, address=address_of(request.scope), replaces=request.cookies.get(self._door.cookie, "")
            )
        except (RefusedAction, Overtaken) as error:
            return self._door.receive(self._again(request, str(error)))
        answer = RedirectResponse(self._inside(arrived.onward), status_code=SEE_OTHER)
        return self._door.receive(self._door.give(answer, token))
