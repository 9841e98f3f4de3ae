"""Reports: a day's or month's figures as a page with charts, as a page to print and PDF, and each table for a spreadsheet."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from typing import Any
from zoneinfo import ZoneInfo

from fastapi import APIRouter, HTTPException, Request
from fastapi.responses import Response

from bridge.bench.answered import parts
from bridge.bench.controls import RunVerdict
from bridge.bench.indicators import figures_of
from bridge.bench.operators import Operator
from bridge.bench.period import FORM, Period, month_of, period_of
from bridge.bench.workload import shifts_of
from bridge.pages.figures import FigureBook, PeriodFigures
from bridge.pages.forms import ShowsPage
from bridge.pages.indicator_sheet import indicators
from bridge.pages.language import _, later
from bridge.pages.report import ShowsReport
from bridge.pages.report_sheets import operators, stops, turnaround
from bridge.pages.report_table import Table, table_csv
from bridge.pages.site import PagesSite
from bridge.pages.words import counted, day_words, month_words
from bridge.store.api import Store

MOST_RUNS = 20_000  # ours: control runs and words about them in a month; a laboratory with ten analyzers has some hundred
MONTHS_LISTED = 13  # ours: a year, and the month under way


@dataclass(frozen=True, kw_only=True, slots=True)
class Topic:
    """What a report is about: its part of an address, its title, and what it answers."""

    name: str
    title: str
    answers: str


TOPICS: Mapping[str, Topic] = {
    each.name: each
    for each in (
        Topic(name="turnaround", title=later("Turnaround"), answers=later("How long results took, from the strip's print to the receiver's acknowledgement.")),
        Topic(name="stops", title=later("Stops"), answers=later("What was stopped and why, how long it waited, and how it was put right.")),
        Topic(name="operators", title=later("Operators"), answers=later("How many strips each operator's number read, hour by hour.")),
        Topic(name="indicators", title=later("Indicators"), answers=later("What a coordinator follows: identity, controls, operators, strips, telling, and what never arrived.")),
    )
}  # fmt: skip


@dataclass(frozen=True, kw_only=True, slots=True)
class Report:
    """One report. ``says`` is of the period: that it is not over, or that clocks were changed; ``as_of``: nothing that changed later is in it."""

    topic: Topic
    period: Period
    tables: tuple[Table, ...]
    says: tuple[str, ...]
    as_of: datetime


class ReportPages:
    """Makes the routes."""

    def __init__(self, store: Store, site: PagesSite, show: ShowsPage, report: ShowsReport, now: Callable[[], datetime]) -> None:
        self._store = store
        self._site = site
        self._show = show
        self._report = report
        self._now = now
        self._book = FigureBook(store, site.zone, now, schemes=site.schemes)

    def add_to(self, routes: APIRouter) -> None:
        """Add the routes."""
        for path, view in (
            ("/reports", self.page),
            ("/reports/{period}/{topic}", self.topic),
            ("/reports/{period}/{topic}/report", self.report),
            ("/reports/{period}/{topic}/report.pdf", self.pdf),
            ("/reports/{period}/{topic}/{table}.csv", self.csv),
        ):
            routes.add_api_route(path, view, methods=["GET"], response_model=None)

    def page(self, request: Request, period: str = "") -> Response:
        """Show the choice of a day or month; ``period`` is one that was chosen, "" for this month."""
        today = self._now().astimezone(self._site.zone).date()
        asked = self._asked(period) if period else month_of(today)
        firsts = [month_of(today)]
        while len(firsts) < MONTHS_LISTED:
            firsts.append(firsts[-1].before)
        return self._show(
            request, "reports.html",
            {
                "period": asked, "topics": TOPICS.values(), "months": firsts, "today": Period(today, today),
                "yesterday": Period(today, today).before, "title": title_of(asked),
            },
        )  # fmt: skip

    def topic(self, request: Request, period: str, topic: str) -> Response:
        """Show a report."""
        return self._show(request, "report_topic.html", self._values(self._made(period, topic)))

    def report(self, request: Request, period: str, topic: str) -> Response:
        """Show a report as a page to print."""
        return self._report(request, "report_figures.html", self._values(self._made(period, topic)))

    def pdf(self, request: Request, period: str, topic: str) -> Response:
        """Give a report as PDF."""
        values = self._values(self._made(period, topic))
        return self._report(request, "report_figures.html", values, file_name=f"{topic}-{period}.pdf")

    def csv(self, period: str, topic: str, table: str) -> Response:
        """Give one table for a spreadsheet."""
        found = next((each for each in self._made(period, topic).tables if each.name == table), None)
        if found is None:
            raise HTTPException(404, _("There is no such table."))
        about = (("site", self._site.name), ("period", period))
        return Response(
            table_csv(found, about),
            media_type="text/csv; charset=utf-8",
            headers={"content-disposition": f'attachment; filename="{topic}-{table}-{period}.csv"'},
        )

    def _asked(self, period: str) -> Period:
        try:
            return period_of(period)
        except ValueError as error:
            raise HTTPException(404, FORM) from error

    def _made(self, period: str, topic: str) -> Report:
        asked, of = self._asked(period), TOPICS.get(topic)
        if of is None:
            raise HTTPException(404, _("There is no such report."))
        now = self._now()
        since, until = asked.bounds(self._site.zone)
        if since > now:
            raise HTTPException(404, _("This day or month is still to come."))
        tables, as_of = self._tables(of, asked, now)
        return Report(topic=of, period=asked, tables=tables, says=tuple(_said(asked, self._site, until > now)), as_of=as_of)

    def _tables(self, topic: Topic, period: Period, now: datetime) -> tuple[tuple[Table, ...], datetime]:
        figures = self._book.of(period)
        match topic.name:
            case "turnaround":
                return turnaround(figures.times), figures.as_of
            case "stops":
                return stops([each for day in figures.days for each in day.stops], now=now), figures.as_of
            case "operators":
                policy = self._site.bench.tables.controls.policy
                begins = {*policy.shifts, policy.day_starts} if policy and policy.shifts else set()
                register = tuple(_as_it_was(each, ended, self._site.zone) for each, ended in self._store.operators_ever())
                return operators(figures.loads, register, period, shifts_of(sorted(begins))), figures.as_of
            case _:
                return indicators(
                    figures_of(figures.sums, self._beside(period, figures), unchecked=self._unchecked())
                ), figures.as_of

    def _beside(self, period: Period, figures: PeriodFigures) -> Mapping[str, tuple[int, int]]:
        """Count what is no matter of single strips."""
        since, until = period.bounds(self._site.zone)
        runs = [each.what for each in self._store.gate_events(since=since, until=until, limit=MOST_RUNS)]
        failed = runs.count(RunVerdict.FAILED.value)
        told = self._store.critical_told(since=since, until=until)
        soon = timedelta(minutes=self._site.bench.tables.policy.telling.overdue_minutes)
        numbers = self._book.numbers(period)
        missing = [part for part in parts(numbers.gaps, self._store.gap_answers(numbers.gaps)) if part.is_open]
        used = numbers.came + sum(gap.count for gap in numbers.gaps)
        return {
            "runs": (failed, failed + runs.count(RunVerdict.PASSED.value)),
            "turned_away": (figures.times.refused, figures.times.ways),
            "told": (sum(at is not None and at - opened <= soon for opened, at in told), len(told)),
            "missing": (sum(part.gap.count for part in missing), used),
        }

    def _unchecked(self) -> frozenset[str]:
        """Name the indicators whose checks this site has not switched on."""
        tables = self._site.bench.tables
        switched = {
            "day_log": tables.policy.day_log is not None,
            "controls": tables.controls.policy is not None,
            "runs": tables.controls.policy is not None,
            "container": tables.containers.policy is not None,
            "specimen": tables.policy.specimen is not None,
            "told": bool(tables.flags.critical),
            **dict.fromkeys(("operator", "shared"), bool(self._store.operators_ever())),
        }
        return frozenset(name for name, is_on in switched.items() if not is_on)

    def _values(self, report: Report) -> dict[str, Any]:
        today = self._now().astimezone(self._site.zone).date()
        own = f"/reports/{report.period.name}/{report.topic.name}"
        after = report.period.after
        return {
            "figures": report,
            "own": own,
            "report": f"{own}/report",
            "title": f"{_(report.topic.title)}: {title_of(report.period)}",
            "topics": TOPICS.values(),
            "before": report.period.before,
            "after": after if after.first <= today else None,
            "title_of": title_of,
        }


def _as_it_was(entry: Operator, ended_at: datetime | None, zone: ZoneInfo) -> Operator:
    """Give an entry of the register with the day on which it was ended as its last one: a month that is past keeps its names."""
    if ended_at is None:
        return entry
    ended = ended_at.astimezone(zone).date()
    return replace(entry, until=min(entry.until or ended, ended))


def title_of(period: Period) -> str:
    """Name a period in words: ``Wednesday, 25 November 2026``, ``November 2026``."""
    return day_words(period.first) if period.is_day else month_words(period.first)


def _said(period: Period, site: PagesSite, is_open: bool) -> list[str]:
    """Say what of a period must be known to read its figures."""
    said = [_("It is not over: more may come.")] if is_open else []
    for day, minutes in period.clock_changes(site.zone):
        length = counted(minutes // 60, "hour") + (f" {counted(minutes % 60, 'minute')}" if minutes % 60 else "")
        twice = (
            _("An hour that came twice counts as one.")
            if timedelta(minutes=minutes) > timedelta(days=1)
            else _("An hour was skipped.")
        )
        said.append(_("{day} had {length}: the clocks were changed. {twice}", day=day, length=length, twice=twice))
    return said
