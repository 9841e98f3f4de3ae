"""What is said to a request that leads nowhere, or lacks something: on a page in words, over the API as it is."""

from __future__ import annotations

from collections.abc import Callable
from http import HTTPStatus

from fastapi import Request
from fastapi.exceptions import RequestValidationError
from fastapi.responses import RedirectResponse, Response
from starlette.exceptions import HTTPException

from bridge.pages.doorkeeper import Rows
from bridge.pages.forms import SEE_OTHER
from bridge.pages.guard import API_PREFIX
from bridge.pages.language import Words, _

Refuse = Callable[[Request, int, str, str], Response]
TITLES = Words[int]({404: "There is no such page", 405: "This address takes no such request"})


def astray(request: Request, fault: HTTPException, *, rows: Rows, refuse: Refuse) -> Response:
    """Answer a fault of HTTP. An act that is loaded anew by its address leads back to the row that it was of."""
    is_program = request.url.path.startswith(API_PREFIX)
    if fault.status_code == HTTPStatus.METHOD_NOT_ALLOWED and request.method == "GET" and not is_program:
        return RedirectResponse(rows.page_above(request.url.path), status_code=SEE_OTHER)
    is_bare = fault.detail == HTTPStatus(fault.status_code).phrase and not is_program
    sentence = _("Look whether the address is whole. From Today there is a way to every page.") if is_bare else str(fault.detail)
    answer = refuse(request, fault.status_code, TITLES.get(fault.status_code, _("This did not work")), sentence)
    answer.headers.update(fault.headers or {})  # Allow goes with every 405 (RFC 9110 section 15.5.6)
    return answer


def lacking(request: Request, fault: RequestValidationError, *, refuse: Refuse) -> Response:
    """Answer a request whose parts are missing or not of their kind."""
    fields = ", ".join(sorted({str(error["loc"][-1]) for error in fault.errors()}))
    is_address = request.method == "GET" and not request.url.path.startswith(API_PREFIX)
    sentence = (
        _("Its address holds what no address of Padpost holds. Open the page anew.")
        if is_address
        else _("Look at: {fields}.", fields=fields)
    )
    return refuse(request, 422, _("Something is missing or not of its kind"), sentence)
