"""How people and programs come in to the pages, and the cookie that stands for a sign-in."""

from __future__ import annotations

from dataclasses import dataclass

from starlette.responses import Response
from starlette.types import Scope

from bridge.desk.access import Access
from bridge.desk.accounts import AccountDesk

COOKIE = "padpost_session"
SAFE_COOKIE = "__Host-padpost_session"  # RFC 6265bis 4.1.3.2: only over TLS, from this host, for all of it


@dataclass(frozen=True, kw_only=True)
class Door:
    """How people and programs come in. ``behind_tls``: browsers reach us over TLS alone, by a proxy in front."""

    access: Access
    desk: AccountDesk
    behind_tls: bool = False

    @property
    def cookie(self) -> str:
        """Give the name of the session's cookie."""
        return SAFE_COOKIE if self.behind_tls else COOKIE

    def give(self, response: Response, token: str) -> Response:
        """Put a session's token into the answer: for this host alone, out of reach of scripts, gone when the browser closes."""
        response.set_cookie(self.cookie, token, httponly=True, samesite="lax", secure=self.behind_tls, path="/")
        return response

    def take(self, response: Response) -> Response:
        """Take the token back."""
        response.delete_cookie(self.cookie, httponly=True, samesite="lax", secure=self.behind_tls, path="/")
        return response


def address_of(scope: Scope) -> str:
    """Give where a request comes from, in words."""
    return f"from {scope['client'][0]}" if scope.get("client") else "from this machine"
