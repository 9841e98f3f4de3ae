"""The HTML routes: Today, Rejected messages with its actions, Results."""

from __future__ import annotations

from collections.abc import Callable
from datetime import datetime
from typing import Annotated, Any

from fastapi import APIRouter, Form, HTTPException, Request
from fastapi.responses import RedirectResponse, Response
from fastapi.templating import Jinja2Templates

from bridge.bench.tally import Fate
from bridge.desk.actions import Desk
from bridge.errors import RefusedAction
from bridge.lifecycle.states import StopGroup
from bridge.model import Actor, Format
from bridge.pages import capture_view, message_view, way
from bridge.pages.api import Act, do
from bridge.pages.guard import COOKIE, form_token, token_is_good
from bridge.pages.site import PagesSite
from bridge.pages.today import fate_terms, standing_terms, today
from bridge.store.api import Store

SEE_OTHER = 303  # RFC 9110: after a POST, look there
Text = Annotated[str, Form(max_length=500)]


class Views:
    """Makes the routes; holds what they share."""

    def __init__(
        self, store: Store, desk: Desk, site: PagesSite, templates: Jinja2Templates, now: Callable[[], datetime]
    ) -> None:
        self._store = store
        self._desk = desk
        self._site = site
        self._templates = templates
        self._now = now

    def router(self) -> APIRouter:
        """Give the routes."""
        routes = APIRouter(include_in_schema=False)
        for path, view in (
            ("/", self.today),
            ("/rejected", self.rejected),
            ("/rejected/{stop_id}", self.stop),
            ("/results", self.results),
            ("/results/{result_id}", self.result),
            ("/strips/{strip_id}", self.strip),
        ):
            routes.add_api_route(path, view, methods=["GET"], response_model=None)
        routes.add_api_route("/rejected/read-again", self.read_all_again, methods=["POST"], response_model=None)
        routes.add_api_route("/rejected/{stop_id}/{action}", self.act, methods=["POST"], response_model=None)
        routes.add_api_route("/results", self.search, methods=["POST"], response_model=None)
        return routes

    def _page(self, request: Request, name: str, values: dict[str, Any], *, status: int = 200) -> Response:
        token, nonce = form_token(request, self._site.secret)
        response = self._templates.TemplateResponse(request, name, {**values, "token": token}, status_code=status)
        response.set_cookie(COOKIE, nonce, httponly=True, samesite="strict")
        return response

    def _require_token(self, request: Request, token: str) -> None:
        if not token_is_good(request, token, self._site.secret):
            raise HTTPException(403, "This form is too old. Open the page again and send it from there.")

    # --- pages

    def today(self, request: Request) -> Response:
        """Show what a person must know first."""
        shown = today(self._store, self._site, now=self._now())
        return self._page(
            request,
            "today.html",
            {"day": shown, "fate_terms": fate_terms, "standing_terms": standing_terms, "fates": Fate, "groups": StopGroup},
        )

    def rejected(self, request: Request, rule: str = "", before: int | None = None) -> Response:
        """Show everything stopped, in its three groups."""
        groups = [
            (group, self._store.open_stops()[group], self._store.stops(group=group, rule=rule, before=before))
            for group in StopGroup
        ]
        preview = self._desk.preview_read_again(rule) if rule else ()
        return self._page(
            request, "rejected.html", {"groups": groups, "rule": rule, "reasons": self._store.open_reasons(), "preview": preview}
        )

    def stop(self, request: Request, stop_id: int, start: int | None = None, said: str = "", status: int = 200) -> Response:
        """Show one stopped strip or message: the bytes beside what was understood, and what can be done."""
        row = self._store.stop(stop_id)
        if row is None:
            raise HTTPException(404, "There is no such row.")
        kept = self._store.capture(row.capture_id) if row.capture_id is not None else None
        strip = self._store.strip(row.strip_id) if row.strip_id is not None else None
        place = row.place or (strip.place if strip else None)
        return self._page(
            request,
            "stop.html",
            {
                "stop": row,
                "strip": strip,
                "kept": kept,
                "view": capture_view.view(kept.capture.payload, place, start=start) if kept else None,
                "file": self._store.refused_file(stop_id),
                "way": way.way_of_stop(row),
                "events": self._store.events(f"stop:{stop_id}"),
                "steps": self._site.send_again.get(row.analyzer, ()),
                "said": said,
                "groups": StopGroup,
            },
            status=status,
        )

    def results(self, request: Request, before: int | None = None, kind: str = "") -> Response:
        """Show results, newest first; ``kind`` shows controls, copies or others instead."""
        strips = self._store.strips(outcome=kind, before=before) if kind else ()
        found = () if kind else self._store.results(before=before)
        return self._page(request, "results.html", {"results": found, "strips": strips, "kind": kind, "searched": False})

    def search(self, request: Request, token: Text, search: Text) -> Response:
        """Find results; by POST, so that an identifier is in no URL or log."""
        self._require_token(request, token)
        found = self._store.results(search=search.strip(), limit=200) if search.strip() else ()
        return self._page(request, "results.html", {"results": found, "strips": (), "kind": "", "searched": True})

    def result(self, request: Request, result_id: str) -> Response:
        """Show one result and its whole way."""
        detail = self._store.result(result_id)
        if detail is None:
            raise HTTPException(404, "There is no such result.")
        messages = [
            (delivery, message_view.pretty_json(message) if message.format is Format.FHIR else message_view.text(message), tries)
            for delivery, message, tries in detail.deliveries
        ]
        drawn = way.way_of_result([delivery.state for delivery, _, _ in detail.deliveries])
        return self._page(request, "result.html", {"detail": detail, "messages": messages, "way": drawn})

    def strip(self, request: Request, strip_id: int) -> Response:
        """Show one judged strip that became no result."""
        row = self._store.strip(strip_id)
        if row is None:
            raise HTTPException(404, "There is no such strip.")
        kept = self._store.capture(row.capture_id)
        return self._page(request, "strip.html", {"strip": row, "view": capture_view.view(kept.capture.payload, row.place)})

    # --- actions

    def act(  # noqa: PLR0913, PLR0917 - the fields of the form
        self,
        request: Request,
        stop_id: int,
        action: str,
        token: Text = "",
        name: Text = "",
        reason: Text = "",
        first: Text = "",
        second: Text = "",
        second_identifier: Text = "",
    ) -> Response:
        """Do one action; on a refusal show the page again with the reason."""
        self._require_token(request, token)
        if action not in {"correct", "release", "discard", "send-again", "read-again"}:
            raise HTTPException(404, "There is no such action.")
        try:
            do(
                self._desk,
                stop_id,
                action,
                Act(name=name, reason=reason, first=first, second=second, second_identifier=second_identifier),
            )
        except RefusedAction as error:
            return self.stop(request, stop_id, said=str(error), status=409)
        return RedirectResponse(f"/rejected/{stop_id}", status_code=SEE_OTHER)

    def read_all_again(
        self, request: Request, token: Text, rule: Text, expected: Annotated[int, Form()], name: Text = "", reason: Text = ""
    ) -> Response:
        """Read all of one reason again, if there are still as many as the person saw."""
        self._require_token(request, token)
        try:
            self._desk.read_again_all(
                rule, expected=expected, reason=reason, actor=Actor(name=name.strip(), verified="unverified")
            )
        except RefusedAction as error:
            return self._page(request, "message.html", {"title": "Not read again", "sentence": str(error)}, status=409)
        return RedirectResponse("/rejected", status_code=SEE_OTHER)
