"""The JSON API: the same lists and actions as the pages, with OpenAPI at /api/openapi.json. Faults are RFC 9457 problems.

Whoever searches by an identifier does so by POST, so that it stands in no URL.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from datetime import date, datetime
from typing import Annotated, Any, Literal, TypeVar, get_args

from fastapi import APIRouter, Body, HTTPException, Query
from pydantic import BaseModel, Field

from bridge.desk.actions import Desk
from bridge.desk.gates import GateDesk
from bridge.desk.together import By, Seen, Together
from bridge.errors import Overtaken, RefusedAction
from bridge.lifecycle.states import StopGroup
from bridge.model import DeliveryState
from bridge.pages import message_view
from bridge.pages.forms import LONGEST_ID, Behind, RowId, typed_actor
from bridge.pages.site import PagesSite
from bridge.pages.today import degraded, faults
from bridge.store.api import Store
from bridge.store.rows import EventRow, News, ResultRow, StopRow, StopSearch, StripRow

LONGEST = 500  # ours: what one answer holds at most; `after` and `before` go on from there
PROBLEM = "application/problem+json"  # RFC 9457 section 3
T = TypeVar("T")
Limit = Annotated[int, Query(ge=1, le=LONGEST)]
Known = Annotated[int, Query(ge=0, le=LONGEST_ID)]  # the newest row that the caller knows; 0: none
Action = Literal["correct", "correct-time", "release", "discard", "send-again", "read-again", "take", "assign", "note"]
ACTIONS = frozenset(get_args(Action))


class Problem(BaseModel):
    """What went wrong (RFC 9457): ``detail`` is a sentence for people."""

    type: str
    title: str
    status: int
    detail: str


class Act(BaseModel):
    """Who acts and why; the ID fields are for ``correct`` only. ``same_person``: `yes` once somebody has looked at the patient's other strip of that day.

    ``day``, ``clock`` and ``which`` are for ``correct-time``: ISO date, time of day in the site's zone, and ``first`` or ``second`` where the clocks
    showed it twice. ``second_person`` is for ``release``, where the site's terms ask for two; ``specimen`` for ``discard`` of a
    patient's strip: `run again`, `collected again`, `order cancelled` or `nothing to do`. ``owner`` is for ``assign``: whose it is from now on,
    "" for nobody's; ``take`` makes it one's own. Both with ``before``, whose it was when the person looked. ``note`` is for ``note``. These three need no reason.
    """

    name: str
    reason: str = ""
    first: str = ""
    second: str = ""
    second_identifier: str = ""
    same_person: str = ""
    day: str = ""
    clock: str = ""
    which: str = ""
    second_person: str = ""
    specimen: str = ""
    owner: str = ""
    before: str = ""
    note: str = ""


class ActOnAll(BaseModel):
    """Who acts on all of one reason and why; ``expected`` is the count that the preview gave."""

    name: str
    reason: str
    expected: int


class ActTogether(ActOnAll):
    """As ``ActOnAll``; ``newest`` is the first stop's id in the preview, ``second_person`` and ``specimen`` are as for one stop."""

    newest: int
    second_person: str = ""
    specimen: str = ""


class Done(BaseModel):
    """The action was done and is durable."""

    stop_id: int
    done: str


class DoneAll(BaseModel):
    """How many stops of the reason were read again."""

    rule: str
    read_again: int


class DoneTogether(BaseModel):
    """How many stops of the reason were released or discarded."""

    rule: str
    done: int


class TodayNow(BaseModel):
    """What stands on top of Today: what keeps Padpost from working, and what is stopped in each group."""

    faults: tuple[str, ...]
    stopped: Mapping[StopGroup, int]


class ReasonCount(BaseModel):
    """How many open stops have one reason."""

    group: StopGroup
    rule: str
    count: int


class StopDetail(BaseModel):
    """One stop and its history, with that of what stood for the same strip before it, oldest first."""

    stop: StopRow
    history: tuple[EventRow, ...]


class Search(BaseModel):
    """What to look for; empty text and None look for everything."""

    text: str = ""
    day: Annotated[date | None, Field(gt=date.min, lt=date.max)] = None  # a day has one before it and one behind it
    states: frozenset[DeliveryState] = frozenset()
    before: Annotated[int | None, Field(ge=0, le=LONGEST_ID)] = None
    limit: Annotated[int, Field(ge=1, le=LONGEST)] = 50


class PadShown(BaseModel):
    """One pad of a result as printed, with its flag and codes."""

    pad: str
    printed: str
    flag: str
    codes: tuple[str, ...]


class DeliveryShown(BaseModel):
    """Where a result stands with one receiver; ``message`` is what was rendered for it, empty while it is not made.

    Once the message was purged by the site's rule, ``message_sha256`` is left of it (64 hex digits), else that is empty.
    """

    destination: str
    state: DeliveryState
    control_id: str
    attempts: int
    message: str
    message_sha256: str = ""


class ResultShown(BaseModel):
    """One result with its pads and deliveries. ``purged_at``: its values were purged by the site's rule, and its deliveries' proof is left."""

    result_id: str
    version: int
    pads: tuple[PadShown, ...]
    deliveries: tuple[DeliveryShown, ...]
    purged_at: datetime | None = None


def router(store: Store, desk: Desk, gates: GateDesk, site: PagesSite) -> APIRouter:
    """Give the API's routes."""
    problem = {"model": Problem, "content": {PROBLEM: {}}, "description": "A problem (RFC 9457)"}
    faulty: dict[int | str, dict[str, Any]] = dict.fromkeys((400, 403, 404, 409, 422), problem)
    routes = APIRouter(prefix="/api", tags=["padpost"], responses=faulty)
    _add_today(routes, store, site)
    _add_stops(routes, store, desk)
    _add_reasons(routes, store, desk, Together(store, desk, gates))
    _add_results(routes, store, site)
    return routes


def _add_today(routes: APIRouter, store: Store, site: PagesSite) -> None:
    @routes.get("/today")
    def today() -> TodayNow:
        """Say what keeps Padpost from working and how much is stopped."""
        return TodayNow(faults=(*faults(store, site), *degraded(site)), stopped=store.open_stops())

    @routes.get("/news")
    def news(stop: Known = 0, strip: Known = 0) -> News:
        """Count what came after a stop and a strip: for the bar of a page that stays open."""
        return store.news(after_stop=stop, after_strip=strip)


def _add_stops(routes: APIRouter, store: Store, desk: Desk) -> None:
    @routes.get("/stops")
    def stops(group: StopGroup | None = None, rule: str = "", after: Behind = None, limit: Limit = 100) -> tuple[StopRow, ...]:
        """List what is stopped, the most urgent first, from behind the stop ``after``."""
        return store.urgent_stops(StopSearch(group=group, rule=rule), after=after, limit=limit)

    @routes.get("/stops/{stop_id}")
    def stop(stop_id: RowId) -> StopDetail:
        """Give one stopped strip or message with its history."""
        row = store.stop(stop_id)
        if row is None:
            raise HTTPException(404, "There is no such row.")
        return StopDetail(stop=row, history=store.stop_events(stop_id))

    @routes.post("/stops/{stop_id}/{action}")
    def act(stop_id: RowId, action: Action, body: Annotated[Act, Body()]) -> Done:
        """Do one action in a named person's name."""
        _told(lambda: do(desk, stop_id, action, body))
        return Done(stop_id=stop_id, done=action)


def _add_reasons(routes: APIRouter, store: Store, desk: Desk, together: Together) -> None:
    @routes.get("/reasons")
    def reasons() -> tuple[ReasonCount, ...]:
        """Count what is stopped by reason."""
        return tuple(ReasonCount(group=group, rule=rule, count=count) for group, rule, count in store.open_reasons())

    @routes.get("/reasons/{rule}/read-again")
    def preview(rule: str) -> tuple[StopRow, ...]:
        """Show what reading all of one reason again would take."""
        return desk.preview_read_again(rule)

    @routes.post("/reasons/{rule}/read-again")
    def read_again(rule: str, body: Annotated[ActOnAll, Body()]) -> DoneAll:
        """Read all of one reason again in a named person's name, if there are still as many as ``expected``."""
        actor = typed_actor(body.name)
        done = _told(lambda: desk.read_again_all(rule, expected=body.expected, reason=body.reason, actor=actor))
        return DoneAll(rule=rule, read_again=done)

    @routes.get("/reasons/{rule}/{action}")
    def preview_together(rule: str, action: Literal["release", "discard"]) -> tuple[StopRow, ...]:
        """Show which of one reason may be released or discarded together, newest first."""
        return (together.may_release(rule) if action == "release" else together.may_discard(rule)).stops

    @routes.post("/reasons/{rule}/{action}")
    def act_together(rule: str, action: Literal["release", "discard"], body: Annotated[ActTogether, Body()]) -> DoneTogether:
        """Release or discard these in a named person's name, if they are those of the preview."""
        actor = typed_actor(body.name)
        by = By(actor=actor, reason=body.reason, second=body.second_person, specimen=body.specimen)
        seen = Seen(count=body.expected, newest=body.newest)
        act = together.release if action == "release" else together.discard
        return DoneTogether(rule=rule, done=_told(lambda: act(rule, seen=seen, by=by)))


def _add_results(routes: APIRouter, store: Store, site: PagesSite) -> None:
    @routes.get("/results")
    def results(before: Behind = None, limit: Limit = 50) -> tuple[ResultRow, ...]:
        """List results, newest first, before the strip ``before``."""
        return store.results(before=before, limit=limit)

    @routes.post("/results/search")
    def search(body: Annotated[Search, Body()]) -> tuple[ResultRow, ...]:
        """Find results by patient ID, number, specimen or control ID, by day of arrival, and by a delivery's state."""
        day = (body.day, site.zone) if body.day else None
        return store.results(before=body.before, limit=body.limit, search=body.text.strip(), day=day, states=body.states)

    @routes.get("/results/{result_id}")
    def result(result_id: str) -> ResultShown:
        """Give one result with its deliveries and their messages."""
        detail = store.result(result_id)
        if detail is None:
            raise HTTPException(404, "There is no such result.")
        pads = (
            PadShown(pad=pad.pad, printed=pad.printed, flag=pad.flag, codes=tuple(form.code.code for form in pad.forms))
            for pad in (detail.result.pads if detail.result else ())
        )
        deliveries = (
            DeliveryShown(
                destination=delivery.destination,
                state=delivery.state,
                control_id=delivery.control_id,
                attempts=delivery.attempts,
                message=message_view.text(message) if message.payload else "",
                message_sha256=delivery.payload_digest,
            )
            for delivery, message, _ in detail.deliveries
        )
        return ResultShown(
            result_id=result_id,
            version=detail.version,
            pads=tuple(pads),
            deliveries=tuple(deliveries),
            purged_at=detail.strip.purged_at,
        )

    @routes.get("/strips")
    def strips(outcome: str = "", before: Behind = None, limit: Limit = 50) -> tuple[StripRow, ...]:
        """List judged strips, newest first; of one outcome where one is named."""
        return store.strips(outcome=outcome, before=before, limit=limit)

    @routes.get("/strips/{strip_id}")
    def strip(strip_id: RowId) -> StripRow:
        """Give one judged strip."""
        row = store.strip(strip_id)
        if row is None:
            raise HTTPException(404, "There is no such strip.")
        return row


def _told(action: Callable[[], T]) -> T:
    """Do an action; a refusal becomes a problem."""
    try:
        return action()
    except Overtaken as error:
        raise HTTPException(409, str(error)) from error
    except RefusedAction as error:
        raise HTTPException(400, str(error)) from error


def do(desk: Desk, stop_id: int, action: str, act: Act) -> None:
    """Do one action by its name. Raises RefusedAction or Overtaken."""
    actor = typed_actor(act.name)
    match action:
        case "correct":
            if act.first == act.second and not act.same_person:
                desk.ask_same_person(stop_id, act.first)
            desk.correct_patient_id(
                stop_id,
                first=act.first,
                second=act.second,
                second_identifier=act.second_identifier,
                reason=act.reason,
                actor=actor,
            )
        case "correct-time":
            desk.correct_time(stop_id, day=act.day, clock=act.clock, which=act.which, reason=act.reason, actor=actor)
        case "release":
            desk.release(stop_id, reason=act.reason, actor=actor, second=act.second_person)
        case "discard":
            desk.discard(stop_id, reason=act.reason, actor=actor, specimen=act.specimen)
        case "send-again":
            desk.send_again(stop_id, reason=act.reason, actor=actor)
        case "take":
            desk.assign(stop_id, owner=act.name, before=act.before, actor=actor)
        case "assign":
            desk.assign(stop_id, owner=act.owner, before=act.before, actor=actor)
        case "note":
            desk.note(stop_id, text=act.note, actor=actor)
        case _:
            desk.read_again(stop_id, reason=act.reason, actor=actor)
