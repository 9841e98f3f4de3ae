"""The choice of a language, at the foot of every page. It is this browser's: on a shared screen it stays for whoever comes next."""

from __future__ import annotations

from datetime import timedelta
from typing import Annotated

from fastapi import APIRouter, Form, Request
from fastapi.responses import RedirectResponse, Response
from pydantic import BaseModel

from bridge.pages.forms import SEE_OTHER, Field, RequiresToken
from bridge.pages.interpreter import CHOSEN
from bridge.pages.language import Language
from bridge.pages.sign_in import inside

KEPT = timedelta(days=366)  # ours: who works with it chooses once a year at most


class ChoiceForm(BaseModel):
    """Which language, and the page to go back to."""

    tag: Field
    back: Field = "/"
    token: Field = ""


class ChoicePages:
    """Makes the route."""

    def __init__(self, offered: tuple[Language, ...], require_token: RequiresToken) -> None:
        self._offered = frozenset(each.tag for each in offered)
        self._require_token = require_token

    def add_to(self, routes: APIRouter) -> None:
        """Add the route."""
        routes.add_api_route("/language", self.choose, methods=["POST"], response_model=None)

    def choose(self, request: Request, form: Annotated[ChoiceForm, Form()]) -> Response:
        """Keep a choice and go back; a tag that is not offered changes nothing."""
        self._require_token(request, form.token)
        answer = RedirectResponse(inside(form.back), status_code=SEE_OTHER)
        if form.tag in self._offered:
            answer.set_cookie(CHOSEN, form.tag, max_age=int(KEPT.total_seconds()), httponly=True, samesite="strict")
        return answer
