"""The shapes of how a connection is encrypted, who is believed, and how Padpost says who it is. No secret stands in them."""

from __future__ import annotations

from ipaddress import ip_address
from pathlib import Path
from typing import Annotated, Literal
from urllib.parse import urlsplit

from pydantic import BeforeValidator, Field, field_validator, model_validator
from pydantic_core import PydanticCustomError

from bridge.settings.shapes import QUIET, Secret, Shape

TlsVersion = Annotated[Literal["1.2", "1.3"], BeforeValidator(str)]  # YAML reads 1.2 as a number


def holds_nobody(address: str) -> str:
    """Give ``address`` again. Raises an error of pydantic, which does not repeat it, if a user or a password stands in it."""
    if (
        "@" in urlsplit(address).netloc
    ):  # RFC 3986 3.2.1: the password would stand in this file, on pages and in the specification
        raise PydanticCustomError(
            QUIET, "a user or a password stands in the address; take it out, and write basic: {user: ..., password: {env: ...}}"
        )
    return address


def has_a_port_that_can_be(address: str) -> str:
    """Give ``address`` again. Raises an error of pydantic, which does not repeat it, if its port is no number from 1 to 65535 (RFC 3986 3.2.3; RFC 9293 3.1)."""
    try:
        can_be = urlsplit(address).port != 0
    except ValueError:
        can_be = False
    if not can_be:
        raise PydanticCustomError(QUIET, "the port in the address is no number from 1 to 65535")
    return address


def has_no_fragment(address: str) -> str:
    """Give ``address`` again. Raises an error of pydantic, which does not repeat it, if a fragment stands in it: none is ever sent (RFC 9110 4.2.5)."""
    if "#" in address:
        raise PydanticCustomError(QUIET, "a fragment (#...) stands in the address and is never sent; take it out")
    return address


def is_a_base(address: str) -> str:
    """Give ``address`` again. Raises an error of pydantic, which does not repeat it, if a query or a fragment stands in it."""
    if "?" in address or "#" in address:  # FHIR R4 http.html 3.1.0.1.2: what is asked for is put behind the base
        raise PydanticCustomError(
            QUIET,
            "a query (?...) or a fragment (#...) stands in the base address, behind which Padpost puts the resource's name; take it out",
        )
    return address


class Tls(Shape):
    """TLS of one connection: RFC 9325 (BCP 195), so 1.2 or newer, the other side's certificate and name checked, always.

    ``ca`` (PEM) is whom Padpost trusts instead of the system's CAs: a CA, several, or the very certificate of the other side (pinned).
    ``certificate`` (PEM, with its chain) and ``key`` (PEM) are Padpost's own. ``server_name`` is the name in the receiver's certificate
    where it is not the one that is called. Files are read again when they change.
    """

    ca: Path | None = None
    certificate: Path | None = None
    key: Path | None = None
    key_password: Secret | None = None
    server_name: str = Field(default="", max_length=253)  # RFC 1035, 2.3.4
    minimum: TlsVersion = "1.2"

    @model_validator(mode="after")
    def _certificate_has_key(self) -> Tls:
        if (self.certificate is None) != (self.key is None):
            raise ValueError("tls.certificate and tls.key go together: name both files, or none")
        if self.key_password is not None and self.key is None:
            raise ValueError("tls.key_password needs tls.key: the file that it opens")
        return self


class Basic(Shape):
    """A user and a password, sent with every request (RFC 7617)."""

    user: str = Field(min_length=1, pattern=r"^[^:\x00-\x1f\x7f]+$")
    password: Secret


class OAuth(Shape):
    """A token for a signed assertion: SMART App Launch 2, Backend Services (OAuth 2.0 client credentials, RFC 7523).

    ``keys`` is a folder that `padpost make-key` fills; the newest valid key signs. ``token_url``: asked of the server
    (`.well-known/smart-configuration`) if not given. ``scope``: made of what the messages hold if not given.
    """

    client_id: str = Field(min_length=1)
    keys: Path
    token_url: str = Field(default="", pattern=r"^(https?://\S+)?$")
    scope: str = ""

    _holds_nobody = field_validator("token_url")(holds_nobody)

    @model_validator(mode="after")
    def _token_url_is_safe(self) -> OAuth:
        if self.token_url and not keeps_secrets(self.token_url):
            raise ValueError("oauth.token_url is plain http, which anybody on the way can read: use https")
        return self


class Signing(Shape):
    """How a web hook is signed: HTTP Message Signatures (RFC 9421), by the newest valid key of the folder ``keys`` (`padpost make-key`)."""

    keys: Path


def is_loopback(host: str) -> bool:
    """Say whether ``host`` is this machine itself: localhost, or an address of RFC 1122 3.2.1.3 (127/8) or RFC 4291 2.5.3 (::1)."""
    try:
        return host.lower() == "localhost" or ip_address(host).is_loopback
    except ValueError:
        return False


def keeps_secrets(address: str) -> bool:
    """Say whether what is sent to ``address`` can be read by nobody on the way: https, or this machine."""
    try:
        parts = urlsplit(address)
        return parts.scheme.lower() == "https" or is_loopback(parts.hostname or "")
    except ValueError:
        return False


def is_https(address: str) -> bool:
    """Say whether ``address`` is called by TLS."""
    return address.lower().startswith("https:")
