"""The page of day logs: what was noted of each analyzer today, what is missing, and a month of one analyzer to print."""

from __future__ import annotations

from calendar import monthrange
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, replace
from datetime import date, datetime, timedelta
from typing import Annotated

from fastapi import APIRouter, Form, HTTPException, Request
from fastapi.responses import RedirectResponse, Response
from pydantic import BaseModel

from bridge.bench.day_log import (
    ITEM_WORDS,
    Degrees,
    Found,
    KeptLine,
    LogLine,
    day_of,
    in_fahrenheit,
    in_force,
    in_tenths,
    is_out,
    missing,
    room_at,
    wrong,
)
from bridge.desk.day_log import DayLogDesk, TypedLine, day_bounds
from bridge.errors import RefusedAction
from bridge.pages.forms import SEE_OTHER, Field, RequiresToken, RowId, ShowsPage, typed_actor
from bridge.pages.language import _
from bridge.pages.site import PagesSite
from bridge.store.api import Store
from bridge.tables.day_log_table import HIGH_C, LOW_C, DayItem

IN_USE = timedelta(days=7)  # ours: of an analyzer that read nothing for a week nobody is asked each morning
CHECKED = (DayItem.CLEANING, DayItem.REFERENCE, DayItem.WASTE, DayItem.PAPER, DayItem.SERVICE)  # lines that are in order or not


class LogForm(BaseModel):
    """What the form of an analyzer sends: "" for a line that was left out."""

    analyzer: Field = ""
    cleaning: Field = ""
    reference: Field = ""
    waste: Field = ""
    paper: Field = ""
    service: Field = ""
    temperature: Field = ""
    scale: Field = ""
    operator: Field = ""
    remark: Field = ""
    done: Field = ""
    token: Field = ""
    name: Field = ""


class CorrectionForm(BaseModel):
    """What the form of a correction sends."""

    found: Found
    typed: Field = ""
    scale: Field = ""
    remark: Field = ""
    token: Field = ""
    name: Field = ""
    reason: Field = ""


@dataclass(frozen=True, kw_only=True, slots=True)
class ShownLine:
    """A line as it is shown: its item and what it says in words; ``is_off`` where that asks for something, ``stands`` unless it was corrected."""

    kept: KeptLine
    item: str
    words: str
    is_off: bool
    stands: bool


@dataclass(frozen=True, kw_only=True, slots=True)
class ShownLog:
    """The log of an analyzer on one day: its lines in the order in which they were entered, and in words what it lacks and what is off."""

    analyzer: str
    day: date
    lines: tuple[ShownLine, ...]
    missing: tuple[str, ...]
    off: tuple[str, ...]

    @property
    def asks_for_a_look(self) -> bool:
        """Say whether somebody has to do something."""
        return bool(self.missing or self.off)

    def of(self, item: DayItem) -> tuple[ShownLine, ...]:
        """Give the lines of one item that stand."""
        return tuple(each for each in self.lines if each.stands and each.kept.line.item is item)


class DayLogBoard:
    """What the day logs say, for the pages."""

    def __init__(self, store: Store, site: PagesSite) -> None:
        self._store = store
        self._site = site
        rule = site.bench.tables.policy.day_log
        self._rule = rule
        self.limits_c = (rule.low_c, rule.high_c) if rule else (LOW_C, HIGH_C)

    def today(self, *, now: datetime) -> tuple[ShownLog, ...]:
        """Give today's log of every analyzer that is configured or was ever heard."""
        day = day_of(now, self._site.zone)
        kept = self._store.day_log(since=day_bounds(day, self._site.zone)[0] - timedelta(days=1))
        used = {row.analyzer: row.last_strip_at for row in self._store.analyzers()}
        asked = {name for name, last in used.items() if last is not None and now - last < IN_USE}
        return tuple(self._shown(name, day, kept, now=now, asks=name in asked) for name in sorted({*used, *self._site.schemes}))

    def month(self, analyzer: str, first: date, *, now: datetime) -> tuple[ShownLog, ...]:
        """Give every day of a month that has begun, of one analyzer; ``first`` is the month's first day."""
        days = [first + timedelta(days=each) for each in range(monthrange(first.year, first.month)[1])]
        since, until = day_bounds(days[0], self._site.zone)[0], day_bounds(days[-1], self._site.zone)[1]
        kept = self._store.day_log(since=since - timedelta(days=1), until=until)
        today = day_of(now, self._site.zone)
        return tuple(self._shown(analyzer, day, kept, now=now, asks=False) for day in days if day <= today)

    def _shown(self, analyzer: str, day: date, kept: Sequence[KeptLine], *, now: datetime, asks: bool) -> ShownLog:
        of_it = [each for each in kept if each.line.analyzer == analyzer]
        of_day = [each for each in of_it if day_of(each.line.done_at, self._site.zone) == day]
        counting = in_force(of_it)
        standing = {each.line_id for each in counting}
        lines = [each.line for each in counting]
        return ShownLog(
            analyzer=analyzer,
            day=day,
            lines=tuple(self._line(each, stands=each.line_id in standing) for each in of_day),
            missing=_words(missing(lines, self._rule, day)) if self._rule and asks else (),
            off=self._off(lines, now) if asks else (),
        )

    def _off(self, lines: Sequence[LogLine], now: datetime) -> tuple[str, ...]:
        room = room_at(lines, now)
        is_off = room is not None and day_of(room.done_at, self._site.zone) == day_of(now, self._site.zone) and self._is_out(room)
        warm = (_("room {degrees}", degrees=degrees_words(room)),) if room is not None and is_off else ()
        return (*(_("{item} not in order", item=_(ITEM_WORDS[item])) for item in wrong(lines, now, self._site.zone)), *warm)

    def _is_out(self, line: LogLine) -> bool:
        degrees = line.celsius
        return degrees is not None and is_out(degrees, low_c=self.limits_c[0], high_c=self.limits_c[1])

    def _line(self, kept: KeptLine, *, stands: bool) -> ShownLine:
        line = kept.line
        words = degrees_words(line) if line.scale else line.typed or _(line.found.value)
        if line.found is Found.MISTAKE:
            words = _(line.found.value)
        return ShownLine(
            kept=kept,
            item=_(ITEM_WORDS[line.item]),
            words=words,
            is_off=stands and (line.found is Found.WRONG or self._is_out(line)),
            stands=stands,
        )


def degrees_words(line: LogLine) -> str:
    """Say a temperature as it was typed, and in the other scale to one place."""
    degrees = line.celsius
    if degrees is None:
        return line.typed
    other = f"{in_tenths(in_fahrenheit(degrees))} °F" if line.scale is Degrees.CELSIUS else f"{in_tenths(degrees)} °C"
    return f"{line.typed} {line.scale} ({other})"


def _words(items: Iterable[DayItem]) -> tuple[str, ...]:
    return tuple(_(ITEM_WORDS[item]) for item in items)


class DayLogPages:
    """Makes the routes of the pages."""

    def __init__(
        self,
        store: Store,
        site: PagesSite,
        show: ShowsPage,
        require_token: RequiresToken,
        now: Callable[[], datetime],
    ) -> None:
        self.board = DayLogBoard(store, site)
        self._desk = DayLogDesk(store, site.bench.tables, site.zone, now)
        self._store = store
        self._site = site
        self._show = show
        self._require_token = require_token
        self._now = now

    def add_to(self, routes: APIRouter) -> None:
        """Add the routes."""
        routes.add_api_route("/day-log", self.page, methods=["GET"], response_model=None)
        routes.add_api_route("/day-log", self.note, methods=["POST"], response_model=None)
        routes.add_api_route("/day-log/month", self.month, methods=["GET"], response_model=None)
        routes.add_api_route("/day-log/lines/{line_id}", self.correct, methods=["POST"], response_model=None)

    def page(self, request: Request) -> Response:
        """Show today's logs."""
        return self._page(request)

    def note(self, request: Request, form: Annotated[LogForm, Form()]) -> Response:
        """Note lines of one analyzer."""
        self._require_token(request, form.token)
        return self._do(
            request, lambda: self._desk.note(form.analyzer, _typed(form), done=form.done, actor=typed_actor(form.name))
        )

    def correct(self, request: Request, line_id: RowId, form: Annotated[CorrectionForm, Form()]) -> Response:
        """Put another line in the place of one."""
        self._require_token(request, form.token)
        known = self._store.day_log_line(line_id)
        if known is None:
            raise HTTPException(404, _("There is no such line."))
        typed = TypedLine(item=known.line.item, found=form.found, typed=form.typed, scale=_scale(form.scale), remark=form.remark)
        return self._do(request, lambda: self._desk.correct(line_id, typed, reason=form.reason, actor=typed_actor(form.name)))

    def _do(self, request: Request, action: Callable[[], object]) -> Response:
        try:
            action()
        except RefusedAction as error:
            return self._page(request, said=str(error))
        return RedirectResponse("/day-log", status_code=SEE_OTHER)

    def _page(self, request: Request, *, said: str = "") -> Response:
        shown = {
            "logs": self.board.today(now=self._now()),
            "rule": self._site.bench.tables.policy.day_log,
            "checked": tuple((item, _(ITEM_WORDS[item])) for item in CHECKED),
            "found": Found,
            "items": DayItem,
            "scales": Degrees,
            "limits_c": self.board.limits_c,
            "month": f"{self._now().astimezone(self._site.zone):%Y-%m}",
            "said": said,
        }
        return self._show(request, "day_log.html", shown, status=409 if said else 200)

    def month(self, request: Request, analyzer: str, month: str) -> Response:
        """Show one analyzer's log of a month, to print."""
        try:
            first = date.fromisoformat(f"{month}-01")
        except ValueError as error:
            raise HTTPException(422, _("The month is written as 2026-11.")) from error
        if not date.min.year < first.year < date.max.year:
            raise HTTPException(404, _("There is no log of such a month."))
        logs = self.board.month(analyzer, first, now=self._now())
        changed = tuple(line for log in logs for line in log.lines if line.kept.corrects is not None)
        shown = {
            "analyzer": analyzer,
            "first": first,
            "logs": logs,
            "items": tuple(ITEM_WORDS),
            "item_words": {item: _(words) for item, words in ITEM_WORDS.items()},
            "changed": changed,
            "limits_c": self.board.limits_c,
            "clock": lambda at: f"{at.astimezone(self._site.zone):%H:%M}",
        }
        return self._show(request, "day_log_month.html", shown)


def _typed(form: LogForm) -> tuple[TypedLine, ...]:
    """Give the lines that were filled in. The remark goes with what is not in order, else with every line."""
    checked = [(item, getattr(form, item.value)) for item in CHECKED]
    filled = [TypedLine(item=item, found=_found(text)) for item, text in checked if text]
    if form.temperature.strip():
        filled.append(TypedLine(item=DayItem.TEMPERATURE, typed=form.temperature, scale=_scale(form.scale)))
    if form.operator.strip():
        filled.append(TypedLine(item=DayItem.OPERATOR, typed=form.operator))
    some = any(each.found is Found.WRONG for each in filled)
    return tuple(replace(each, remark=form.remark) if not some or each.found is Found.WRONG else each for each in filled)


def _found(text: str) -> Found:
    try:
        return Found(text)
    except ValueError as error:
        raise HTTPException(422, _("A line is in order or not in order.")) from error


def _scale(text: str) -> Degrees | None:
    try:
        return Degrees(text) if text else None
    except ValueError as error:
        raise HTTPException(422, _("The scale is °C or °F.")) from error
