"""An access token for a signed assertion: SMART App Launch 2.2, Backend Services; RFC 6749 4.4, RFC 7523.

One request for a token serves everybody who waits for it. It is kept in memory until shortly before it ends.
"""

from __future__ import annotations

import asyncio
import json
from collections.abc import Callable
from datetime import datetime, timedelta
from typing import Any
from urllib.parse import urlencode

import structlog
from joserfc import jwt

from bridge.credentials.keys import FOR_TOKENS, KeyFolder, SigningKey
from bridge.deliver.http import Poster
from bridge.deliver.sign_in import NoToken
from bridge.lifecycle.answers import DoorFault, HttpReply, Silence
from bridge.settings import OAuth
from bridge.settings.security import keeps_secrets

log = structlog.get_logger()

ASSERTION_S = 240  # ours: SMART asks for at most 300; a clock that is a minute slow must not make it more
SHORTEST_SLACK_S = 30.0  # ours: a send that begins now ends within the default answer_s
UNTOLD_S = 60.0  # ours: RFC 6749 5.1 lets a server leave expires_in out; 401 tells of a token that ended sooner
LONGEST_S = 3_600.0  # ours: whatever a server says, a token of yesterday is asked for again
ASSERTION_TYPE = "urn:ietf:params:oauth:client-assertion-type:jwt-bearer"  # RFC 7523 2.2
WELL_KNOWN = "/.well-known/smart-configuration"  # SMART App Launch 2.2, Conformance
# RFC 6749 5.2
ERRORS = {
    "invalid_client": DoorFault.INVALID_CLIENT,
    "invalid_scope": DoorFault.INVALID_SCOPE,
    "unauthorized_client": DoorFault.UNAUTHORIZED_CLIENT,
}


class BackendToken:
    """Gives `Bearer TOKEN`. ``scope`` is what is asked for; ``name`` gives an identifier that was never given before."""

    def __init__(
        self,
        settings: OAuth,
        poster: Poster,
        *,
        base_url: str,
        scope: str,
        now: Callable[[], datetime],
        name: Callable[[], str],
    ) -> None:
        self._settings = settings
        self._poster = poster
        self._base_url = base_url
        self._scope = scope
        self._now = now
        self._name = name
        self._keys = KeyFolder(settings.keys, FOR_TOKENS, ("oauth", "keys"))
        self._found_url = ""
        self._turn = asyncio.Lock()
        self._asked = 0
        self._value = ""
        self._good_until: datetime | None = None
        self._refusal: NoToken | None = None

    async def header(self) -> str:
        """Give the value of the header. Raises NoToken; SettingsError if no key can sign."""
        asked = self._asked
        async with self._turn:
            # whoever was before us has asked for all who waited
            is_refused = self._asked != asked and self._refusal is not None
            if not is_refused and not self._is_good():
                await self._renew()
            if self._refusal is not None:
                raise self._refusal
            return self._value

    def drop(self, value: str) -> None:
        """Forget a token that was turned away, unless another has taken its place already."""
        if value == self._value:
            self._value = ""

    def _is_good(self) -> bool:
        return bool(self._value) and self._good_until is not None and self._now() < self._good_until

    async def _renew(self) -> None:
        self._value = ""
        key = self._keys.signing(self._now())
        try:
            granted = await self._grant(key)
        except NoToken as refusal:
            self._refusal = refusal
            self._found_url = ""  # perhaps it has moved
        else:
            self._refusal = None
            self._take(granted)
        self._asked += 1

    async def _grant(self, key: SigningKey) -> dict[str, Any]:
        url = self._settings.token_url or await self._discovered()
        form = {
            "grant_type": "client_credentials",
            "scope": self._scope,
            "client_assertion_type": ASSERTION_TYPE,
            "client_assertion": self._assertion(key, url),
        }
        headers = {"Content-Type": "application/x-www-form-urlencoded", "Accept": "application/json"}
        reply = await self._poster.post(url, urlencode(form).encode(), headers)
        if not isinstance(reply, HttpReply):
            raise NoToken(_away(reply[0]), reply[1])
        return _granted(reply)

    def _assertion(self, key: SigningKey, url: str) -> str:
        """Give the assertion. No iat and no nbf, which are optional: a server whose clock is slower than ours would refuse them."""
        who = self._settings.client_id
        ends = self._now() + timedelta(seconds=ASSERTION_S)
        claims = {"iss": who, "sub": who, "aud": url, "exp": int(ends.timestamp()), "jti": self._name()}
        return jwt.encode({"alg": key.alg, "kid": key.kid, "typ": "JWT"}, claims, key.key, algorithms=[key.alg])

    async def _discovered(self) -> str:
        """Ask the server itself where tokens are granted. Raises NoToken."""
        if not self._found_url:
            reply = await self._poster.get(f"{self._base_url.rstrip('/')}{WELL_KNOWN}", {"Accept": "application/json"})
            if not isinstance(reply, HttpReply):
                raise NoToken(_away(reply[0]), reply[1])
            url = _object(reply).get("token_endpoint") if reply.status == 200 else None
            if not isinstance(url, str) or not keeps_secrets(url):
                raise NoToken(
                    DoorFault.SIGN_IN_AWAY,
                    f"{WELL_KNOWN} (HTTP {reply.status}) names no token_endpoint that is https: set oauth.token_url.",
                )
            self._found_url = url
        return self._found_url

    def _take(self, granted: dict[str, Any]) -> None:
        token, lasts, scope = granted["access_token"], granted.get("expires_in"), granted.get("scope")
        known = isinstance(lasts, int | float) and lasts > 0
        lasts_s = min(float(lasts), LONGEST_S) if known and lasts is not None else UNTOLD_S
        self._value = f"Bearer {token}"
        self._good_until = self._now() + timedelta(seconds=max(lasts_s - SHORTEST_SLACK_S, lasts_s / 2))
        if isinstance(scope, str) and (missing := set(self._scope.split()) - set(scope.split())):
            # a server may grant the same by a wider word, so this is told and decides nothing
            log.warning("token.scope_differs", asked=len(self._scope.split()), not_named=sorted(missing))


def _away(silence: Silence | DoorFault) -> Silence | DoorFault:
    """Give a fault of TLS and a wrong name as they are; what may pass by itself as the token server's."""
    passing = {Silence.NO_CONNECTION, Silence.TIMEOUT, Silence.LOST}
    return DoorFault.SIGN_IN_AWAY if silence in passing else silence


def _granted(reply: HttpReply) -> dict[str, Any]:
    """Give what was granted. Raises NoToken, with the error's words as RFC 6749 5.2 has them."""
    said = _object(reply)
    if reply.status == 200:
        token, kind = said.get("access_token"), said.get("token_type")
        if isinstance(token, str) and token and isinstance(kind, str) and kind.lower() == "bearer":
            return said
        raise NoToken(DoorFault.NOTHING_GRANTED, "")
    if reply.status in {408, 425, 429} or reply.status >= 500:
        raise NoToken(DoorFault.SIGN_IN_AWAY, f"HTTP {reply.status}")
    error, words = said.get("error"), said.get("error_description")
    fault = ERRORS.get(error, DoorFault.REFUSED) if isinstance(error, str) else DoorFault.REFUSED
    told = [part for part in (error, words) if isinstance(part, str)]
    raise NoToken(fault, ": ".join(told) or f"HTTP {reply.status}")


def _object(reply: HttpReply) -> dict[str, Any]:
    try:
        loaded = json.loads(reply.body)
    except (ValueError, RecursionError):
        return {}
    return loaded if isinstance(loaded, dict) else {}
