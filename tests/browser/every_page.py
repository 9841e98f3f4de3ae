"""Every page there is: found by following the links of a filled site from Today, and compared with the application's own routes.

A page that no link leads to is in ``BY_HAND`` with an address, so that a new page cannot be left out of the checks over all pages.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field
from typing import Any
from urllib.parse import parse_qsl, urlencode, urlsplit

from fastapi import FastAPI
from starlette.routing import Route

from tests.pages.stocked import Page, Visitor

BY_HAND = (
    "/?wall=true",  # a screen's own address
    "/nowhere",  # what is said where no page is
    "/lots/compared?strip_type=quill-10&first=24A01&second=24B07",  # asked for by a form
    "/enter/kept/1",  # told after a form
    "/to-add/held/1",  # from the row of one reason, as below
    "/signals/ringing",  # asked for by script
    "/rejected/1/specimen",  # from the row of one reason, which comes late in the list
)
NO_PAGES = ("/api/", "/health/", "/rejected/new")  # answers for programs; rows that a page's script puts into it
FILES = (".pdf", ".csv")  # routes of what is taken away
# Pages of one sort: stops, since each rule has other forms; strips, results and lots; days and steps of a list
MOST_STOPS, MOST_NUMBERED, MOST_OTHERS = 8, 4, 1


@dataclass(frozen=True, slots=True)
class Site:
    """Addresses by what they give: pages of HTML, and files to take away. ``dead`` are links that lead nowhere, with where they stand."""

    pages: list[str] = field(default_factory=list)
    files: list[str] = field(default_factory=list)
    dead: list[str] = field(default_factory=list)


def page_routes(app: FastAPI) -> list[Route]:
    """Give the GET routes for people, in the order in which the application looks at them."""
    every: Iterable[Any] = (
        each for found in app.routes for each in getattr(getattr(found, "original_router", None), "routes", (found,))
    )
    routes = (each for each in every if isinstance(each, Route) and "GET" in (each.methods or ()))
    return [route for route in routes if not route.path.startswith(NO_PAGES)]


def route_of(address: str, routes: Iterable[Route]) -> str:
    """Give the route that answers an address; empty for none."""
    path = urlsplit(address).path
    return next((route.path for route in routes if route.path_regex.match(path)), "")


def follow(visitor: Visitor, app: FastAPI) -> Site:
    """Look at every page that the links lead to, each sort of it a few times."""
    routes = page_routes(app)
    site, seen = Site(), Counter[str]()
    met = {"/", *BY_HAND}
    todo = [("", address) for address in ("/", *BY_HAND)]
    while todo:
        source, address = todo.pop(0)
        sort = _sort(address, routes)
        seen[sort] += 1
        if seen[sort] > (MOST_STOPS if "{stop_id}" in sort else MOST_NUMBERED if "_id}" in sort else MOST_OTHERS):
            continue
        if route_of(address, routes).endswith(FILES):
            site.files.append(address)
            continue
        answer = visitor.get(address)
        if answer.status_code >= 400 and address not in BY_HAND:
            site.dead.append(f"{source} -> {address}: {answer.status_code}")
        elif answer.headers["content-type"].startswith("text/html"):
            site.pages.append(address)
            found = [link for link in dict.fromkeys(_links(Page(answer.text), address)) if link not in met]
            met.update(found)
            todo += [(address, link) for link in found]
        else:
            site.files.append(address)
    return site


def _sort(address: str, routes: Iterable[Route]) -> str:
    """Name the sort of a page: its route, and of what is asked the names, not the values but those of a few words."""
    asked = parse_qsl(urlsplit(address).query)
    return f"{route_of(address, routes)}?{urlencode(sorted((key, value if value.isalpha() else '') for key, value in asked))}"


def _links(page: Page, address: str) -> Iterator[str]:
    """Give where the page leads: its links, without the place in the page."""
    for its in page.all("a"):
        link = its.get("href", "").partition("#")[0]
        if link.startswith("?"):
            link = urlsplit(address).path + link
        if link.startswith("/"):
            yield link
