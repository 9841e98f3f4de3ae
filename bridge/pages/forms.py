"""What the forms of all pages are made of: their fields, who sends them, and the parts of the site that show a page and look at a form's token."""

from __future__ import annotations

from collections.abc import Callable
from typing import Annotated, Any, Protocol

import pydantic
from fastapi import Form, Request
from fastapi.responses import Response

from bridge.model import Actor

SEE_OTHER = 303  # RFC 9110: after a POST, look there
LONGEST_FIELD = 500  # ours: characters; far more than a name, an identifier or a reason needs
Text = Annotated[str, Form(max_length=LONGEST_FIELD)]
Field = Annotated[str, pydantic.Field(max_length=LONGEST_FIELD)]
RequiresToken = Callable[[Request, str], None]  # refuses a form without its token


class ShowsPage(Protocol):
    """Makes a page from a template's name and values."""

    def __call__(self, request: Request, name: str, values: dict[str, Any], *, status: int = 200) -> Response:
        """Give the page."""


def typed_actor(name: str) -> Actor:
    """Give who acts, by the name that a form gives: nobody has checked it."""
    return Actor(name=name.strip(), verified="unverified")
