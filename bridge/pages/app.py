"""The technician's pages and the JSON API on one FastAPI application. Nothing is decided here: pages show, and call the desk."""

from __future__ import annotations

from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager, nullcontext
from dataclasses import dataclass
from datetime import datetime
from functools import partial
from pathlib import Path

from fastapi import APIRouter, FastAPI, Request
from fastapi.exceptions import RequestValidationError
from fastapi.responses import JSONResponse, Response, StreamingResponse
from fastapi.staticfiles import StaticFiles
from starlette.exceptions import HTTPException

from bridge import __version__
from bridge.errors import StoreError
from bridge.lifecycle.ageing import age
from bridge.pages import api, words
from bridge.pages.astray import astray, lacking
from bridge.pages.controls import GATE_WORDS
from bridge.pages.doorkeeper import Doorkeeper, Rows, may_see
from bridge.pages.editions import Editions
from bridge.pages.forms import caller, second_name, your_name, your_password
from bridge.pages.guard import API_PREFIX, HEADERS, SESSION, Guard, form_token, store_fault
from bridge.pages.interpreter import Interpreter
from bridge.pages.language import _, spoken
from bridge.pages.lock import LockPages, mark_of
from bridge.pages.newsroom import Newsroom
from bridge.pages.once_more import Asks, TypedForm
from bridge.pages.pdf import is_installed
from bridge.pages.reach import within_reach
from bridge.pages.script_words import script_words
from bridge.pages.sights import SightBook, Witness
from bridge.pages.sign_in import asked_by
from bridge.pages.site import Desks, PagesSite
from bridge.pages.today import degraded, faults
from bridge.pages.views import Views
from bridge.store.api import Store

HERE = Path(__file__).parent


@dataclass(frozen=True, kw_only=True, slots=True)
class Doors:
    """The routes of other rooms that are served here, and how their own faults are answered."""

    routes: APIRouter
    fault: type[Exception]
    answer: Callable[[Request, Exception], Response]


def make_pages(
    store: Store, desks: Desks, *, site: PagesSite, now: Callable[[], datetime], doors: Doors | None = None
) -> FastAPI:
    """Give the application. Every request passes the guard first: Host, origin, size, headers."""
    editions = _editions(site, now, lambda page: within_reach(page, caller(), rows.right))

    def refuse(request: Request, status: int, title: str, sentence: str) -> Response:
        if request.url.path.startswith(API_PREFIX):
            problem = {"type": "about:blank", "title": title, "status": status, "detail": sentence}  # RFC 9457
            return JSONResponse(problem, status_code=status, media_type=api.PROBLEM)
        return editions.page(request, "message.html", {"title": title, "sentence": sentence}, status=status)

    book = SightBook(store)
    newsroom = Newsroom(store)

    @asynccontextmanager
    async def kept_at_the_end(_app: FastAPI) -> AsyncIterator[None]:
        async with site.door.served() if site.door is not None else nullcontext():
            yield
        book.keep()

    app = FastAPI(
        title="Padpost",
        version=__version__,
        docs_url=None,
        redoc_url=None,
        openapi_url="/api/openapi.json",
        lifespan=kept_at_the_end,
    )
    app.state.newsroom = newsroom
    rows = Rows(lambda: app.routes)
    if site.door is not None:
        app.add_middleware(Doorkeeper, rows=rows, site=site, refuse=refuse, asks=_asks(editions, site), now=now)
    app.add_middleware(Witness, book=book, now=now, doors=site.doors)
    app.add_middleware(Guard, site=site, refuse=refuse)
    app.add_middleware(Interpreter, offered=site.languages, own=site.language)
    app.mount("/static", StaticFiles(directory=HERE / "static"), name="static")
    _take(app, Views(store, desks, site, editions, now).router())
    _take(app, api.router(store, desks.stops, desks.gates, site))
    _add_stream(app, newsroom, site)
    _add_health(app, store, site)
    if doors is not None:
        _take(app, doors.routes)
        app.add_exception_handler(doors.fault, doors.answer)

    @app.exception_handler(HTTPException)
    def http_fault(request: Request, fault: HTTPException) -> Response:
        return astray(request, fault, rows=rows, refuse=refuse)

    @app.exception_handler(RequestValidationError)
    def bad_request(request: Request, fault: RequestValidationError) -> Response:
        return lacking(request, fault, refuse=refuse)

    @app.exception_handler(StoreError)
    def not_kept(request: Request, fault: StoreError) -> Response:
        return store_fault(refuse, request, fault)

    @app.exception_handler(Exception)
    def defect(request: Request, _fault: Exception) -> Response:
        sentence = _("This is a defect of Padpost. Nothing was changed by this page. Tell your administrator; the log has more.")
        answer = refuse(request, 500, _("This page fell over"), sentence)
        answer.headers.update(HEADERS)  # this answer is made outside the guard
        # The server ends the connection behind a defect; a browser must not send its next request into it
        answer.headers["Connection"] = "close"
        return answer

    return app


def _take(app: FastAPI, routes: APIRouter) -> None:
    """Take routes as they are: ``include_router`` makes each of them a second time as the first page is asked for, and keeps both."""
    app.router.routes.extend(routes.routes)


def _editions(site: PagesSite, now: Callable[[], datetime], reach: Callable[[str], str]) -> Editions:
    names: dict[str, object] = {
        "_": _,
        "language": spoken,
        "site": site,
        "version": __version__,
        "shown": words.shown,
        "told": words.told,
        "month_words": words.month_words,
        "begin": words.begin,
        "plain": words.plain,
        "counted": words.counted,
        "number": words.number,
        "reason": words.reason,
        "group_words": words.GROUP_WORDS,
        "flag_words": words.FLAG_WORDS,
        "critical_words": words.critical_words,
        "not_watched": words.not_watched,
        "nothing_judged": lambda: _(words.NOTHING_JUDGED),
        "group_marks": words.GROUP_MARKS,
        "delivery_words": words.DELIVERY_WORDS,
        "destination_word": words.destination_word,
        "purpose_words": words.PURPOSE_WORDS,
        "outcome_words": words.OUTCOME_WORDS,
        "specimen_words": words.SPECIMEN_WORDS,
        "gate_words": GATE_WORDS,
        "series_words": lambda mode, series: words.series_words(mode, series, now=now(), zone=site.zone),
        "when": lambda then: words.when(then, now=now(), zone=site.zone),
        "clock_time": lambda: words.clock_time(now(), now=now(), zone=site.zone),
        "span": words.span,
        "to_the_second": lambda then: words.to_the_second(then, zone=site.zone),
        "age": lambda since: age(since, now=now()),
        "on_paper": lambda then: words.on_paper(then, zone=site.zone),
        "pdf_installed": is_installed,
        "signed_in": caller,
        "mark_of": mark_of,
        "may_see": partial(may_see, has_accounts=site.door is not None),
        "script_words": script_words,
        "your_name": your_name,
        "second_name": partial(second_name, has_directory=site.door is not None and site.door.by_directory is not None),
        "your_password": your_password,
    }
    return Editions(HERE / "templates", names, reach=reach)


def _asks(editions: Editions, site: PagesSite) -> Asks:
    def once_more(request: Request, typed: TypedForm) -> Response:
        values = {"typed": typed, "token": form_token(request, site.secret)[0]}
        return editions.page(request, "once_more.html", values, status=403)

    def who(request: Request, name: str, kept: str) -> Response:
        values = {
            "next": "/",
            "name": name,
            "locked": name,
            "kept": kept,
            "lost": not kept,
            "token": form_token(request, site.secret)[0],
            **(asked_by(site.door) if site.door is not None else {}),
        }
        return editions.page(request, "sign_in.html", values, status=401)

    return Asks(once_more=once_more, who=who)


def _add_stream(app: FastAPI, newsroom: Newsroom, site: PagesSite) -> None:
    if site.door is not None:
        _take(app, LockPages(site.door, newsroom).router())

    @app.get("/api/news/stream", include_in_schema=False)
    async def stream(request: Request) -> StreamingResponse:
        """Tell each time that a strip came or one was stopped (server-sent events): the newest ids of both; `away` while the store is.

        `standing` is another mark whenever a receiver, a pause, a signal or a mute stands otherwise.
        """
        if not newsroom.has_room:
            raise HTTPException(503, "Too many pages listen already. Ask /api/news every second instead.")
        # a proxy that collects an answer before it passes it on would hold the news back
        return StreamingResponse(
            newsroom.stream(str(request.scope.get(SESSION, ""))),
            media_type="text/event-stream",
            headers={"X-Accel-Buffering": "no"},
        )


def _add_health(app: FastAPI, store: Store, site: PagesSite) -> None:
    @app.get("/health/live", tags=["health"])
    def live() -> dict[str, str]:
        """Say that the process answers."""
        return {"status": "live"}

    @app.get("/health/ready", tags=["health"])
    def ready() -> JSONResponse:
        """Say whether the service works, 503 with the reasons otherwise; which receivers are shut until a person acts, and what to look at.

        A receiver that is shut makes it no less ready: strips are kept, and a restart would not help. Nor would it where strips are refused for
        want of room: that is `degraded`, with 200, since what is here already is still delivered.
        """
        reasons, short = list(faults(store, site)), list(degraded(site))
        status = "not ready" if reasons else "degraded" if short else "ready"
        shut = [{"destination": name, "reason": reason} for name, reason in site.shut().items()]
        notes = [{"destination": name, "note": note} for name, found in site.notes().items() for note in found]
        notes += [{"source": way.source, "note": note} for way in site.ways_in() for note in way.notes]
        return JSONResponse(
            {"status": status, "reasons": reasons or short, "shut": shut, "notes": notes},
            status_code=503 if reasons else 200,
        )
