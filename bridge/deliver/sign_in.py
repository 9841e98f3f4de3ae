"""How Padpost says who it is over HTTP: nothing, a bearer token, a password, or a token got for a signed assertion.

What a header holds is kept in memory only and stands in no error, log or repr.
"""

from __future__ import annotations

import base64
import uuid
from collections.abc import Callable
from datetime import datetime
from typing import Protocol

from bridge.deliver.http import Poster
from bridge.lifecycle.answers import DoorFault, Silence
from bridge.settings import Basic, FhirDestination, HttpDestination


def new_name() -> str:
    """Give an identifier that nobody has given before, nor can guess."""
    return str(uuid.uuid4())


class NoToken(Exception):  # noqa: N818 - names the state: nothing was granted
    """No token was granted: what closes the door, and the token server's own words for it."""

    def __init__(self, fault: Silence | DoorFault, text: str) -> None:
        super().__init__(fault.value)
        self.fault = fault
        self.text = text


class SignIn(Protocol):
    """Gives the value of the header Authorization, and lets go of one that was turned away."""

    async def header(self) -> str:
        """Give the value. Raises SettingsError, OSError or UnicodeDecodeError if it cannot be read, NoToken if none is granted."""

    def drop(self, value: str) -> None:
        """Forget ``value``, unless another has taken its place already."""


class Kept:
    """A value that is read once, and anew after it was turned away."""

    def __init__(self, read: Callable[[], str]) -> None:
        self._read = read
        self._value = ""

    async def header(self) -> str:
        """Give the value, read at the first call."""
        self._value = self._value or self._read()
        return self._value

    def drop(self, value: str) -> None:
        """Forget the value."""
        if value == self._value:
            self._value = ""


def sign_in_of(
    destination: HttpDestination, poster: Poster, *, now: Callable[[], datetime], name: Callable[[], str]
) -> SignIn | None:
    """Give how to sign in at ``destination``, None where it wants nothing. ``name`` gives an identifier that was never given before."""
    if destination.bearer is not None:
        bearer = destination.bearer
        return Kept(lambda: f"Bearer {bearer.value()}")
    if destination.basic is not None:
        basic = destination.basic
        return Kept(lambda: basic_header(basic))
    if destination.oauth is not None:
        from bridge.deliver.backend_token import BackendToken  # noqa: PLC0415 - 11 MB of libraries that only signing needs

        return BackendToken(
            destination.oauth,
            poster,
            base_url=destination.address(),
            scope=destination.oauth.scope or scope_for(destination),
            now=now,
            name=name,
        )
    return None


def basic_header(basic: Basic) -> str:
    """Give the header of a user and password (RFC 7617 2, in UTF-8). Raises SettingsError if the password is not set."""
    return "Basic " + base64.b64encode(f"{basic.user}:{basic.password.value()}".encode()).decode("ascii")


def scope_for(destination: HttpDestination) -> str:
    """Give the SMART scopes (version 2) of what the messages ask of the server, the least that is enough.

    SMART App Launch 2.2, Batches and Transactions: a transaction is judged by the requests in it, so no scope names Bundle. Each resource is
    created on condition (create, search) and, where it comes in versions, updated on condition; what is pointed to by a search is searched.
    """
    if not isinstance(destination, FhirDestination):
        return "system/*.c"
    scopes = [f"system/{kind}.cus" for kind in ("DiagnosticReport", "Observation", "Specimen")]
    if destination.equipment:
        scopes.append("system/Device.cs")
    if destination.pointers.patient == "conditional":
        scopes.append("system/Patient.s")
    if destination.pointers.order == "conditional":
        scopes.append("system/ServiceRequest.s")
    return " ".join(scopes)
