"""A result's own page with its versions and what may be done about it, and the page Corrections with the calls that are to be made."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Annotated, Literal

from fastapi import APIRouter, Form, HTTPException, Request
from fastapi.responses import RedirectResponse, Response
from pydantic import BaseModel

from bridge.bench.corrections import Kind, Unit, units_to_call
from bridge.desk.corrections import CorrectionDesk, Typed, Who
from bridge.errors import AnotherStrip, RefusedAction
from bridge.model import CodedPad, DeliveryState, Purpose, ResultStatus
from bridge.pages import message_view, sent_values, way
from bridge.pages.forms import SEE_OTHER, Field, RequiresToken, RowId, ShowsPage, typed_actor
from bridge.pages.language import _
from bridge.pages.withdrawal import StandingStill, Withdrawn, withdrawal_of
from bridge.pages.words import plain
from bridge.render import wording
from bridge.store.api import Store
from bridge.store.commands import RecordedCorrection
from bridge.store.rows import CorrectionRow, ResultDetail

LISTED = timedelta(days=31)  # ours: a month of corrections, as the review of a month looks at them
LISTED_STRIPS = 10  # ours: a specimen is run twice, seldom three times; its number may come again in another year
MOST = 200  # ours: more than a month of a large site's


class ChangeForm(BaseModel):
    """What a person does about a result, as the page's forms send it. ``version`` is the one that the page showed."""

    version: int
    token: Field = ""
    name: Field = ""
    colleague: Field = ""
    reason: Field = ""
    order_number: Field = ""
    specimen_id: Field = ""
    day: Field = ""
    clock: Field = ""
    which: Field = ""
    comment: Field = ""
    first: Field = ""
    second: Field = ""
    second_identifier: Field = ""
    same_person: Field = ""


class CallForm(BaseModel):
    """A telephone call, as the page's form sends it; ``read_back`` is "" for no."""

    unit: Unit
    token: Field = ""
    name: Field = ""
    told: Field = ""
    read_back: Field = ""


@dataclass(frozen=True, kw_only=True, slots=True)
class ShownVersion:
    """One version of a result: what it is, who made it of the one before (None: the first report), and where it stands."""

    version: int
    words: str
    made_by: CorrectionRow | None
    standing: tuple[tuple[str, DeliveryState], ...]


@dataclass(frozen=True, kw_only=True, slots=True)
class ShownCorrection:
    """A correction with the units that are still to be telephoned, and where its withdrawal stands."""

    row: CorrectionRow
    units: tuple[Unit, ...]
    withdrawn: Withdrawn


def to_telephone(store: Store, *, now: datetime) -> tuple[ShownCorrection, ...]:
    """Give the corrections of the last month about which somebody is still to be telephoned, oldest first."""
    return tuple(reversed([each for each in _lately(store, now) if each.units]))


def _lately(store: Store, now: datetime) -> list[ShownCorrection]:
    still = StandingStill(store)
    return [_shown(row, still, now) for row in store.corrections(since=now - LISTED, limit=MOST)]


def _shown(row: CorrectionRow, still: StandingStill, now: datetime) -> ShownCorrection:
    withdrawals = still.withdrawals(row.withdrawals)
    return ShownCorrection(
        row=row,
        units=units_to_call(row.correction, withdrawals, row.calls, now=now),
        withdrawn=Withdrawn(withdrawals=withdrawals),
    )


def versions_of(detail: ResultDetail, corrections: tuple[CorrectionRow, ...]) -> tuple[ShownVersion, ...]:
    """Give the versions of a result in order; ``corrections`` are those that it is part of."""
    made: dict[int, CorrectionRow] = {}
    for row in corrections:
        of = row.correction
        if of.new_result_id == detail.strip.result_id and of.new_version is not None and of.kind is not Kind.MOVED:
            made[of.new_version] = row
        elif of.kind is not Kind.CORRECTED and detail.result and of.result_id == detail.result.result_id:
            made[of.version + 1] = row
    found = sorted({delivery.version for delivery, _, _ in detail.deliveries} | {detail.version})
    return tuple(
        ShownVersion(
            version=version,
            words=_words(version, made.get(version)),
            made_by=made.get(version),
            standing=tuple((each.destination, each.state) for each, _, _ in detail.deliveries if each.version == version),
        )
        for version in found
    )


def _words(version: int, made_by: CorrectionRow | None) -> str:
    if made_by is None:
        return _("first report") if version == 1 else _("report")
    of = made_by.correction
    return _("withdrawn") if of.kind is not Kind.CORRECTED else _("corrected: {fields}", fields=", ".join(map(_, of.fields)))


class Corrections:
    """Makes the routes of both pages."""

    def __init__(
        self,
        store: Store,
        desk: CorrectionDesk,
        show: ShowsPage,
        require_token: RequiresToken,
        now: Callable[[], datetime],
    ) -> None:
        self._store = store
        self._desk = desk
        self._show = show
        self._require_token = require_token
        self._now = now

    def add_to(self, routes: APIRouter) -> None:
        """Add the routes."""
        routes.add_api_route("/results/{result_id}", self.result, methods=["GET"], response_model=None)
        routes.add_api_route("/results/{result_id}/{action}", self.change, methods=["POST"], response_model=None)
        routes.add_api_route("/corrections", self.page, methods=["GET"], response_model=None)
        routes.add_api_route("/corrections/{correction_id}/calls", self.call, methods=["POST"], response_model=None)

    # --- one result

    def result(self, request: Request, result_id: str) -> Response:
        """Show one result, its versions and their whole way."""
        return self._result(request, result_id)

    def _result(
        self, request: Request, result_id: str, *, refused: RefusedAction | None = None, given: ChangeForm | None = None
    ) -> Response:
        detail = self._store.result(result_id)
        if detail is None:
            raise HTTPException(404, _("There is no such result."))
        corrections = self._store.corrections(result_id=result_id)
        stands = detail.strip.outcome == "coded" and detail.strip.result_id == result_id
        is_withdrawn = detail.result is not None and detail.result.status is ResultStatus.WITHDRAWN
        still = StandingStill(self._store)
        withdrawal = withdrawal_of(corrections, result_id) if is_withdrawn else ()
        newest = [each.state for each in way.newest_of([each for each, _, _ in detail.deliveries])]
        shown = {
            "detail": detail,
            "coded": _coded(detail),
            "messages": [(delivery, message_view.lines(message), tries) for delivery, message, tries in detail.deliveries],
            "way": way.way_of_withdrawn([state for _, state in withdrawal]) if is_withdrawn else way.way_of_result(newest),
            "times": way.times_of(
                detail.strip, [(each, tries) for each, _, tries in detail.deliveries if each.version == detail.version]
            ),
            "versions": versions_of(detail, corrections),
            "corrections": [_shown(row, still, self._now()) for row in reversed(corrections)],
            "moved_to": next((row for row in corrections if _leads(row, result_id)), None),
            "moved_from": next((row for row in corrections if _leads(row, "", result_id)), None),
            "replacing": self._store.replacing(result_id),
            "same_specimen": self._store.specimen_strips(detail.strip.strip_id, limit=LISTED_STRIPS),
            "may_change": stands and detail.result is not None and detail.result.purpose is Purpose.PATIENT,
            "awaited": self._store.awaited_of(result_id),
            "added": wording.added(detail.result) if detail.result else (),
            "withdrawn": still.withdrawn(withdrawal) if is_withdrawn else None,
            "needs_second": self._desk.terms.needs_second,
            "said": str(refused or ""),
            "asks_same_person": isinstance(refused, AnotherStrip),
            "given": given or ChangeForm(version=detail.version),
        }
        name = "result.html" if detail.result else "purged.html"
        return self._show(request, name, shown, status=409 if refused else 200)

    def change(
        self,
        request: Request,
        result_id: str,
        action: Literal["correct", "move", "withdraw"],
        form: Annotated[ChangeForm, Form()],
    ) -> Response:
        """Correct, move or withdraw a result; on a refusal show its page again with the reason."""
        self._require_token(request, form.token)
        try:
            self._do(result_id, action, form)
        except RefusedAction as error:
            return self._result(request, result_id, refused=error, given=form)
        return RedirectResponse(f"/results/{result_id}", status_code=SEE_OTHER)

    def _do(self, result_id: str, action: str, form: ChangeForm) -> RecordedCorrection:
        who = Who(actor=typed_actor(form.name), second=form.colleague, reason=form.reason)
        match action:
            case "correct":
                found = self._store.result(result_id)
                order, specimen = (found.result.order_number, found.result.specimen_id) if found and found.result else ("", "")
                typed = Typed(
                    order_number=_as_typed(form.order_number, order),
                    specimen_id=_as_typed(form.specimen_id, specimen),
                    day=form.day,
                    clock=form.clock,
                    which=form.which,
                    comment=form.comment,
                )
                return self._desk.correct(result_id, form.version, typed, who=who)
            case "move":
                if form.first == form.second and not form.same_person:
                    self._desk.ask_same_person(result_id, form.first)
                return self._desk.move(
                    result_id,
                    form.version,
                    first=form.first,
                    second=form.second,
                    second_identifier=form.second_identifier,
                    who=who,
                )
        return self._desk.withdraw(result_id, form.version, who=who)

    # --- all corrections

    def page(self, request: Request) -> Response:
        """Show the corrections of the last month, those first about which somebody is to be telephoned."""
        return self._page(request)

    def _page(self, request: Request, *, said: str = "") -> Response:
        lately = _lately(self._store, self._now())
        shown = {
            "open": [each for each in reversed(lately) if each.units],
            "settled": [each for each in lately if not each.units],
            "minutes": int(self._desk.terms.acknowledged_within.total_seconds() // 60),
            "said": said,
        }
        return self._show(request, "corrections.html", shown, status=409 if said else 200)

    def call(self, request: Request, correction_id: RowId, form: Annotated[CallForm, Form()]) -> Response:
        """Keep a telephone call."""
        self._require_token(request, form.token)
        try:
            self._desk.record_call(
                correction_id, form.unit, told=form.told, read_back=bool(form.read_back), actor=typed_actor(form.name)
            )
        except RefusedAction as error:
            return self._page(request, said=str(error))
        return RedirectResponse("/corrections", status_code=SEE_OTHER)


def _coded(detail: ResultDetail) -> list[tuple[CodedPad, tuple[tuple[tuple[str, ...], str], ...], tuple[str, ...]]]:
    """Give each pad with what the newest version's messages say of it, and its codes."""
    of_version = (message for delivery, message, _ in detail.deliveries if delivery.version == detail.version)
    said = [(message.destination, sent_values.sent_as(message)) for message in of_version]
    pads = detail.result.pads if detail.result else ()
    return [(pad, sent_values.of_pad(pad, said), sent_values.codes_of(pad)) for pad in pads]


def _leads(row: CorrectionRow, old: str, new: str = "") -> bool:
    """Say whether a result went to another patient: away from ``old``, or to ``new``."""
    of = row.correction
    return of.kind is Kind.MOVED and (of.result_id == old or (bool(new) and of.new_result_id == new))


def _as_typed(typed: str, now: str) -> str:
    """Give what a field says; one that was left as the page shows it, with unseen characters in brackets, is left as it is."""
    return now if typed.strip() == plain(now) else typed
