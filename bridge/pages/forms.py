"""What the forms of all pages are made of: their fields, who sends them, and the parts of the site that show a page and look at a form's token."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from contextvars import ContextVar
from typing import Annotated, Any, Protocol

import pydantic
from fastapi import Form, Path, Query, Request
from fastapi.responses import Response
from markupsafe import Markup, escape

from bridge.desk.access import Caller
from bridge.model import Actor
from bridge.pages.language import _

SEE_OTHER = 303  # RFC 9110: after a POST, look there
LONGEST_FIELD = 500  # ours: characters; far more than a name, an identifier or a reason needs
SECOND_FIELDS = ("second_person", "colleague", "agreed_by")  # fields that name a second person, on whichever page
SECOND_PASSWORD = "second_password"  # noqa: S105 - a field's name
OWN_PASSWORD = "own_password"  # noqa: S105 - a field's name
LONGEST_ID = 2**63 - 1  # the widest a database column holds; what is wider could not even be asked for
RowId = Annotated[int, Path(ge=0, le=LONGEST_ID)]
Behind = Annotated[int | None, Query(ge=0, le=LONGEST_ID)]  # the row from behind which a list goes on
Text = Annotated[str, Form(max_length=LONGEST_FIELD)]
Field = Annotated[str, pydantic.Field(max_length=LONGEST_FIELD)]
RequiresToken = Callable[[Request, str], None]  # refuses a form without its token

# Who is behind the request that is being answered. One request is one caller's from its first line to its page, in whichever thread;
# so it is said once, by the doorkeeper, and no page can forget to ask or be told another name by its form.
_CALLER: ContextVar[Caller | None] = ContextVar("padpost_caller", default=None)


class ShowsPage(Protocol):
    """Makes a page from a template's name and values."""

    def __call__(self, request: Request, name: str, values: dict[str, Any], *, status: int = 200) -> Response:
        """Give the page."""


@contextmanager
def called_by(caller: Caller | None) -> Iterator[None]:
    """Answer a request in the name of ``caller``."""
    token = _CALLER.set(caller)
    try:
        yield
    finally:
        _CALLER.reset(token)


def caller() -> Caller | None:
    """Give who is behind this request; None where nobody is signed in, or the site has no accounts."""
    return _CALLER.get()


def typed_actor(name: str) -> Actor:
    """Give who acts: whoever is signed in, whatever the form says; without accounts the name that it gives, which nobody has checked."""
    signed_in = _CALLER.get()
    return signed_in.actor if signed_in is not None else Actor(name=name.strip(), verified="unverified")


# --- fields, for the templates


def your_name(given: str = "") -> Markup:
    """Give the field for one's own name, or who is signed in."""
    signed_in = _CALLER.get()
    if signed_in is not None:
        return Markup('<span class="soft">{}</span>').format(
            escape(_("In the name of {name}.")).format(name=Markup("<b>{}</b>").format(signed_in.actor.name))
        )
    value = Markup(' value="{}"').format(given) if given else ""
    return Markup('<label>{} <input name="name" required autocomplete="name" maxlength="100"{}></label>').format(
        _("Your name"), value
    )


def second_name(field: str, label: str, given: str = "", *, required: bool = True, has_directory: bool = False) -> Markup:
    """Give the field for a second person; with accounts also that for their password, which they type themselves, or where the site has a directory a code from it."""
    value = Markup(' value="{}"').format(given) if given else ""
    asked = Markup(" required") if required else ""
    name = Markup('<label>{} <input name="{}"{} autocomplete="off" maxlength="100"{}></label>').format(label, field, asked, value)
    if _CALLER.get() is None:
        return name
    password = Markup('<label>{} <input name="{}" type="password"{} autocomplete="off" maxlength="256"></label>')
    words = _("Their own password, or their code from the hospital's directory") if has_directory else _("Their own password")
    more = Markup(" ") + _to_code() if has_directory else Markup()
    return name + Markup(" ") + password.format(words, SECOND_PASSWORD, asked) + more


def _to_code() -> Markup:
    """Give the way to a code, in a tab of its own, so that nothing that was typed is lost."""
    link = Markup('<a href="/sign-in/directory?code=yes" target="_blank" rel="noopener">{}</a> ')
    return link.format(_("Get a code from the hospital's directory, in a tab of its own"))


def your_password(label: str = "", *, required: bool = True) -> Markup:
    """Give the field for one's own password, for a form whose act is grave; nothing where it was given lately, or the site has no accounts."""
    signed_in = _CALLER.get()
    if signed_in is None or signed_in.session is None or signed_in.is_sure:
        return Markup()
    if signed_in.account is not None and signed_in.account.issuer:
        asked = Markup(" required") if required else ""
        code = Markup('<label>{} <input name="{}"{} autocomplete="one-time-code" spellcheck="false" maxlength="40"></label> ')
        return code.format(_("Code from the hospital's directory"), OWN_PASSWORD, asked) + _to_code()
    field = Markup('<label>{} <input name="{}" type="password"{} autocomplete="current-password" maxlength="256"></label> ')
    return field.format(label or _("Your password"), OWN_PASSWORD, Markup(" required") if required else "")
