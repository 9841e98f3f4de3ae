"""The HTML routes: Today, Results, and those of the other pages."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from datetime import date, datetime
from typing import Any, Literal

from fastapi import APIRouter, HTTPException, Request
from fastapi.responses import Response

from bridge.bench.tally import Fate
from bridge.desk.operators import OperatorDesk
from bridge.desk.run_again import RunAgainDesk
from bridge.desk.signals import SignalDesk
from bridge.lifecycle.states import OPEN_DELIVERY, STOPPED_DELIVERY, StopGroup
from bridge.model import DeliveryState
from bridge.pages import capture_view, way
from bridge.pages.accounts import AccountPages
from bridge.pages.additions import AdditionPages
from bridge.pages.analyzers import Analyzers
from bridge.pages.api import Search
from bridge.pages.audit import AuditPage
from bridge.pages.benches import BenchPages
from bridge.pages.choosing import ChoicePages
from bridge.pages.control_lots import ControlLots
from bridge.pages.controls import Controls
from bridge.pages.corrections import Corrections, to_telephone
from bridge.pages.day_chart import day_drawing
from bridge.pages.day_log import DayLogPages
from bridge.pages.day_report import DayReport
from bridge.pages.editions import Editions
from bridge.pages.entries import Entries
from bridge.pages.envelopes import EnvelopePages
from bridge.pages.forms import Behind, RowId, Text
from bridge.pages.guard import COOKIE, form_token, token_is_good
from bridge.pages.hand_over import HandOverPages, still_open
from bridge.pages.language import _, later
from bridge.pages.lots import Lots
from bridge.pages.months import Months
from bridge.pages.narrowed import digest
from bridge.pages.numbers import Numbers, missing_words, question_words
from bridge.pages.pile_words import pile_words
from bridge.pages.receivers import Receivers
from bridge.pages.registered import RegisteredPages
from bridge.pages.rehearsal import RulesTried
from bridge.pages.rejected import Rejected
from bridge.pages.report import Reports
from bridge.pages.report_pages import ReportPages
from bridge.pages.run_again import RunAgain
from bridge.pages.sign_in import SignInPages
from bridge.pages.signals import SignalsPage, shown_signal, standing
from bridge.pages.site import Desks, PagesSite
from bridge.pages.telling import TellingPage
from bridge.pages.today import fate_terms, standing_terms, today
from bridge.pages.try_out import TryOut
from bridge.pages.what_if import WhatIfPage
from bridge.pages.where import Where
from bridge.pages.withdrawal import StandingStill, Withdrawn, withdrawal_of
from bridge.signals.words import KIND_WORDS
from bridge.store.api import Store
from bridge.store.rows import ResultRow, StripRow

MOST_PILES = 12  # ours: what a person takes in at one look; the list has every reason
SECTION = 50  # ours: rows of one group or list on one page
Kind = Literal["", "non_patient", "copy", "discarded"]
STATES: dict[str, frozenset[DeliveryState]] = {
    later("waiting"): OPEN_DELIVERY,
    later("received"): frozenset({DeliveryState.ACCEPTED}),
    later("turned away"): STOPPED_DELIVERY,
}


class Views:
    """Makes the routes; holds what they share."""

    def __init__(
        self,
        store: Store,
        desks: Desks,
        site: PagesSite,
        editions: Editions,
        now: Callable[[], datetime],
    ) -> None:
        desk, gates = desks.stops, desks.gates
        self._rejected = Rejected(store, desks, site, self._page, self._require_token, now)
        self._what_if = WhatIfPage(store, desks.stops, site, self._rejected, self._page, self._require_token)
        self._corrections = Corrections(store, desks.corrections, self._page, self._require_token, now)
        self._control_lots = ControlLots(store, gates.lots, site.bench, self._page, self._require_token)
        run_again = RunAgainDesk(store, desks.stops, desks.corrections, now)
        self._run_again = RunAgain(run_again, self._page, self._require_token)
        self._controls = Controls(store, desks, site.bench, self._page, self._require_token, now)
        self._analyzers = Analyzers(store, OperatorDesk(store, now), site, self._page, self._require_token, now)
        self._numbers = Numbers(store, desk, site, self._page, self._require_token, now)
        self._registered = RegisteredPages(store, site, self._page, self._require_token, now)
        self._day_log = DayLogPages(store, site, self._page, self._require_token, now)
        self._lots = Lots(store, gates.containers, site, self._page, self._require_token, now)
        reports = Reports(self._write, site.zone, now)
        self._day_report = DayReport(store, site, reports, now)
        self._report_pages = ReportPages(store, site, self._page, reports, now)
        self._months = Months(store, site, self._page, reports, self._require_token, now)
        self._rules_tried = RulesTried(store, site, self._page)
        self._telling = TellingPage(store, site, self._page, self._require_token, now)
        self._signals = SignalsPage(store, SignalDesk(store, now), site, self._page, self._require_token, now)
        self._receivers = Receivers(store, site, self._page, self._require_token, now)
        self._where = Where(store, site, self._page, self._require_token, now)
        self._hand_over = HandOverPages(store, site, self._page, self._require_token, now)
        self._try_out = TryOut(site.bench, self._page, self._require_token, now)
        self._entries = Entries(store, desks.entries, site, self._page, self._require_token)
        self._additions = AdditionPages(store, desks.additions, self._page, self._require_token)
        self._audit = AuditPage(store, site, self._page, now)
        self._store = store
        self._desk = desk
        self._site = site
        self._editions = editions
        self._now = now

    def router(self) -> APIRouter:
        """Give the routes."""
        routes = APIRouter(include_in_schema=False)
        for path, view in (
            ("/", self.today),
            ("/results", self.results),
            ("/strips/{strip_id}", self.strip),
        ):
            routes.add_api_route(path, view, methods=["GET"], response_model=None)
        routes.add_api_route("/results", self.search, methods=["POST"], response_model=None)
        self._rejected.add_to(routes)
        self._what_if.add_to(routes)
        self._corrections.add_to(routes)
        self._run_again.add_to(routes)
        self._control_lots.add_to(routes)
        self._controls.add_to(routes)
        self._analyzers.add_to(routes)
        self._numbers.add_to(routes)
        self._day_report.add_to(routes)
        self._day_log.add_to(routes)
        self._registered.add_to(routes)
        self._months.add_to(routes)
        self._report_pages.add_to(routes)
        self._lots.add_to(routes)
        self._telling.add_to(routes)
        self._signals.add_to(routes)
        self._rules_tried.add_to(routes)
        self._audit.add_to(routes)
        self._receivers.add_to(routes)
        self._hand_over.add_to(routes)
        self._where.add_to(routes)
        self._try_out.add_to(routes)
        self._entries.add_to(routes)
        ChoicePages(self._site.languages, self._require_token).add_to(routes)
        self._additions.add_to(routes)
        if self._site.door is not None:
            SignInPages(self._site, self._site.door, self._page, self._require_token, self._now).add_to(routes)
            EnvelopePages(self._store, self._site.door, self._page, self._require_token).add_to(routes)
            if self._site.door.benches is not None:
                BenchPages(self._store, self._site.door, self._page, self._require_token, self._now).add_to(routes)
            AccountPages(self._store, self._site.door.desk, self._page, self._now).add_to(routes)
        return routes

    def _page(self, request: Request, name: str, values: dict[str, Any], *, status: int = 200) -> Response:
        token, nonce = form_token(request, self._site.secret)
        seen = self._store.news(after_stop=0, after_strip=0)
        response = self._editions.page(request, name, {**values, "token": token, "seen": seen}, status=status)
        if nonce:
            response.set_cookie(COOKIE, nonce, httponly=True, samesite="strict")
        return response

    def _write(self, name: str, values: Mapping[str, Any]) -> str:
        return self._editions.text(name, values)

    def _require_token(self, request: Request, token: str) -> None:
        if not token_is_good(request, token, self._site.secret):
            raise HTTPException(403, _("This form is too old. Open the page again and send it from there."))

    # --- pages

    def today(self, request: Request, wall: bool = False) -> Response:
        """Show what a person must know first; ``wall`` for a screen that is read from across the room."""
        shown = today(self._store, self._site, now=self._now())
        in_use = self._lots.board.in_use(now=self._now())
        lives = self._analyzers.lives.lives((), now=self._now()).values()
        return self._page(
            request,
            "today.html",
            {
                "day": shown,
                "waits": digest(shown.stop_counts),
                "most_piles": MOST_PILES,
                "pile_words": pile_words,
                "drawing": day_drawing(shown.hours),
                "signals": (*map(shown_signal, self._site.own_signals()), *standing(self._store, now=self._now())),
                "mutes": self._store.muted_kinds(now=self._now()),
                "kinds": KIND_WORDS,
                "containers": tuple(each for each in in_use if each.asks_for_a_look),
                "in_use": in_use,
                "lives": tuple(each for each in lives if each.asks),
                "off": {each.analyzer for each in lives if each.is_off},
                "day_logs": {each.analyzer: each for each in self._day_log.board.today(now=self._now())},
                "next_tries": self._site.next_tries(),
                "notes": self._hand_over.notes(),
                "still_open": still_open(self._store, self._site, stopped=shown.stopped, missing=shown.missing),
                "to_add": self._store.awaited_count(),
                "to_telephone": to_telephone(self._store, now=self._now()),
                "ways_in": self._site.ways_in(),
                "wall": wall,
                "fate_terms": fate_terms,
                "standing_terms": standing_terms,
                "missing_words": missing_words,
                "question_words": question_words,
                "most": self._site.bench.tables.policy.jump_limit,
                "fates": Fate,
                "groups": StopGroup,
            },
        )

    def results(self, request: Request, before: Behind = None, kind: Kind = "") -> Response:
        """Show results, newest first; ``kind`` shows controls, copies or discarded strips instead."""
        if kind:
            strips = self._store.strips(outcome=kind, before=before, limit=SECTION + 1)
            shown, more = strips[:SECTION], strips[SECTION - 1].strip_id if len(strips) > SECTION else None
            return self._page(request, "strips.html", {"strips": shown, "kind": kind, "more_before": more})
        return self._found(request, Search(before=before))

    def search(
        self, request: Request, token: Text = "", search: Text = "", day: Text = "", state: Text = "", before: Text = ""
    ) -> Response:
        """Find results; by POST, so that an identifier is in no URL or log."""
        self._require_token(request, token)
        try:
            wanted = Search(
                text=search.strip(), day=date.fromisoformat(day) if day else None, before=int(before) if before else None
            )
        except ValueError as error:
            raise HTTPException(422, _("The day is not a date. Write it as 2026-11-25, or leave it empty.")) from error
        return self._found(request, wanted.model_copy(update={"states": STATES.get(state, frozenset())}), state)

    def _found(self, request: Request, wanted: Search, state: str = "") -> Response:
        day = (wanted.day, self._site.zone) if wanted.day else None
        found = self._store.results(before=wanted.before, limit=SECTION + 1, search=wanted.text, day=day, states=wanted.states)
        shown, still = found[:SECTION], StandingStill(self._store)
        return self._page(
            request,
            "results.html",
            {
                "rows": [_listed(row, still) for row in shown],
                "more_before": shown[-1].strip_id if len(found) > SECTION else None,
                "wanted": wanted,
                "state": state,
                "states": tuple(STATES),
                "searched": bool(wanted.text or wanted.day or wanted.states),
            },
        )

    def strip(self, request: Request, strip_id: RowId, start: int | None = None) -> Response:
        """Show one judged strip as it was received and understood."""
        row = self._store.strip(strip_id)
        if row is None:
            raise HTTPException(404, _("There is no such strip."))
        kept = self._store.capture(row.capture_id)
        states = self._states(row)
        view = capture_view.view(kept.capture.payload, row.place, start=start, is_fault=row.outcome == "unreadable")
        drawn = way.way_of_strip(row, states)
        decided = self._store.reading_facts(row.capture_id, row.index, record_digest=row.record_digest).decisions
        shown = {"strip": row, "kept": kept, "view": view, "way": drawn, "times": way.times_of(row), "decided": decided}
        return self._page(request, "strip.html", shown)

    def _states(self, row: StripRow) -> list[DeliveryState]:
        """Give where a strip's result stands at its receivers; of a withdrawn one, where its withdrawal does."""
        if row.outcome == "withdrawn":
            return [state for _, state in withdrawal_of(self._store.corrections(result_id=row.result_id), row.result_id)]
        return [each.state for each in way.newest_of(self._store.deliveries(row.result_id))] if row.result_id else []


def _listed(row: ResultRow, still: StandingStill) -> tuple[ResultRow, way.Way, Withdrawn | None]:
    states = [state for _, state in row.states]
    if row.is_withdrawn:
        return row, way.way_of_withdrawn(states), still.withdrawn(row.states)
    return row, way.way_of_result(states), None
