"""The day on paper: the day sheet and that day's controls, as a printable page and as PDF."""

from __future__ import annotations

from collections.abc import Callable
from datetime import date, datetime

from fastapi import APIRouter, HTTPException, Request
from fastapi.responses import Response

from bridge.bench.period import Period
from bridge.pages.controls import ShownRun, shown_run
from bridge.pages.day_sheet import day_sheet
from bridge.pages.language import _
from bridge.pages.numbers import missing_words
from bridge.pages.report import ShowsReport
from bridge.pages.site import PagesSite
from bridge.pages.today import fate_terms, standing_terms
from bridge.store.api import Store

MOST_RUNS = 500  # ours: controls and words of one day; a laboratory with ten analyzers has some tens


class DayReport:
    """Makes the two routes."""

    def __init__(self, store: Store, site: PagesSite, report: ShowsReport, now: Callable[[], datetime]) -> None:
        self._store = store
        self._site = site
        self._report = report
        self._now = now

    def add_to(self, routes: APIRouter) -> None:
        """Add the routes."""
        routes.add_api_route("/days/{day}/report", self.page, methods=["GET"], response_model=None)
        routes.add_api_route("/days/{day}/report.pdf", self.pdf, methods=["GET"], response_model=None)

    def page(self, request: Request, day: date) -> Response:
        """Show the report as a page to print."""
        return self._day(request, day)

    def pdf(self, request: Request, day: date) -> Response:
        """Give the report as PDF."""
        return self._day(request, day, file_name=f"day-{day}.pdf")

    def _day(self, request: Request, day: date, *, file_name: str = "") -> Response:
        if not date.min < day < date.max:  # a day has an end and a beginning
            raise HTTPException(404, _("There is no sheet of such a day."))
        shown = {
            "sheet": day_sheet(self._store, self._site, day, now=self._now()),
            "policy": self._site.bench.tables.controls.policy,
            "runs": self._runs(day),
            "most_runs": MOST_RUNS,
            "fate_terms": fate_terms,
            "standing_terms": standing_terms,
            "missing_words": missing_words,
        }
        return self._report(request, "day_report.html", shown, file_name=file_name)

    def _runs(self, day: date) -> tuple[ShownRun, ...]:
        """Give what happened to gates on a day, by arrival, in its order."""
        begins, ends = Period(day, day).bounds(self._site.zone)
        found = self._store.gate_events(since=begins, until=ends, limit=MOST_RUNS)
        return tuple(shown_run(event) for event in reversed(found))
