"""Who may use the pages, and how they show who they are."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Annotated, Literal
from urllib.parse import urlsplit

from pydantic import Field, field_validator, model_validator

from bridge.settings.security import Tls, has_a_port_that_can_be, has_no_fragment, holds_nobody, keeps_secrets
from bridge.settings.shapes import Secret, Shape

PersonRole = Literal["viewer", "technician", "supervisor", "administrator"]
_ADDRESS = r"^https?://\S+$"


class Oidc(Shape):
    """The hospital's own directory, where people sign in (OpenID Connect, authorization code with PKCE).

    ``issuer`` is its name exactly as it writes it; what it can do is asked there (`/.well-known/openid-configuration`). ``client_id`` and
    ``client_secret`` are what it gave Padpost. ``address`` is where browsers reach Padpost's pages; at the directory, register
    `ADDRESS/sign-in/directory/back` to come back to, and `ADDRESS/sign-in` for after sign-out. ``roles`` says which group is which role: of several
    the highest counts, and whoever is in none does not come in. ``groups_claim`` and ``name_claim`` say where groups and the name stand; ``scope`` is
    what is asked for. ``every_time``: each sign-in asks for the password; without it the directory may let in whoever it still knows in this browser,
    which at a shared bench may be somebody else. ``answer_s``: how long an answer may take, in seconds.
    """

    issuer: str = Field(pattern=_ADDRESS)
    client_id: str = Field(min_length=1, max_length=255)
    client_secret: Secret
    address: str = Field(pattern=_ADDRESS)
    roles: Mapping[Annotated[str, Field(min_length=1)], PersonRole] = Field(min_length=1)
    groups_claim: str = Field(default="groups", min_length=1)
    name_claim: str = Field(default="name", min_length=1)
    scope: str = Field(default="openid profile", min_length=6)
    every_time: bool = True
    answer_s: float = Field(default=10.0, ge=1, le=60)
    tls: Tls | None = None

    _holds_nobody = field_validator("issuer", "address")(holds_nobody)
    _has_a_port = field_validator("issuer", "address")(has_a_port_that_can_be)
    _has_no_fragment = field_validator("issuer", "address")(has_no_fragment)

    @model_validator(mode="after")
    def _keeps_secrets(self) -> Oidc:
        for name, address in (("issuer", self.issuer), ("address", self.address)):
            if not keeps_secrets(address):
                raise ValueError(f"oidc.{name} is plain http, which anybody on the way can read: use https")
        if "?" in self.issuer:  # OpenID Connect Core 1.0, section 2 (iss): no query and no fragment
            raise ValueError("oidc.issuer has a query (?...); write it exactly as the directory does")
        if urlsplit(self.address).path not in {"", "/"} or "?" in self.address:
            raise ValueError("oidc.address has a path; write the scheme, the host and the port alone")
        if (
            self.address.rstrip("/").lower().endswith((":443", ":80"))
        ):  # a browser leaves them out of Host, and would be sent there for ever
            raise ValueError("oidc.address names its scheme's own port; leave the port out")
        if "openid" not in self.scope.split():
            raise ValueError("oidc.scope lacks openid, without which nobody is told who signs in")
        return self


class QuickSwitch(Shape):
    """Shared benches: browsers that a supervisor marks, at which viewers and technicians switch by badge or PIN once somebody signed in with a password.

    ``badge_key`` is a secret under which badges are kept, 32 characters at least: whoever copies the database cannot try badges out without it.
    With another one every badge is to be made known again.
    """

    badge_key: Secret


class Accounts(Shape):
    """Who may use the pages.

    ``sign_in``: with ``local`` each person signs in with an account of this site, with ``oidc`` by the hospital's own directory, with ``both`` in
    either way; with ``none`` names are as typed and nobody checks them, which is
    taken only where the pages listen on this machine alone. A session is locked after ``idle_minutes`` without use, and ends ``longest_hours`` after
    sign-in. A release, correction, withdrawal or signature asks for the password again, unless it was given within ``password_again_minutes``; with
    0 it is asked each time. An emergency envelope opens the pages for ``emergency_minutes``.
    """

    sign_in: Literal["local", "oidc", "both", "none"] = "local"
    oidc: Oidc | None = None
    idle_minutes: int = Field(default=15, ge=1, le=480)
    longest_hours: int = Field(default=12, ge=1, le=24)
    password_again_minutes: int = Field(default=0, ge=0, le=15)
    emergency_minutes: int = Field(default=60, ge=10, le=240)
    quick_switch: QuickSwitch | None = None

    @model_validator(mode="after")
    def _directory_is_said(self) -> Accounts:
        asks = self.sign_in in {"oidc", "both"}
        if asks and self.oidc is None:
            raise ValueError(f"accounts.sign_in is {self.sign_in}, and nothing says which directory: add accounts.oidc")
        if self.oidc is not None and not asks:
            raise ValueError(
                f"accounts.oidc is given, and accounts.sign_in is {self.sign_in}: set sign_in: oidc or both, or take it out"
            )
        return self
