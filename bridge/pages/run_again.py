"""A specimen that was run twice: both strips beside each other, and what a person may do."""

from __future__ import annotations

from typing import Annotated, Literal

from fastapi import APIRouter, Form, HTTPException, Request
from fastapi.responses import RedirectResponse, Response
from pydantic import BaseModel

from bridge.desk.corrections import Who
from bridge.desk.run_again import RunAgainDesk
from bridge.errors import RefusedAction
from bridge.pages.forms import SEE_OTHER, Field, RequiresToken, RowId, ShowsPage, typed_actor
from bridge.pages.language import _, later

NO_PAIR = later("This row is of no specimen that was run again, so there are no two strips to compare. Look at the row itself.")


class RunAgainForm(BaseModel):
    """What a person decides, as the page's forms send it. ``version`` is that of the first result which the page showed."""

    version: int = 0
    token: Field = ""
    name: Field = ""
    colleague: Field = ""
    reason: Field = ""


class RunAgain:
    """Makes the routes of the page."""

    def __init__(self, desk: RunAgainDesk, show: ShowsPage, require_token: RequiresToken) -> None:
        self._desk = desk
        self._show = show
        self._require_token = require_token

    def add_to(self, routes: APIRouter) -> None:
        """Add the routes."""
        routes.add_api_route("/rejected/{stop_id}/specimen", self.page, methods=["GET"], response_model=None)
        routes.add_api_route("/rejected/{stop_id}/specimen/{action}", self.act, methods=["POST"], response_model=None)

    def page(self, request: Request, stop_id: RowId) -> Response:
        """Show both strips of a specimen."""
        return self._page(request, stop_id)

    def _page(self, request: Request, stop_id: int, *, said: str = "", given: RunAgainForm | None = None) -> Response:
        pair = self._desk.pair(stop_id)
        if pair is None:
            if not self._desk.is_known(stop_id):
                raise HTTPException(404, _("There is no such row."))
            none = {"title": _("One strip"), "sentence": _(NO_PAIR), "back": f"/rejected/{stop_id}"}
            return self._show(request, "message.html", none, status=409 if said else 200)
        shown = {
            "pair": pair,
            "needs_second": self._desk.corrections.terms.needs_second,
            "said": said,
            "given": given or RunAgainForm(),
        }
        return self._show(request, "run_again.html", shown, status=409 if said else 200)

    def act(
        self, request: Request, stop_id: RowId, action: Literal["keep", "replace"], form: Annotated[RunAgainForm, Form()]
    ) -> Response:
        """Keep the first result, or replace it; on a refusal show the page again with the reason."""
        self._require_token(request, form.token)
        by = typed_actor(form.name)
        try:
            if action == "keep":
                self._desk.keep_first(stop_id, reason=form.reason, actor=by)
            else:
                who = Who(actor=by, second=form.colleague, reason=form.reason)
                self._desk.replace_first(stop_id, form.version, who=who)
        except RefusedAction as error:
            return self._page(request, stop_id, said=str(error), given=form)
        return RedirectResponse(f"/rejected/{stop_id}", status_code=SEE_OTHER)
