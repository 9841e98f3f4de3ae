"""The way to the hospital's directory and back: OpenID Connect Core 1.0, authorization code with PKCE (RFC 7636), `iss` in the answer (RFC 9207).

What a sign-in on its way needs again is in a signed cookie of its browser, so that an answer is taken in the browser that asked, once, and soon. No token and
no code is kept, logged or shown.
"""

from __future__ import annotations

import asyncio
import base64
import hashlib
import hmac
import json
import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from typing import Any, Protocol
from urllib.parse import quote, urlencode

import structlog
from joserfc import jwt
from joserfc.errors import JoseError
from joserfc.jwk import OctKey

from bridge.accounts.directory import BACK, TRIP, Asked, DirectoryTerms, Found, found, lacks, token_fault
from bridge.credentials.id_token import BadToken, Signed, fits, signed
from bridge.errors import RefusedAction, SettingsError
from bridge.lifecycle.answers import DoorFault, HttpReply, Silence
from bridge.settings.security import keeps_secrets

log = structlog.get_logger()

WELL_KNOWN = "/.well-known/openid-configuration"  # OpenID Connect Discovery 1.0, section 4
LONGEST_ANSWER_BYTES = 500_000  # ours: a directory's keys are some kB, a person of hundreds of groups some tens
AGAIN_AFTER = timedelta(seconds=5)  # ours: a directory that does not answer is not asked by each click
KEYS_LAST = timedelta(minutes=10)  # ours: a key that was taken back is believed no longer
NEW_KEYS_AFTER = timedelta(seconds=10)  # ours: tokens with unknown keys do not make us flood the directory
TOKEN_BYTES = 32  # RFC 7636 4.1: 256 bits of randomness in a verifier
MOST_ON_THE_WAY = 10_000  # ours: answers of ten minutes that are remembered, so that none is taken twice; a flood of them forgets the oldest, whose code the directory takes no more
AWAY = "The hospital's directory does not answer. Try again in a moment; if it stays away, tell your administrator."
WRONG = "The hospital's directory gave an answer that is not taken. Nobody was signed in. Tell your administrator; the log says what was wrong."
NOT_ASKED = "This answer belongs to no sign-in of this browser that is still open. Begin again."
CANCELLED = "The hospital's directory let nobody in ({error}). Begin again, or ask your administrator."
_ERROR = re.compile(r"[a-z_]{1,40}")  # RFC 6749 4.1.2.1, as far as errors are registered
_COOKIE_ALG = "HS256"


class Asks(Protocol):
    """Asks the directory over HTTP. Raises nothing for what the other side does."""

    async def get(self, address: str, headers: Mapping[str, str]) -> HttpReply | tuple[Silence | DoorFault, str]:
        """Get."""

    async def post(self, address: str, body: bytes, headers: Mapping[str, str]) -> HttpReply | tuple[Silence | DoorFault, str]:
        """Post."""

    async def close(self) -> None:
        """Close every connection."""


@dataclass(frozen=True, kw_only=True, slots=True)
class Here:
    """How the directory knows us: ``address`` of our pages, what we ask for, and the secret, read when it is needed."""

    address: str
    scope: str
    secret: Callable[[], str] = field(repr=False)
    every_time: bool = True


@dataclass(frozen=True, kw_only=True, slots=True)
class Metadata:
    """What the directory says of itself (Discovery 1.0, section 3). ``leaves``: where its own sign-in is ended, "" for nowhere."""

    authorize: str
    token: str
    keys: str
    userinfo: str = ""
    leaves: str = ""
    takes_basic: bool = True
    says_iss: bool = False


@dataclass(frozen=True, kw_only=True, slots=True)
class Setting:
    """A browser that sets out: where it goes, and the cookie that it keeps meanwhile."""

    url: str
    cookie: str = field(repr=False)


@dataclass(frozen=True, kw_only=True, slots=True)
class Arrived:
    """Who came back, and where they wanted to go. ``is_fresh``: they were asked for their password just now, and the directory says so."""

    found: Found
    onward: str
    is_fresh: bool


class Directory:
    """One directory. ``token`` gives a new unguessable text each time."""

    def __init__(
        self, asks: Asks, terms: DirectoryTerms, here: Here, *, now: Callable[[], datetime], token: Callable[[], str]
    ) -> None:
        self._asks = asks
        self._terms = terms
        self._here = here
        self._now = now
        self._token = token
        self._seal = OctKey.generate_key(256)
        self._turn = asyncio.Lock()
        self._metadata: Metadata | None = None
        self._fault = ""
        self._tried_at: datetime | None = None
        self._keys: list[Any] = []
        self._keys_at: datetime | None = None
        self._done: dict[str, datetime] = {}

    @property
    def terms(self) -> DirectoryTerms:
        """Give whom we believe."""
        return self._terms

    @property
    def address(self) -> str:
        """Give where browsers reach our pages, without a stroke behind it."""
        return self._here.address.rstrip("/")

    async def close(self) -> None:
        """Close every connection."""
        await self._asks.close()

    async def look(self) -> str:
        """Ask the directory what it can do, unless it is known; give "" or in a sentence why it is not."""
        async with self._turn:
            now = self._now()
            is_early = self._tried_at is not None and timedelta(0) <= now - self._tried_at < AGAIN_AFTER
            if self._metadata is None and not is_early:
                self._tried_at = now
                try:
                    self._metadata = _metadata(
                        await self._object(f"{self._terms.issuer.rstrip('/')}{WELL_KNOWN}"), self._terms.issuer
                    )
                    self._fault = ""
                except _Wrong as fault:
                    self._fault = str(fault)
                    log.warning("directory.not_usable", why=self._fault)
            return self._fault if self._metadata is None else ""

    # --- there

    async def set_out(self, onward: str, *, fresh: bool = False) -> Setting:
        """Give where a browser goes to sign in. ``fresh``: the password is asked for whatever the directory remembers, and it must say when. Raises RefusedAction."""
        known = await self._known()
        state, nonce, verifier = self._token(), self._token(), self._token()
        digest = hashlib.sha256(verifier.encode("ascii")).digest()
        asked = {
            "response_type": "code",
            "client_id": self._terms.client_id,
            "redirect_uri": self._back,
            "scope": self._here.scope,
            "state": state,
            "nonce": nonce,
            "code_challenge": base64.urlsafe_b64encode(digest).rstrip(b"=").decode("ascii"),
            "code_challenge_method": "S256",
        }
        if fresh or self._here.every_time:
            asked["prompt"] = "login"
        if fresh:
            asked["max_age"] = "0"
        now = self._now()
        trip = {
            "state": state, "nonce": nonce, "verifier": verifier, "onward": onward, "fresh": fresh,
            "iat": int(now.timestamp()), "exp": int((now + TRIP).timestamp()),
        }  # fmt: skip
        cookie = jwt.encode({"alg": _COOKIE_ALG}, trip, self._seal, algorithms=[_COOKIE_ALG])
        return Setting(url=f"{known.authorize}{'&' if '?' in known.authorize else '?'}{urlencode(asked)}", cookie=cookie)

    # --- and back

    async def come_back(self, answer: Mapping[str, str], cookie: str) -> Arrived:
        """Give who came, by the query of the directory's answer and the browser's cookie. Raises RefusedAction."""
        trip = self._trip(cookie)
        state = str(trip.get("state", ""))
        if not trip or not hmac.compare_digest(state.encode(), answer.get("state", "").encode("utf-8", "replace")):
            raise RefusedAction(NOT_ASKED)
        self._require_first(state)
        known = await self._known()
        if answer.get("iss", "" if known.says_iss else self._terms.issuer) != self._terms.issuer:  # RFC 9207 2.4
            raise _refused("iss of the answer: it is another directory's, or missing")
        if "error" in answer:
            error = answer["error"]
            raise RefusedAction(CANCELLED.format(error=error if _ERROR.fullmatch(error) else "without a reason"))
        asked = Asked(nonce=str(trip["nonce"]), fresh_since=datetime.fromtimestamp(trip["iat"], UTC) if trip["fresh"] else None)
        try:
            who = await self._who(known, answer.get("code", ""), str(trip["verifier"]), asked)
        except _Away as fault:
            log.warning("directory.away", why=str(fault))
            raise RefusedAction(AWAY) from fault
        except (BadToken, _Wrong) as fault:
            raise _refused(str(fault)) from fault
        return Arrived(found=who, onward=str(trip["onward"]), is_fresh=asked.fresh_since is not None)

    def leave(self) -> str:
        """Give the address where the directory ends its own sign-in and sends the browser back; "" where it has none (RP-Initiated Logout 1.0).

        No id_token_hint goes with it: no token is kept here. The directory asks the person instead.
        """
        if self._metadata is None or not self._metadata.leaves:
            return ""
        leaves = self._metadata.leaves
        asked = urlencode({"client_id": self._terms.client_id, "post_logout_redirect_uri": f"{self.address}/sign-in"})
        return f"{leaves}{'&' if '?' in leaves else '?'}{asked}"

    # --- parts

    @property
    def _back(self) -> str:
        return f"{self.address}{BACK}"

    async def _known(self) -> Metadata:
        await self.look()
        if self._metadata is None:
            raise RefusedAction(AWAY)
        return self._metadata

    def _trip(self, cookie: str) -> Mapping[str, Any]:
        """Give what the browser set out with, while it may still come back; else nothing."""
        try:
            trip: Mapping[str, Any] = jwt.decode(cookie, self._seal, algorithms=[_COOKIE_ALG]).claims
        except (JoseError, ValueError, TypeError):  # anybody can write a cookie; TypeError: its head's `crit` is no list
            return {}
        return trip if trip["iat"] <= self._now().timestamp() < trip["exp"] else {}

    def _require_first(self, state: str) -> None:
        """Take an answer once: a second one with the same state is a copy of the first, by whomever."""
        now = self._now()
        self._done = {each: until for each, until in self._done.items() if now < until}
        if state in self._done:
            raise RefusedAction(NOT_ASKED)
        if len(self._done) >= MOST_ON_THE_WAY:
            del self._done[next(iter(self._done))]
        self._done[state] = now + TRIP

    async def _who(self, known: Metadata, code: str, verifier: str, asked: Asked) -> Found:
        granted = await self._granted(known, code, verifier)
        token = await self._believed(known, str(granted.get("id_token", "")))
        fault = token_fault(token.claims, self._terms, asked, now=self._now())
        if fault:
            raise _Wrong(f"ID token: {fault}")
        access_token = granted.get("access_token")
        if isinstance(access_token, str) and not fits(token, access_token):
            raise _Wrong("ID token: at_hash: it came with another access token")
        claims = token.claims
        if known.userinfo and isinstance(access_token, str) and lacks(claims, self._terms):
            told = await self._object(known.userinfo, {"Authorization": f"Bearer {access_token}"})
            if told.get("sub") != claims["sub"]:  # Core 1.0, 5.3.2
                raise _Wrong("UserInfo: sub: it tells of somebody else")
            claims = {**told, **claims}
        return found(claims, self._terms)

    async def _granted(self, known: Metadata, code: str, verifier: str) -> Mapping[str, Any]:
        form = {"grant_type": "authorization_code", "code": code, "redirect_uri": self._back, "code_verifier": verifier}
        headers = {"Content-Type": "application/x-www-form-urlencoded", "Accept": "application/json"}
        try:
            secret = self._here.secret()
        except SettingsError as error:
            raise _Wrong(f"our own setting: {error}") from error
        if known.takes_basic:  # RFC 6749 2.3.1: both parts as a form has them
            pair = f"{quote(self._terms.client_id, safe='')}:{quote(secret, safe='')}"
            headers["Authorization"] = "Basic " + base64.b64encode(pair.encode("ascii")).decode("ascii")
        else:
            form |= {"client_id": self._terms.client_id, "client_secret": secret}
        reply = await self._asks.post(known.token, urlencode(form).encode("ascii"), headers)
        return _object(reply, "the token endpoint")

    async def _believed(self, known: Metadata, token: str) -> Signed:
        """Give what a token says; where its key is not known, the directory's keys are read once more: they change (Core 1.0, 10.1.1)."""
        if self._keys_at is None or not timedelta(0) <= self._now() - self._keys_at < KEYS_LAST:
            await self._read_keys(known)
        try:
            return signed(token, self._keys)
        except BadToken as fault:
            if not fault.may_be_new or self._keys_at is None or self._now() - self._keys_at < NEW_KEYS_AFTER:
                raise
        await self._read_keys(known)
        return signed(token, self._keys)

    async def _read_keys(self, known: Metadata) -> None:
        keys = (await self._object(known.keys)).get("keys")
        if not isinstance(keys, list):
            raise _Wrong("jwks_uri: it shows no keys")
        self._keys, self._keys_at = keys, self._now()

    async def _object(self, address: str, headers: Mapping[str, str] | None = None) -> Mapping[str, Any]:
        reply = await self._asks.get(address, {"Accept": "application/json", **(headers or {})})
        return _object(reply, address.partition("?")[0])


class _Wrong(Exception):  # noqa: N818 - names what the answer is
    """Something that the directory said is not taken; the words are for the log and hold no secret."""


class _Away(_Wrong):
    """The directory said nothing."""


def _refused(words: str) -> RefusedAction:
    log.warning("directory.not_believed", why=words)
    return RefusedAction(WRONG)


def _object(reply: HttpReply | tuple[Silence | DoorFault, str], whose: str) -> Mapping[str, Any]:
    if not isinstance(reply, HttpReply):
        raise _Away(f"{whose}: {reply[0].value}")
    try:
        said = json.loads(reply.body)
    except (ValueError, RecursionError):
        said = None
    if reply.status >= 500:
        raise _Away(f"{whose}: HTTP {reply.status}")
    if reply.status != 200 or not isinstance(said, dict):
        error = said.get("error") if isinstance(said, dict) else None
        named = error if isinstance(error, str) and _ERROR.fullmatch(error) else "no JSON object"
        raise _Wrong(f"{whose}: HTTP {reply.status}, {named}")
    return said


def _metadata(said: Mapping[str, Any], issuer: str) -> Metadata:
    """Give what a directory says of itself. Raises _Wrong where we could not sign in by it safely."""
    if said.get("issuer") != issuer:  # Discovery 1.0, 4.3
        raise _Wrong("its own issuer is not accounts.oidc.issuer: write it exactly as the directory does")
    for name in ("authorization_endpoint", "token_endpoint", "jwks_uri"):
        if not _is_safe(said.get(name)):
            raise _Wrong(f"{name} is missing, or not https")
    methods = said.get("code_challenge_methods_supported")
    if isinstance(methods, list) and "S256" not in methods:
        raise _Wrong("code_challenge_methods_supported: it takes no S256 (RFC 7636)")
    ways = said.get("token_endpoint_auth_methods_supported", ["client_secret_basic"])  # Discovery 1.0, section 3: the default
    if not isinstance(ways, list) or not {"client_secret_basic", "client_secret_post"} & {str(way) for way in ways}:
        raise _Wrong("token_endpoint_auth_methods_supported: it takes no client secret")
    return Metadata(
        authorize=said["authorization_endpoint"],
        token=said["token_endpoint"],
        keys=said["jwks_uri"],
        userinfo=said["userinfo_endpoint"] if _is_safe(said.get("userinfo_endpoint")) else "",
        leaves=said["end_session_endpoint"] if _is_safe(said.get("end_session_endpoint")) else "",
        takes_basic="client_secret_basic" in ways,
        says_iss=said.get("authorization_response_iss_parameter_supported") is True,
    )


def _is_safe(address: object) -> bool:
    return isinstance(address, str) and address.startswith(("https://", "http://")) and keeps_secrets(address)
