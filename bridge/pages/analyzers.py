"""The page Analyzers: settings that likely spoil what each sends, how its clock stands, and whose its operator numbers are."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from datetime import datetime, timedelta
from functools import partial
from typing import Annotated

from fastapi import APIRouter, Form, Request
from fastapi.responses import RedirectResponse, Response
from pydantic import BaseModel

from bridge.bench.analyzer_life import LifeEvent
from bridge.bench.answered import GapPart, parts
from bridge.bench.clock import Clock, offsets
from bridge.bench.feed import LikelySetting, spoilt, unsent
from bridge.bench.gaps import Gap, gaps_before
from bridge.bench.operators import Operator
from bridge.desk.analyzer_life import WITH_REASON, LifeDesk
from bridge.desk.operators import OperatorDesk, typed_day
from bridge.errors import RefusedAction
from bridge.model import ClockFacts
from bridge.pages.analyzer_life import CHOICES, RUN_CHOICES, LifeBoard
from bridge.pages.clock_chart import FEWEST_DRAWN, MOST_DRAWN, ClockDrawing, by_words, clock_drawing
from bridge.pages.forms import SEE_OTHER, Field, RequiresToken, RowId, ShowsPage, Text, typed_actor
from bridge.pages.language import _
from bridge.pages.site import PagesSite
from bridge.store.api import Store
from bridge.tables.types import ClockRule

SERIES_WINDOW = timedelta(days=2)  # ours: a number that is missing since yesterday can still be sent from the analyzer's memory
CAME = 20  # ours: strips looked at for a setting; the words say how many in a row, and no more than this matter
LOOKED_AT = 3 * MOST_DRAWN  # ours: strips that a chart is made from; most of them tell an offset where the line is live


@dataclass(frozen=True, kw_only=True, slots=True)
class ShownClock:
    """An analyzer's clock: how it stands in words, whether that asks for something, and its chart (None where there are too few strips to draw)."""

    analyzer: str
    facts: ClockFacts
    words: str
    is_off: bool
    stops: bool
    drawing: ClockDrawing | None


def shown_clock(store: Store, site: PagesSite, analyzer: str) -> ShownClock:
    """Give how the clock of one analyzer stands."""
    rule = site.bench.tables.policy.clock or ClockRule()
    clock = Clock(rule.strips)
    told = offsets(store.heard_strips(analyzer, limit=LOOKED_AT), clock)
    facts = clock.facts()
    off = abs(facts.offset) if facts.offset is not None else timedelta()
    return ShownClock(
        analyzer=analyzer,
        facts=facts,
        words=_words(facts),
        is_off=off > timedelta(minutes=rule.note_minutes),
        stops=site.bench.tables.policy.clock is not None and rule.stops and off > timedelta(minutes=rule.hold_minutes),
        drawing=clock_drawing(told, rule, site.zone) if len(told) >= FEWEST_DRAWN else None,
    )


def _words(facts: ClockFacts) -> str:
    if facts.offset is not None:
        return _(
            "Its clock is {offset}, by the median of its last {count} strips.", offset=by_words(facts.offset), count=facts.strips
        )
    if facts.strips == 0:
        return _("Nothing can be told of its clock: no strip with a time came over a line as it was read.")
    return _("How far its clock is off cannot be told yet: its last strips are too few, or differ too much.")


def clocks_off(store: Store, site: PagesSite, analyzers: tuple[str, ...]) -> Mapping[str, str]:
    """Say of each analyzer whose clock is further off than the site wants to know of; nothing where the site does not ask."""
    rule = site.bench.tables.policy.clock
    if rule is None:
        return {}
    found: dict[str, str] = {}
    for analyzer in analyzers:
        clock = Clock(rule.strips)
        offsets(store.heard_strips(analyzer, limit=4 * rule.strips), clock)
        offset = clock.facts().offset
        if offset is not None and abs(offset) > timedelta(minutes=rule.note_minutes):
            found[analyzer] = _("clock {offset}", offset=by_words(offset))
    return found


def missing_lately(store: Store, site: PagesSite, *, now: datetime) -> tuple[GapPart, ...]:
    """Give the numbers that were passed over within ``SERIES_WINDOW`` and that nobody has accounted for."""
    gaps = gaps_before(store.number_runs(since=now - SERIES_WINDOW), site.schemes)
    return tuple(part for part in parts(gaps, store.gap_answers(gaps)) if part.is_open)


def likely_settings(store: Store, analyzers: Iterable[str], gaps: Iterable[Gap]) -> tuple[LikelySetting, ...]:
    """Say which settings at analyzers likely stop or spoil what they send, once each."""
    lately = (each for analyzer in analyzers for each in spoilt(analyzer, store.came_lately(analyzer, limit=CAME)))
    return (*unsent(gaps), *lately)


class OperatorForm(BaseModel):
    """An entry of the register of operators as the page's form sends it; days as ISO dates, "" for none."""

    token: Field = ""
    name: Field = ""
    analyzer: Field = ""
    number: Field = ""
    person: Field = ""
    since: Field = ""
    until: Field = ""
    competency_due: Field = ""
    shift: Field = ""


class LifeForm(BaseModel):
    """What happened to an analyzer, as the page's form sends it."""

    what: LifeEvent
    analyzer: Field = ""
    strip_type: Field = ""
    text: Field = ""
    done: Field = ""
    token: Field = ""
    name: Field = ""
    reason: Field = ""


class DeclaredForm(BaseModel):
    """What an analyzer is declared to run for a time, as the page's form sends it."""

    run: LifeEvent
    analyzer: Field = ""
    until: Field = ""
    token: Field = ""
    name: Field = ""
    second_person: Field = ""
    reason: Field = ""


class Analyzers:
    """Makes the routes of the page."""

    def __init__(
        self,
        store: Store,
        desk: OperatorDesk,
        site: PagesSite,
        show: ShowsPage,
        require_token: RequiresToken,
        now: Callable[[], datetime],
    ) -> None:
        self._now = now
        self._store = store
        self._desk = desk
        self._site = site
        self._show = show
        self._require_token = require_token
        self.lives = LifeBoard(store, site)
        self._life = LifeDesk(store, site.bench.tables, site.zone, now)

    def add_to(self, routes: APIRouter) -> None:
        """Add the routes."""
        routes.add_api_route("/analyzers", self.page, methods=["GET"], response_model=None)
        routes.add_api_route("/analyzers/life", self.happened, methods=["POST"], response_model=None)
        routes.add_api_route("/analyzers/declared", self.declare, methods=["POST"], response_model=None)
        routes.add_api_route("/analyzers/operators", self.enter, methods=["POST"], response_model=None)
        routes.add_api_route("/analyzers/operators/{operator_id}/end", self.end, methods=["POST"], response_model=None)

    def page(self, request: Request) -> Response:
        """Show every analyzer that was ever heard, and the register of operators."""
        return self._page(request)

    def happened(self, request: Request, form: Annotated[LifeForm, Form()]) -> Response:
        """Keep what happened to an analyzer."""
        self._require_token(request, form.token)
        text = form.strip_type if form.what is LifeEvent.STRIP_TYPE else form.text
        actor = typed_actor(form.name)
        say = partial(self._life.say, form.analyzer, form.what, text=text, reason=form.reason, done=form.done, actor=actor)
        return self._do(request, say, life=form)

    def declare(self, request: Request, form: Annotated[DeclaredForm, Form()]) -> Response:
        """Declare that an analyzer runs something else than patients for a time."""
        self._require_token(request, form.token)
        actor, second = typed_actor(form.name), form.second_person
        say = partial(
            self._life.declare, form.analyzer, form.run, until=form.until, reason=form.reason, second=second, actor=actor
        )
        return self._do(request, say, run=form)

    def enter(self, request: Request, form: Annotated[OperatorForm, Form()]) -> Response:
        """Enter whose a number is."""
        self._require_token(request, form.token)
        return self._do(request, lambda: self._enter(form), entered=form)

    def _enter(self, form: OperatorForm) -> None:
        today = self._now().astimezone(self._site.zone).date()
        operator = Operator(
            analyzer=form.analyzer.strip(),
            number=form.number.strip(),
            name=form.person.strip(),
            since=typed_day(form.since) or today,
            until=typed_day(form.until),
            competency_due=typed_day(form.competency_due),
            shift=form.shift.strip(),
        )
        self._desk.enter(operator, actor=typed_actor(form.name))

    def end(self, request: Request, operator_id: RowId, token: Text = "", name: Text = "", reason: Text = "") -> Response:
        """End an entry."""
        self._require_token(request, token)
        actor = typed_actor(name)
        return self._do(request, lambda: self._desk.end(operator_id, reason=reason, actor=actor))

    def _do(self, request: Request, action: Callable[[], object], **typed: BaseModel) -> Response:
        """Do it; on a refusal show the page with all that was ``typed``, by the name that its form has in the template."""
        try:
            action()
        except RefusedAction as error:
            return self._page(request, said=str(error), typed=typed)
        return RedirectResponse("/analyzers", status_code=SEE_OTHER)

    def _page(self, request: Request, *, said: str = "", typed: Mapping[str, BaseModel] | None = None) -> Response:
        names = tuple(row.analyzer for row in self._store.analyzers())
        lives = self.lives.lives((*names, *self._site.schemes), now=self._now())
        gaps = (part.gap for part in missing_lately(self._store, self._site, now=self._now()))
        shown = {
            "clocks": tuple(shown_clock(self._store, self._site, name) for name in names),
            "rule": self._site.bench.tables.policy.clock,
            "settings": likely_settings(self._store, names, gaps),
            "lives": lives,
            "happenings": CHOICES,
            "run_choices": RUN_CHOICES,
            "strip_types": tuple(self._site.bench.tables.strip_types),
            "operators": self._store.operators(),
            "names": names,
            "today": self._now().astimezone(self._site.zone).date(),
            "said": said,
            "site_minutes": (self._site.bench.tables.policy.clock or ClockRule()).hold_minutes,
            "with_reason": ", ".join(_(each.value) for each in CHOICES if each in WITH_REASON),
            **dict.fromkeys(("life", "run", "entered")),
            **(typed or {}),
        }
        return self._show(request, "analyzers.html", shown, status=409 if said else 200)
