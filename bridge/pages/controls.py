"""The page Controls: how the gates stand, what waits, what is to be looked at again, every run, and the charts."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Annotated, Literal

import pydantic
from fastapi import APIRouter, Form, HTTPException, Request
from fastapi.responses import RedirectResponse, Response
from pydantic import BaseModel

from bridge.bench.charts import ControlledPad, Interval, PadChart, pad_charts
from bridge.bench.controls import RunVerdict
from bridge.bench.gate import Cause, Gate, GateEvent, GateKey, at_time, may, set_right
from bridge.bench.look_back import Verdict
from bridge.bench.run_text import KeptRun, kept_run
from bridge.desk.corrections import Who
from bridge.desk.gates import GateDesk
from bridge.desk.lots import typed_lots
from bridge.errors import RefusedAction
from bridge.model import GateState
from bridge.pages.control_chart import Drawing, drawing
from bridge.pages.forms import SEE_OTHER, Field, RequiresToken, RowId, ShowsPage, typed_actor
from bridge.pages.language import Words, _
from bridge.pages.site import Bench, Desks
from bridge.store.api import Store
from bridge.store.rows import GateEventRow, LookBackShown
from bridge.tables.control_table import DriftRule, GatePolicy, ShutDoes

RUNS_SHOWN = 40  # ours: a week of one analyzer's controls with their repeats
CHARTED = timedelta(days=92)  # ours: a quarter of a year
MOST_CHARTED = 4_000  # ours: runs; ten analyzers, two levels a day and a quarter of a year are fewer
LATELY = timedelta(days=8)  # ours: a gate of a lot that nothing happened to for a week is over, unless strips wait for it
WAITING_SHOWN = 100  # ours: more than a morning before its controls

GATE_WORDS = Words[GateState](
    {
        GateState.START: "controls are to be run",
        GateState.OPEN: "controls have passed",
        GateState.DUE: "controls are due",
        GateState.FAILED: "a control failed: say why it is repeated, or note what was put right",
        GateState.REPEAT: "the repeat of a failed control is to be run",
        GateState.REPEATED: "the repeat passed: say why the control was repeated",
        GateState.LOCKED: "controls failed twice: note what was put right",
        GateState.MENDED: "put right: a new full set of controls is to be run",
    }
)


class GateForm(BaseModel):
    """A person's word on a gate, as the page's forms send it. ``done`` is what was put right."""

    analyzer: Field
    strip_type: Field
    strip_lot: Field = ""
    action: Literal["explain", "mend", "container", "service"]
    token: Field = ""
    name: Field = ""
    reason: Field = ""
    done: Field = ""


class LookBackForm(BaseModel):
    """What a person decides about a result that left before a control failed; ``version`` is the one that the page showed."""

    verdict: Verdict
    result_id: Field
    version: int
    token: Field = ""
    name: Field = ""
    colleague: Field = ""
    reason: Field = ""
    comment: Field = ""


class WaitingForm(pydantic.BaseModel):
    """What a person decides about one waiting strip."""

    action: Field
    token: Field = ""
    name: Field = ""
    reason: Field = ""
    second_person: Field = ""
    specimen: Field = ""


@dataclass(frozen=True, kw_only=True, slots=True)
class ShownGate:
    """One gate as it stands now: whether results go, in words, and what a person may say of it."""

    key: GateKey
    gate: Gate
    waiting: int
    words: str
    results: str
    may_explain: bool
    may_mend: bool

    @property
    def levels(self) -> str:
        """Give the levels of the set under way that have passed."""
        return ", ".join(sorted(self.gate.passed))


@dataclass(frozen=True, kw_only=True, slots=True)
class ShownRun:
    """One line of the history: a control's run, or a person's word (``run`` None)."""

    event: GateEventRow
    run: KeptRun | None

    @property
    def off(self) -> tuple[str, ...]:
        """Name the pads that were not as expected, with the reason."""
        pads = self.run.pads if self.run else ()
        return tuple(
            f"{each.pad.replace('_', ' ')}: {_(each.fit.value)}" for each in pads if each.offset or each.observed is None
        )


@dataclass(frozen=True, kw_only=True, slots=True)
class ShownChart:
    """A pad's chart with its drawing and its shares in words."""

    chart: PadChart
    drawing: Drawing
    exact: str
    within_one: str


def results_words(state: GateState, shut: ShutDoes) -> str:
    """Say what becomes of patients' results while a gate stands so."""
    if state.may_go:
        return _("may go")
    if shut is ShutDoes.NOTE:
        return _("go, with a note")
    return _("wait") if shut is ShutDoes.WAIT and not state.is_failure else _("are held for a decision")


def shown_gates(store: Store, policy: GatePolicy | None, *, now: datetime) -> tuple[ShownGate, ...]:
    """Give the gates that matter now; none where the site has no policy."""
    if policy is None:
        return ()
    found = (row for row in store.gates() if row.waiting or (row.gate.as_of and row.gate.as_of > now - LATELY))
    return tuple(_shown(row.key, at_time(set_right(row.gate, now), now, policy), row.waiting, policy) for row in found)


def _shown(key: GateKey, gate: Gate, waiting: int, policy: GatePolicy) -> ShownGate:
    return ShownGate(
        key=key,
        gate=gate,
        waiting=waiting,
        words=GATE_WORDS[gate.state],
        results=results_words(gate.state, policy.shut),
        may_explain=may(gate.state, GateEvent.EXPLAIN),
        may_mend=may(gate.state, GateEvent.MEND),
    )


def share_words(interval: Interval | None, found: int, n: int) -> str:
    """Say a share with its interval and its n: never a bare figure."""
    if interval is None:
        return _("no runs")
    return _(
        "{found} of {n} (95 % interval {low} to {high})", found=found, n=n, low=f"{interval.low:.0%}", high=f"{interval.high:.0%}"
    )


def shown_charts(events: tuple[GateEventRow, ...], drift: DriftRule) -> tuple[ShownChart, ...]:
    """Give a chart of every pad and level of the runs that counted."""
    points = [
        ControlledPad(at=event.at, strip_id=event.event_id, pad=pad.pad, level=run.level, lot=run.lot, offset=pad.offset)
        for event in events
        if event.what in (RunVerdict.PASSED, RunVerdict.FAILED)
        for run in [kept_run(event.run)]
        for pad in run.pads
        if pad.offset is not None
    ]
    return tuple(
        ShownChart(
            chart=chart,
            drawing=drawing(chart, chart.pad.replace("_", " ")),
            exact=share_words(chart.counts.exact_share, chart.counts.exact, chart.counts.n),
            within_one=share_words(chart.counts.within_one_share, chart.counts.exact + chart.counts.one, chart.counts.n),
        )
        for chart in pad_charts(points, drift)
    )


class Controls:
    """Makes the routes of the page."""

    def __init__(
        self,
        store: Store,
        desks: Desks,
        bench: Bench,
        show: ShowsPage,
        require_token: RequiresToken,
        now: Callable[[], datetime],
    ) -> None:
        self._store = store
        self._desk = desks.gates
        self._corrections = desks.corrections
        self._tables = bench.tables
        self._table = bench.tables.controls
        self._names = {pad: each.name for pad, each in bench.tables.catalogue.pads.items()}
        self._show = show
        self._require_token = require_token
        self._now = now

    def add_to(self, routes: APIRouter) -> None:
        """Add the routes."""
        routes.add_api_route("/controls", self.page, methods=["GET"], response_model=None)
        routes.add_api_route("/controls/charts", self.charts, methods=["GET"], response_model=None)
        routes.add_api_route("/controls/gate", self.say, methods=["POST"], response_model=None)
        routes.add_api_route("/controls/strips/{strip_id}", self.end_waiting, methods=["POST"], response_model=None)
        routes.add_api_route("/controls/look-back/{row_id}", self.decide, methods=["POST"], response_model=None)

    def page(self, request: Request) -> Response:
        """Show how the gates stand and what they ask of people."""
        return self._page(request)

    def _page(self, request: Request, *, said: str = "") -> Response:
        now = self._now()
        return self._show(
            request,
            "controls.html",
            {
                "table": self._table,
                "gates": shown_gates(self._store, self._table.policy, now=now),
                "waiting": self._store.strips(outcome="waiting", limit=WAITING_SHOWN),
                **_look_backs(self._store),
                "needs_second": self._corrections.terms.needs_second,
                "runs": tuple(shown_run(event) for event in self._store.gate_events(limit=RUNS_SHOWN)),
                "released": self._store.sent_in_spite(since=now - LATELY),
                "typed_lots": typed_lots(self._store, self._tables),
                "verdicts": Verdict,
                "causes": Cause,
                "terms": self._desk.terms,
                "today": now.astimezone(self._table.policy.zone).date() if self._table.policy else None,
                "said": said,
            },
            status=409 if said else 200,
        )

    def charts(self, request: Request) -> Response:
        """Show the charts of the last quarter of a year."""
        events = self._store.gate_events(since=self._now() - CHARTED, limit=MOST_CHARTED)
        shown = {"charts": shown_charts(events, self._table.drift), "drift": self._table.drift, "names": self._names}
        return self._show(request, "control_charts.html", shown)

    # --- actions

    def say(self, request: Request, form: Annotated[GateForm, Form()]) -> Response:
        """Keep a person's word on a gate."""
        self._require_token(request, form.token)
        key = GateKey(analyzer=form.analyzer, strip_type=form.strip_type, strip_lot=form.strip_lot)
        return self._do(request, lambda: _say(self._desk, key, form))

    def end_waiting(self, request: Request, strip_id: RowId, form: Annotated[WaitingForm, Form()]) -> Response:
        """Release or give up one waiting strip."""
        self._require_token(request, form.token)
        by, why = typed_actor(form.name), form.reason
        ends: dict[str, Callable[[], None]] = {
            "release": lambda: self._desk.release(strip_id, reason=why, actor=by, second=form.second_person),
            "discard": lambda: self._desk.discard(strip_id, reason=why, actor=by, specimen=form.specimen),
        }
        if form.action not in ends:
            raise HTTPException(404, _("There is no such action."))
        return self._do(request, ends[form.action])

    def decide(self, request: Request, row_id: RowId, form: Annotated[LookBackForm, Form()]) -> Response:
        """Decide about one result of a look-back, and do it: a result that does not stand is withdrawn, or its report is corrected."""
        self._require_token(request, form.token)
        by = typed_actor(form.name)
        who = Who(actor=by, second=form.colleague, reason=form.reason, look_back=row_id)
        acts: Mapping[Verdict, Callable[[], object]] = {
            Verdict.STANDS: lambda: self._desk.let_stand(row_id, reason=form.reason, actor=by),
            Verdict.CORRECTED: lambda: self._corrections.comment(form.result_id, form.version, form.comment, who=who),
            Verdict.WITHDRAWN: lambda: self._corrections.withdraw(form.result_id, form.version, who=who),
        }
        return self._do(request, acts[form.verdict])

    def _do(self, request: Request, action: Callable[[], object]) -> Response:
        try:
            action()
        except RefusedAction as error:
            return self._page(request, said=str(error))
        return RedirectResponse("/controls", status_code=SEE_OTHER)


def _look_backs(store: Store) -> dict[str, tuple[LookBackShown, ...]]:
    """Give what is to be decided, what was decided and is not over, and what is over."""
    under_way = store.look_backs_under_way()
    known = {row.row_id for row in under_way}
    decided = store.look_backs(is_open=False, limit=RUNS_SHOWN)
    return {
        "to_review": store.look_backs(is_open=True),
        "under_way": under_way,
        "reviewed": tuple(row for row in decided if row.row_id not in known),
    }


def _say(desk: GateDesk, key: GateKey, form: GateForm) -> None:
    actor = typed_actor(form.name)
    match form.action:
        case "explain":
            desk.explain_repeat(key, reason=form.reason, actor=actor)
        case "mend":
            desk.note_repair(key, cause=form.reason, action=form.done, actor=actor)
        case "container" | "service":
            desk.begin_anew(key, cause=Cause[form.action.upper()], actor=actor)


def shown_run(event: GateEventRow) -> ShownRun:
    """Give a line of the history with its run as kept."""
    return ShownRun(event=event, run=kept_run(event.run) if event.run else None)
