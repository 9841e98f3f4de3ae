"""The page of accounts and keys: for administrators."""

from __future__ import annotations

from collections.abc import Callable
from datetime import datetime
from typing import Annotated

import pydantic
from fastapi import APIRouter, Form, HTTPException, Request
from fastapi.responses import RedirectResponse, Response

from bridge.accounts.people import PEOPLE
from bridge.accounts.policy import CODE_LASTS_WORDS
from bridge.desk.accounts import AccountDesk, NewKey
from bridge.errors import Overtaken, RefusedAction
from bridge.pages.forms import SEE_OTHER, Field, RowId, ShowsPage, typed_actor
from bridge.pages.language import _
from bridge.store.api import Store


class AccountForm(pydantic.BaseModel):
    """What is done with an account. ``name`` is whoever does it."""

    account_name: Field = ""
    role: Field = ""
    version: int = 0  # of the account, as the page that the form stands on showed it
    on: Field = ""
    reason: Field = ""
    name: Field = ""


class KeyForm(pydantic.BaseModel):
    """A key to make or to end."""

    key_name: Field = ""
    acts: Field = ""
    days: int = 0
    reason: Field = ""
    name: Field = ""


class AccountPages:
    """Makes these routes."""

    def __init__(self, store: Store, desk: AccountDesk, page: ShowsPage, now: Callable[[], datetime]) -> None:
        self._store = store
        self._desk = desk
        self._page = page
        self._now = now

    def add_to(self, routes: APIRouter) -> None:
        """Add the routes."""
        for path, view, method in (
            ("/accounts", self.show, "GET"),
            ("/accounts", self.add, "POST"),
            ("/accounts/keys", self.make_key, "POST"),
            ("/accounts/keys/{key_id}/end", self.end_key, "POST"),
            ("/accounts/{account_id}/role", self.role, "POST"),
            ("/accounts/{account_id}/switch", self.switch, "POST"),
            ("/accounts/{account_id}/code", self.code, "POST"),
        ):
            routes.add_api_route(path, view, methods=[method], response_model=None)

    def show(self, request: Request) -> Response:
        """Show who may sign in."""
        return self._shown(request)

    def add(self, request: Request, form: Annotated[AccountForm, Form()]) -> Response:
        """Add an account and show its code."""
        return self._secret(
            request,
            lambda: self._desk.add(form.account_name, form.role, actor=typed_actor(form.name)),
            _("One-time code of {name}, {lasts}", name=form.account_name, lasts=_(CODE_LASTS_WORDS)),
        )

    def role(self, request: Request, account_id: RowId, form: Annotated[AccountForm, Form()]) -> Response:
        """Give an account another role."""
        return self._done(
            lambda: self._desk.set_role(
                account_id, form.role, reason=form.reason, actor=typed_actor(form.name), seen=form.version
            ),
            request,
        )

    def switch(self, request: Request, account_id: RowId, form: Annotated[AccountForm, Form()]) -> Response:
        """Switch an account on or off."""
        return self._done(
            lambda: self._desk.switch(
                account_id, on=form.on == "yes", reason=form.reason, actor=typed_actor(form.name), seen=form.version
            ),
            request,
        )

    def code(self, request: Request, account_id: RowId, form: Annotated[AccountForm, Form()]) -> Response:
        """Give an account a one-time code in place of its password."""
        return self._secret(
            request,
            lambda: self._desk.new_code(account_id, reason=form.reason, actor=typed_actor(form.name), seen=form.version),
            _("One-time code, {lasts}", lasts=_(CODE_LASTS_WORDS)),
        )

    def make_key(self, request: Request, form: Annotated[KeyForm, Form()]) -> Response:
        """Make a key and show it."""
        new = NewKey(name=form.key_name, acts=form.acts == "yes", days=form.days)
        return self._secret(
            request, lambda: self._desk.make_key(new, actor=typed_actor(form.name)), _("Key of {name}", name=form.key_name)
        )

    def end_key(self, request: Request, key_id: RowId, form: Annotated[KeyForm, Form()]) -> Response:
        """End a key."""
        return self._done(lambda: self._desk.end_key(key_id, reason=form.reason, actor=typed_actor(form.name)), request)

    def _done(self, act: Callable[[], None], request: Request) -> Response:
        fault = _fault_of(act)
        return self._shown(request, fault=fault) if fault else RedirectResponse("/accounts", status_code=SEE_OTHER)

    def _secret(self, request: Request, make: Callable[[], str], words: str) -> Response:
        """Show what was made with the answer itself: it stands in no address, and not a second time."""
        made: list[str] = []
        fault = _fault_of(lambda: made.append(make()))
        return self._shown(request, fault=fault, secret=made[0] if made else "", secret_words=words)

    def _shown(self, request: Request, *, fault: str = "", secret: str = "", secret_words: str = "") -> Response:
        values = {
            "accounts": self._store.accounts(),
            "keys": self._store.api_keys(),
            "roles": PEOPLE,
            "now": self._now(),
            "fault": fault,
            "secret": secret,
            "secret_words": secret_words,
        }
        return self._page(request, "accounts.html", values, status=409 if fault else 200)


def _fault_of(act: Callable[[], None]) -> str:
    try:
        act()
    except Overtaken as error:
        raise HTTPException(409, str(error)) from error
    except RefusedAction as error:
        return str(error)
    return ""
