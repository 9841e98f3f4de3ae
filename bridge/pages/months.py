"""The monthly review of controls: the list of months, one month with its forms, and its report."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from typing import Annotated, Any
from urllib.parse import urlencode

import pydantic
from fastapi import APIRouter, Form, HTTPException, Request
from fastapi.responses import RedirectResponse, Response
from pydantic import BaseModel

from bridge.bench.controls import RunVerdict
from bridge.bench.gate import GateEvent
from bridge.bench.month import (
    Counted,
    Failure,
    Month,
    PadMonth,
    Review,
    content_of,
    counts_left,
    counts_since_signing,
    digest_of,
    length_words,
    month_of,
    review_from,
    review_of,
    window_of,
)
from bridge.desk.lots import lots_in_use
from bridge.desk.months import STATEMENT, MonthDesk
from bridge.errors import Overtaken, RefusedAction
from bridge.pages.controls import share_words
from bridge.pages.forms import SEE_OTHER, Field, RequiresToken, ShowsPage, typed_actor
from bridge.pages.language import Words, _
from bridge.pages.report import ShowsReport
from bridge.pages.site import PagesSite
from bridge.pages.words import counted, month_words
from bridge.store.api import Store
from bridge.store.rows import MonthSignature
from bridge.tables.control_table import GatePolicy

MONTHS_LISTED = 13  # ours: a year, and the month under way

FOLLOWED_WORDS = Words[str](
    {
        RunVerdict.PASSED.value: "a control passed",
        RunVerdict.FAILED.value: "a control failed",
        RunVerdict.NOT_COUNTED.value: "a control that does not count",
        GateEvent.EXPLAIN.name.lower(): "why it was repeated",
        GateEvent.MEND.name.lower(): "what was put right",
        GateEvent.BEGIN_ANEW.name.lower(): "controls were asked for anew",
    }
)


class OfMonth(BaseModel):
    """Which analyzer's and strip type's month, and who says something of it, as the page's forms send it."""

    analyzer: Field
    strip_type: Field
    token: Field = ""
    name: Field = ""


class SignForm(OfMonth):
    """A signature. ``mark`` is the digest of what was looked at."""

    mark: Field
    remark: Field = ""


class ActionForm(OfMonth):
    """A corrective action beside a failure."""

    line_id: Annotated[int, pydantic.Field(ge=0, le=2**53)]
    text: Field = ""


@dataclass(frozen=True, kw_only=True, slots=True)
class ListedMonth:
    """One month of one analyzer and strip type in the list; ``signature`` the latest, None where nobody has signed."""

    analyzer: str
    strip_type: str
    first: date
    is_over: bool
    signature: MonthSignature | None


@dataclass(frozen=True, kw_only=True, slots=True)
class ShownMonth:
    """A month as it is shown: as it was signed last, or as it stands ``now``; what came after signing, in words and as failures."""

    review: Review
    now: Review
    signatures: tuple[MonthSignature, ...]
    is_as_signed: bool
    later: tuple[str, ...]
    later_failures: tuple[Failure, ...]
    left: tuple[str, ...]
    is_over: bool

    @property
    def mark(self) -> str:
        """Give the digest of the month as it stands now: what a signature would keep."""
        return digest_of(content_of(self.now))


def later_words(signed: Review, now: Review) -> tuple[str, ...]:
    """Say in words what of a month is not as it was signed; nothing where all is."""
    words = _said(counts_since_signing(signed, now))
    return words if words or signed == now else (_("other figures"),)


def _said(counts: Iterable[Counted]) -> tuple[str, ...]:
    return tuple(counted(count, one, many) for count, (one, many) in counts)


def first_of(month: str) -> date:
    """Give the first day of a month as an address has it, ``2026-11``. Raises ValueError for anything else."""
    first = date.fromisoformat(f"{month}-01")
    # a month has a quarter of a year before it and a month behind it; fromisoformat takes weeks too
    if not date.min.year < first.year < date.max.year or f"{first:%Y-%m}" != month:
        raise ValueError(f"{month!r} is no month")
    return first


def pad_words(each: PadMonth) -> tuple[str, str]:
    """Say how many runs of a pad were exact, and how many at most one step off, each with its interval and n."""
    counts = each.counts
    return (
        share_words(counts.exact_share, counts.exact, counts.n),
        share_words(counts.within_one_share, counts.exact + counts.one, counts.n),
    )


def address_of(month: Month) -> str:
    """Give the address of a month's page."""
    return f"/controls/months/{month.first:%Y-%m}{query_of(month)}"


def query_of(month: Month) -> str:
    """Give the part of an address that names whose month it is."""
    return f"?{urlencode({'analyzer': month.analyzer, 'strip_type': month.strip_type})}"


class Months:
    """Makes the routes."""

    def __init__(
        self,
        store: Store,
        site: PagesSite,
        show: ShowsPage,
        report: ShowsReport,
        require_token: RequiresToken,
        now: Callable[[], datetime],
    ) -> None:
        self._store = store
        self._desk = MonthDesk(store, now)
        self._site = site
        self._tables = site.bench.tables
        self._names = {pad: each.name for pad, each in site.bench.tables.catalogue.pads.items()}
        self._show = show
        self._report = report
        self._require_token = require_token
        self._now = now

    def add_to(self, routes: APIRouter) -> None:
        """Add the routes."""
        routes.add_api_route("/controls/months", self.page, methods=["GET"], response_model=None)
        routes.add_api_route("/controls/months/{month}", self.month, methods=["GET"], response_model=None)
        routes.add_api_route("/controls/months/{month}/report", self.report, methods=["GET"], response_model=None)
        routes.add_api_route("/controls/months/{month}/report.pdf", self.pdf, methods=["GET"], response_model=None)
        routes.add_api_route("/controls/months/{month}/signature", self.sign, methods=["POST"], response_model=None)
        routes.add_api_route("/controls/months/{month}/actions", self.act, methods=["POST"], response_model=None)

    def page(self, request: Request) -> Response:
        """List the months of a year, by analyzer and strip type, with who signed each."""
        policy = self._tables.controls.policy
        return self._show(request, "months.html", {"policy": policy, "months": self._listed(policy) if policy else ()})

    def _listed(self, policy: GatePolicy) -> tuple[ListedMonth, ...]:
        now = self._now()
        firsts = [now.astimezone(policy.zone).date().replace(day=1)]
        while len(firsts) < MONTHS_LISTED:
            firsts.append((firsts[-1] - timedelta(days=1)).replace(day=1))
        signed: dict[tuple[str, str, date], MonthSignature] = {}
        for each in self._store.month_signatures(since=firsts[-1], until=firsts[0]):
            signed.setdefault((each.analyzer, each.strip_type, each.month), each)
        found = []
        for first in firsts:
            for span in self._store.control_spans():
                month = month_of(span.analyzer, span.strip_type, first, policy)
                if span.first_at < month.ends and month.begins <= span.last_at:
                    key = (span.analyzer, span.strip_type, first)
                    found.append(
                        ListedMonth(
                            analyzer=span.analyzer,
                            strip_type=span.strip_type,
                            first=first,
                            is_over=month.ends <= now,
                            signature=signed.get(key),
                        )
                    )
        return tuple(found)

    # --- one month

    def month(self, request: Request, month: str, analyzer: str = "", strip_type: str = "", stands: str = "") -> Response:
        """Show a month as it was signed, or as it ``stands`` now."""
        asked = self._asked(month, analyzer, strip_type)
        return self._month(request, asked, as_now=stands == "now") if asked else self.page(request)

    def report(self, request: Request, month: str, analyzer: str = "", strip_type: str = "", stands: str = "") -> Response:
        """Show its report as a page to print."""
        asked = self._asked(month, analyzer, strip_type)
        return self._made(request, asked, as_now=stands == "now") if asked else self.page(request)

    def pdf(self, request: Request, month: str, analyzer: str = "", strip_type: str = "", stands: str = "") -> Response:
        """Give its report as PDF."""
        asked = self._asked(month, analyzer, strip_type)
        if asked is None:
            return self.page(request)
        return self._made(request, asked, as_now=stands == "now", file_name=f"controls-{month}.pdf")

    def _made(self, request: Request, month: Month, *, as_now: bool, file_name: str = "") -> Response:
        return self._report(request, "month_report.html", self._values(self._shown(month, as_now=as_now)), file_name=file_name)

    def _asked(self, month: str, analyzer: str, strip_type: str) -> Month | None:
        """Give the month that an address names; None on a site without a gate, whose list says that there is nothing to review."""
        policy = self._tables.controls.policy
        if policy is None:
            return None
        try:
            first = first_of(month)
        except ValueError as error:
            raise HTTPException(404, _("There is no such month. An address names it as 2026-11.")) from error
        if strip_type not in self._tables.strip_types or not analyzer:
            raise HTTPException(404, _("Choose an analyzer and a strip type from the list of months."))
        return month_of(analyzer, strip_type, first, policy)

    def _shown(self, month: Month, *, as_now: bool = False) -> ShownMonth:
        now = self._standing(month)
        signatures = self._store.month_signatures(since=month.first, until=month.first, of=(month.analyzer, month.strip_type))
        signed = review_from(signatures[0].content) if signatures else None
        review = now if signed is None or as_now else signed
        return ShownMonth(
            review=review,
            now=now,
            signatures=signatures,
            is_as_signed=signed is not None and not as_now,
            later=later_words(signed, now) if signed else (),
            later_failures=tuple(each for each in now.failures if signed and each not in signed.failures),
            left=_said(counts_left(review)),
            is_over=month.ends <= self._now(),
        )

    def _standing(self, month: Month) -> Review:
        table, facts = self._tables.controls, self._store.month_facts(month, window_of(month))
        assert table.policy is not None
        return review_of(month, facts, table.policy, table.drift, now=self._now())

    def _values(self, shown: ShownMonth) -> dict[str, Any]:
        return {
            "month_shown": shown,
            "own": address_of(shown.review.month),
            "review": shown.review,
            "month": shown.review.month,
            "title": _("Controls in {month}", month=month_words(shown.review.month.first)),
            "expires": {(lot.level, lot.lot): lot.expires for lot in lots_in_use(self._store, self._tables)},
            "materials": self._tables.controls.materials,
            "names": self._names,
            "pad_words": pad_words,
            "followed_words": FOLLOWED_WORDS,
            "length_words": length_words,
            "drift": self._tables.controls.drift,
            "statement": STATEMENT,
            "query": query_of(shown.review.month),
            "report": f"/controls/months/{shown.review.month.first:%Y-%m}/report",
        }

    def _month(self, request: Request, month: Month, *, as_now: bool = False, said: str = "") -> Response:
        values = {**self._values(self._shown(month, as_now=as_now)), "said": said}
        return self._show(request, "month.html", values, status=409 if said else 200)

    # --- actions

    def sign(self, request: Request, month: str, form: Annotated[SignForm, Form()]) -> Response:
        """Sign a month, if it still is what the person looked at."""
        self._require_token(request, form.token)
        asked = self._asked(month, form.analyzer, form.strip_type)
        return self._do(request, asked, lambda of: self._sign(of, form))

    def _sign(self, month: Month, form: SignForm) -> None:
        review = self._standing(month)
        if digest_of(content_of(review)) != form.mark:
            raise Overtaken(_("The month has changed since you opened it. Look at it again."))
        self._desk.sign(review, remark=form.remark, actor=typed_actor(form.name))

    def act(self, request: Request, month: str, form: Annotated[ActionForm, Form()]) -> Response:
        """Keep a corrective action."""
        self._require_token(request, form.token)
        asked = self._asked(month, form.analyzer, form.strip_type)
        return self._do(
            request, asked, lambda _: self._desk.note_action(form.line_id, text=form.text, actor=typed_actor(form.name))
        )

    def _do(self, request: Request, month: Month | None, action: Callable[[Month], None]) -> Response:
        if month is None:
            return self.page(request)
        try:
            action(month)
        except RefusedAction as error:
            return self._month(request, month, as_now=True, said=str(error))
        return RedirectResponse(f"{address_of(month)}&stands=now", SEE_OTHER)
