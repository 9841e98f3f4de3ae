"""The page Lots: containers of strips as they are opened, every strip of a lot, and two lots beside each other."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Annotated, Any, Literal
from urllib.parse import urlencode

from fastapi import APIRouter, Form, Request
from fastapi.responses import RedirectResponse, Response
from pydantic import BaseModel

from bridge.bench.containers import ContainerEnd
from bridge.bench.lots import LotUse, PadAgreement, agreement, pairs, tallied, told_by_container
from bridge.desk.containers import ContainerDesk, TypedContainer
from bridge.errors import RefusedAction
from bridge.model import Container
from bridge.pages.container_board import ContainerBoard
from bridge.pages.controls import share_words
from bridge.pages.forms import SEE_OTHER, Field, RequiresToken, RowId, ShowsPage, Text, typed_actor
from bridge.pages.language import _
from bridge.pages.lot_export import lot_csv
from bridge.pages.site import PagesSite
from bridge.store.api import Store

LISTED = 200  # ours: rows that a person looks through on a page; the table for a spreadsheet has all
ENDED_SHOWN = 20  # ours: the containers of some weeks


class ContainerForm(BaseModel):
    """A container as the form sends it. ``expires`` is a day, ``opened`` a day and time of the site's clock, or "" for now."""

    analyzer: Field
    strip_type: Field
    strip_lot: Field
    expires: Field
    opened: Field = ""
    token: Field = ""
    name: Field = ""


class AcceptForm(BaseModel):
    """A person's word on a lot, as the page's forms send it."""

    action: Literal["accept", "sign", "withdraw"]
    strip_type: Field
    strip_lot: Field
    token: Field = ""
    name: Field = ""
    reason: Field = ""


@dataclass(frozen=True, kw_only=True, slots=True)
class ShownPad:
    """One pad of a comparison, with its shares in words."""

    name: str
    pad: PadAgreement
    exact: str
    within_one: str


class Lots:
    """Makes the routes of the page. ``board`` says how the containers stand."""

    def __init__(
        self,
        store: Store,
        desk: ContainerDesk,
        site: PagesSite,
        show: ShowsPage,
        require_token: RequiresToken,
        now: Callable[[], datetime],
    ) -> None:
        self._store = store
        self._desk = desk
        self._site = site
        self._tables = site.bench.tables
        self.board = ContainerBoard(store, site.bench.tables)
        self._show = show
        self._require_token = require_token
        self._now = now

    def add_to(self, routes: APIRouter) -> None:
        """Add the routes."""
        routes.add_api_route("/lots", self.page, methods=["GET"], response_model=None)
        routes.add_api_route("/lots/containers", self.open, methods=["POST"], response_model=None)
        routes.add_api_route("/lots/containers/{container_id}/close", self.close, methods=["POST"], response_model=None)
        routes.add_api_route("/lots/accepted", self.accept, methods=["POST"], response_model=None)
        routes.add_api_route("/lots/strips", self.strips, methods=["GET"], response_model=None)
        routes.add_api_route("/lots/strips.csv", self.export, methods=["GET"], response_model=None)
        routes.add_api_route("/lots/compared", self.compared, methods=["GET"], response_model=None)

    def page(self, request: Request) -> Response:
        """Show the containers in use, and the forms."""
        return self._page(request)

    def _page(self, request: Request, *, typed: ContainerForm | None = None, said: str = "") -> Response:
        rows = self._store.containers()
        return self._show(
            request,
            "lots.html",
            {
                "table": self._tables.containers,
                "in_use": self.board.in_use(now=self._now(), anew=True),
                "ended": tuple(row for row in reversed(rows) if row.container.closed_at)[:ENDED_SHOWN],
                "lots": sorted({(row.strip_type, row.container.strip_lot) for row in rows if not row.is_mistake}),
                "analyzers": sorted(self._site.schemes),
                "strip_types": sorted(self._tables.strip_types),
                "ends": ContainerEnd,
                "typed": typed,
                "said": said,
            },
            status=409 if said else 200,
        )

    # --- actions

    def open(self, request: Request, form: Annotated[ContainerForm, Form()]) -> Response:
        """Keep a container; on a refusal show the form again with all that was typed."""
        self._require_token(request, form.token)
        typed = TypedContainer(
            analyzer=form.analyzer,
            strip_type=form.strip_type,
            strip_lot=form.strip_lot,
            expires=form.expires.strip(),
            opened=form.opened.strip(),
        )
        if form.analyzer not in self._site.schemes:
            return self._page(request, typed=form, said=_("Choose the analyzer and the strip type."))
        try:
            self._desk.open(typed, actor=typed_actor(form.name))
        except RefusedAction as error:
            return self._page(request, typed=form, said=str(error))
        return RedirectResponse("/lots", status_code=SEE_OTHER)

    def close(
        self,
        request: Request,
        container_id: RowId,
        how: Annotated[ContainerEnd, Form()],
        token: Text = "",
        name: Text = "",
        reason: Text = "",
    ) -> Response:
        """Take a container out of use."""
        self._require_token(request, token)
        try:
            self._desk.close(container_id, how=how, reason=reason, actor=typed_actor(name))
        except RefusedAction as error:
            return self._page(request, said=str(error))
        return RedirectResponse("/lots", status_code=SEE_OTHER)

    def accept(self, request: Request, form: Annotated[AcceptForm, Form()]) -> Response:
        """Accept a lot, sign that as a second person, or take it back."""
        self._require_token(request, form.token)
        of, actor = (form.strip_type, form.strip_lot), typed_actor(form.name)
        try:
            match form.action:
                case "accept":
                    self._desk.accept_lot(*of, reason=form.reason, actor=actor)
                case "sign":
                    self._desk.sign_lot(*of, actor=actor)
                case "withdraw":
                    self._desk.withdraw_lot(*of, reason=form.reason, actor=actor)
        except RefusedAction as error:
            return self._strips(request, form.strip_type, form.strip_lot, said=str(error))
        where = urlencode({"strip_type": form.strip_type, "strip_lot": form.strip_lot})
        return RedirectResponse(f"/lots/strips?{where}", status_code=SEE_OTHER)

    # --- a lot

    def strips(self, request: Request, strip_type: str = "", strip_lot: str = "") -> Response:
        """Show every strip of a lot: how many, where their results went, and the newest of them. Without a lot it is the page that asks for one."""
        if not strip_lot.strip():
            return RedirectResponse("/lots", status_code=SEE_OTHER)
        return self._strips(request, strip_type, strip_lot)

    def _strips(self, request: Request, strip_type: str, strip_lot: str, *, said: str = "") -> Response:
        uses = self._uses(strip_type, strip_lot.strip())
        shown: dict[str, Any] = {
            "strip_type": strip_type,
            "strip_lot": strip_lot.strip(),
            "tally": tallied(uses),
            "alike": self._store.lots_alike(strip_type, strip_lot.strip()),
            "newest": tuple(reversed(uses[-LISTED:])),
            "containers": tuple(
                row
                for row in self._store.containers()
                if (row.strip_type, row.container.strip_lot) == (strip_type, strip_lot.strip())
            ),
        }
        policy = self._tables.containers.policy
        shown["asks"] = policy is not None and policy.new_lot is not None and strip_type in self._tables.strip_types
        shown |= {"accepted": self._store.accepted_lot(strip_type, strip_lot.strip()), "said": said}
        return self._show(request, "lot.html", shown, status=409 if said else 200)

    def export(self, strip_type: str = "", strip_lot: str = "") -> Response:
        """Give every strip of a lot as a table for a spreadsheet."""
        text = lot_csv(self._uses(strip_type, strip_lot.strip()), self._site.zone)
        headers = {"content-disposition": 'attachment; filename="lot.csv"'}  # the lot's own text may hold anything
        return Response(text, media_type="text/csv; charset=utf-8", headers=headers)

    def _uses(self, strip_type: str, strip_lot: str) -> Sequence[LotUse]:
        """Give the strips on which the lot is printed, and those of analyzers that print none, told by their container; oldest first."""
        if not strip_lot:
            return ()
        chains: dict[str, tuple[Container, ...]] = {}
        for row in self._store.containers():
            if row.strip_type == strip_type and not row.is_mistake:
                chains[row.analyzer] = (*chains.get(row.analyzer, ()), row.container)
        printed = self._store.lot_uses(strip_type, strip_lot)
        if not any(each.strip_lot == strip_lot for chain in chains.values() for each in chain):
            return printed
        bare = told_by_container(self._store.lot_uses(strip_type, ""), chains, strip_lot)
        return sorted((*printed, *bare), key=lambda use: use.strip_id)

    def compared(self, request: Request, strip_type: str = "", first: str = "", second: str = "") -> Response:
        """Show how the pads of two lots agree on what was read on both on purpose. A lot is not compared with itself."""
        strip = self._tables.strip_types.get(strip_type)
        lots = first.strip(), second.strip()
        if not all(lots) or lots[0] == lots[1]:
            return self._page(
                request, said=_("Choose two lots that differ: a lot that is compared with itself agrees with itself.")
            )
        found = pairs(*(self._store.compared_readings(strip_type, lot) for lot in lots)) if strip else ()
        shown = {
            "strip_type": strip_type,
            "lots": lots,
            "pairs": found,
            "pads": tuple(self._pad(each) for each in agreement(found, strip) if each.counts.n) if strip else (),
        }
        return self._show(request, "lots_compared.html", shown)

    def _pad(self, each: PadAgreement) -> ShownPad:
        counts = each.counts
        return ShownPad(
            name=self._tables.catalogue.pads[each.pad].name,
            pad=each,
            exact=share_words(counts.exact_share, counts.exact, counts.n),
            within_one=share_words(counts.within_one_share, counts.exact + counts.one, counts.n),
        )
