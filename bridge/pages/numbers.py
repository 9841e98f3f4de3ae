"""The page Numbers: missing numbers and what became of them, and the day sheets with their signatures."""

from __future__ import annotations

import hashlib
from collections.abc import Callable
from datetime import date, datetime, timedelta
from typing import Annotated

import pydantic
from fastapi import APIRouter, Form, HTTPException, Request
from fastapi.responses import RedirectResponse, Response
from pydantic import BaseModel

from bridge.bench.answered import GapEnd, parts
from bridge.bench.gaps import Gap
from bridge.bench.period import Period
from bridge.desk.actions import Desk
from bridge.desk.numbers import NumberDesk, missing_numbers
from bridge.errors import Overtaken, RefusedAction
from bridge.pages.day_sheet import DaySheet, day_sheet
from bridge.pages.forms import SEE_OTHER, Field, RequiresToken, RowId, ShowsPage, Text, typed_actor
from bridge.pages.language import _
from bridge.pages.site import PagesSite
from bridge.pages.today import fate_terms, standing_terms
from bridge.store.api import Store

MOST_SHOWN = 25  # ours: of each list; more is no morning's work, and the page stays below 150 kB
DAYS_LISTED = 14  # ours: two weeks, as long as a person away comes back to
LARGEST = 10**9  # ours: more digits than any counter shows
Number = Annotated[int, pydantic.Field(ge=0, le=LARGEST)]

# what closes a gap that is no question; the words of the form's choice
CLOSINGS = (GapEnd.TYPED_IN, GapEnd.NO_READING, GapEnd.EXPLAINED)


class AnswerForm(BaseModel):
    """A person's word on missing numbers, as the page's forms send it."""

    analyzer: Field
    mode: Field
    series: Field = ""
    first: Number
    last: Number
    end: GapEnd
    token: Field = ""
    name: Field = ""
    reason: Field = ""


class ConfirmForm(BaseModel):
    """The labels of a held run's first and last specimen as scanned or keyed, and the last strip that the person saw."""

    first_label: Field = ""
    last_label: Field = ""
    last_strip: int
    token: Field = ""
    name: Field = ""
    reason: Field = ""


def missing_words(gap: Gap) -> str:
    """Say plainly which numbers never arrived: ``41 to 43 were read and never arrived``."""
    if gap.first == gap.last:
        return _("{first} was read and never arrived", first=gap.first)
    return _("{first} to {last} were read and never arrived", first=gap.first, last=gap.last)


def question_words(gap: Gap) -> str:
    """Ask of a large jump whether a person made it."""
    return _("The number went from {before} to {after}. Was it set by hand?", before=gap.first - 1, after=gap.last + 1)


def seen_of(sheet: DaySheet) -> str:
    """Give a mark of a sheet's figures, so that a person signs what was looked at."""
    return hashlib.sha256(sheet.figures.encode()).hexdigest()


class Numbers:
    """Makes the routes of the page."""

    def __init__(
        self,
        store: Store,
        stops: Desk,
        site: PagesSite,
        show: ShowsPage,
        require_token: RequiresToken,
        now: Callable[[], datetime],
    ) -> None:
        self._store = store
        self._desk = NumberDesk(store, site.schemes, site.zone, now)
        self._stops = stops
        self._site = site
        self._show = show
        self._require_token = require_token
        self._now = now

    def add_to(self, routes: APIRouter) -> None:
        """Add the routes."""
        routes.add_api_route("/numbers", self.page, methods=["GET"], response_model=None)
        routes.add_api_route("/numbers", self.answer, methods=["POST"], response_model=None)
        routes.add_api_route("/numbers/runs/{shift_id}", self.confirm, methods=["POST"], response_model=None)
        routes.add_api_route("/days/{day}", self.day, methods=["GET"], response_model=None)
        routes.add_api_route("/days/{day}", self.sign, methods=["POST"], response_model=None)

    def page(self, request: Request) -> Response:
        """Show what is missing, what was said of it, and the days with their signatures."""
        return self._page(request)

    def _page(self, request: Request, *, said: str = "") -> Response:
        now = self._now()
        gaps = missing_numbers(self._store, self._site.schemes, now=now)
        found = parts(gaps, self._store.gap_answers(gaps))
        today = now.astimezone(self._site.zone).date()
        signed = self._store.day_signatures(since=today - timedelta(days=DAYS_LISTED - 1), until=today)
        latest = {each.day: each for each in reversed(signed)}
        days = [today - timedelta(days=back) for back in range(DAYS_LISTED)]
        most = self._site.bench.tables.policy.jump_limit
        lists = {
            "runs": self._store.held_runs(),
            "questions": [part for part in found if part.is_question(most)],
            "missing": [part for part in found if part.is_open and not part.is_question(most)],
            "explained": [part for part in found if not part.is_open],
        }
        return self._show(
            request,
            "numbers.html",
            {
                **{name: each[:MOST_SHOWN] for name, each in lists.items()},
                "more": {name: len(each) - MOST_SHOWN for name, each in lists.items()},
                "pause": self._site.bench.tables.policy.run_pause_minutes,
                "days": tuple((day, latest.get(day), self._has_strips(day)) for day in days),
                "closings": CLOSINGS,
                "ends": GapEnd,
                "missing_words": missing_words,
                "question_words": question_words,
                "said": said,
            },
            status=409 if said else 200,
        )

    def _has_strips(self, day: date) -> bool:
        since, until = Period(day, day).bounds(self._site.zone)
        return self._store.came_between(since, until)

    def answer(self, request: Request, form: Annotated[AnswerForm, Form()]) -> Response:
        """Keep a person's word on missing numbers."""
        self._require_token(request, form.token)
        numbers = Gap(analyzer=form.analyzer, mode=form.mode, series=form.series, first=form.first, last=form.last)
        try:
            self._desk.answer(numbers, form.end, reason=form.reason, actor=typed_actor(form.name))
        except RefusedAction as error:
            return self._page(request, said=str(error))
        return RedirectResponse("/numbers", status_code=SEE_OTHER)

    def confirm(self, request: Request, shift_id: RowId, form: Annotated[ConfirmForm, Form()]) -> Response:
        """Let a held run go whose first and last specimen were compared."""
        self._require_token(request, form.token)
        try:
            self._stops.confirm_run(
                shift_id,
                first=form.first_label,
                last=form.last_label,
                last_strip=form.last_strip,
                reason=form.reason,
                actor=typed_actor(form.name),
            )
        except RefusedAction as error:
            return self._page(request, said=str(error))
        return RedirectResponse("/numbers", status_code=SEE_OTHER)

    def day(self, request: Request, day: date) -> Response:
        """Show one day's sheet."""
        return self._day(request, day)

    def _day(self, request: Request, day: date, *, said: str = "") -> Response:
        if not self._is_shown(day):
            raise HTTPException(404, _("There is no sheet of such a day."))
        sheet = day_sheet(self._store, self._site, day, now=self._now())
        shown = {
            "sheet": sheet,
            "mark": seen_of(sheet),
            "fate_terms": fate_terms,
            "standing_terms": standing_terms,
            "missing_words": missing_words,
            "said": said,
        }
        return self._show(request, "day.html", shown, status=409 if said else 200)

    def _is_shown(self, day: date) -> bool:
        return date.min < day < date.max  # a day has an end and a beginning

    def sign(
        self, request: Request, day: date, mark: Text = "", token: Text = "", name: Text = "", remark: Text = ""
    ) -> Response:
        """Sign a day's sheet, if its figures are still those that the person saw."""
        self._require_token(request, token)
        if not self._is_shown(day):
            raise HTTPException(404, _("There is no sheet of such a day."))
        sheet = day_sheet(self._store, self._site, day, now=self._now())
        try:
            if seen_of(sheet) != mark:
                raise Overtaken(_("The figures have changed since you opened the sheet. Look at them again."))
            self._desk.sign(
                day, content=sheet.figures, left=sheet.left, remark=remark, actor=typed_actor(name), is_empty=sheet.is_empty
            )
        except RefusedAction as error:
            return self._day(request, day, said=str(error))
        return RedirectResponse(f"/days/{day}", status_code=SEE_OTHER)
