"""A hospital's directory (OpenID Connect provider) that can also err: it signs with PyJWT, which shares no code with the product.

It checks what a client must send: its secret (RFC 6749 2.3.1), the redirect address, the code once, and the code's verifier (RFC 7636 4.6). Its own sign-in page
asks nothing: ``who`` is there. For a provider that others wrote see ``provider_process``.
"""

from __future__ import annotations

import base64
import contextlib
import functools
import hashlib
import http.server
import json
import secrets
import ssl
import subprocess
import sys
import threading
import time
import urllib.parse
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from types import TracebackType
from typing import Any, Self

import httpx
import jwt
from cryptography.hazmat.primitives.asymmetric import ec, rsa

from tests.faults.served import free_port

SECRET = "a secret: with + / and % in it"
CLIENT = "padpost bench"


@functools.cache
def _rsa_key(_: str) -> rsa.RSAPrivateKey:
    """Give one key for each name: it takes a while to make."""
    return rsa.generate_private_key(65_537, 2048)


@dataclass
class Signer:
    """A key of the directory's."""

    kid: str
    alg: str = "RS256"
    key: Any = None

    def __post_init__(self) -> None:
        if self.key is None:
            self.key = ec.generate_private_key(ec.SECP256R1()) if self.alg == "ES256" else _rsa_key(self.kid)

    def public(self) -> dict[str, Any]:
        """Give the public JWK."""
        algorithm = jwt.get_algorithm_by_name(self.alg)
        return {**json.loads(algorithm.to_jwk(self.key.public_key())), "kid": self.kid, "use": "sig", "alg": self.alg}


@dataclass
class DirectoryServer:
    """Listens on loopback at ``url``. Use as a context manager. ``people`` are claims by subject; ``now`` gives seconds since 1970."""

    now: Callable[[], float]
    people: dict[str, dict[str, Any]] = field(default_factory=dict)
    who: str = ""
    signer: Signer = field(default_factory=lambda: Signer("k1"))
    shown: list[dict[str, Any]] | None = None
    spoil: Callable[[dict[str, Any]], dict[str, Any]] = dict
    sign: Callable[[dict[str, Any]], str] | None = None
    metadata: dict[str, Any] = field(default_factory=dict)
    answer: dict[str, str] = field(default_factory=dict)
    only_at_userinfo: frozenset[str] = frozenset()
    told_of: str = ""
    tls: ssl.SSLContext | None = None
    status: int = 0
    asked: list[dict[str, str]] = field(default_factory=list)
    granted: int = 0
    refused: list[str] = field(default_factory=list)
    keys_read: int = 0
    _codes: dict[str, dict[str, str]] = field(default_factory=dict)
    _tokens: dict[str, str] = field(default_factory=dict)

    def __enter__(self) -> Self:
        """Listen."""
        directory = self

        class Handler(http.server.BaseHTTPRequestHandler):
            def log_message(self, *_: object) -> None:
                pass

            def do_GET(self) -> None:
                self._say(*directory._get(urllib.parse.urlsplit(self.path), self.headers.get("authorization", "")))

            def do_POST(self) -> None:
                body = self.rfile.read(int(self.headers["content-length"])).decode()
                self._say(*directory._post(dict(urllib.parse.parse_qsl(body)), self.headers.get("authorization", "")))

            def _say(self, status: int, said: Any, location: str = "") -> None:
                body = said if isinstance(said, bytes) else json.dumps(said).encode()
                self.send_response(status)
                self.send_header("Content-Type", "application/json")
                self.send_header("Content-Length", str(len(body)))
                if location:
                    self.send_header("Location", location)
                self.end_headers()
                self.wfile.write(body)

        self._server = http.server.ThreadingHTTPServer(("127.0.0.1", 0), Handler)
        if self.tls is not None:
            self._server.socket = self.tls.wrap_socket(self._server.socket, server_side=True)
        self.url = f"http{'s' if self.tls else ''}://127.0.0.1:{self._server.server_port}/staff"
        self._thread = threading.Thread(target=self._server.serve_forever, kwargs={"poll_interval": 0.02}, daemon=True)
        self._thread.start()
        return self

    def __exit__(self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None) -> None:
        """Stop."""
        self._server.shutdown()
        self._server.server_close()
        self._thread.join(10)

    def _get(self, where: urllib.parse.SplitResult, header: str) -> tuple[int, Any] | tuple[int, Any, str]:
        if self.status:
            return self.status, {"error": "temporarily_unavailable"}
        match where.path.removeprefix("/staff"):
            case "/.well-known/openid-configuration":
                return 200, {**self._metadata(), **self.metadata}
            case "/keys":
                self.keys_read += 1
                return 200, {"keys": [self.signer.public()] if self.shown is None else self.shown}
            case "/authorize":
                return 302, {}, self._authorized(dict(urllib.parse.parse_qsl(where.query)))
            case "/userinfo":
                subject = self._tokens[header.removeprefix("Bearer ")]
                told = {name: self.people[subject][name] for name in self.only_at_userinfo}
                return 200, {"sub": self.told_of or subject, **told}
        return 404, {}

    def _metadata(self) -> dict[str, Any]:
        return {
            "issuer": self.url,
            "authorization_endpoint": f"{self.url}/authorize?realm=staff",
            "token_endpoint": f"{self.url}/token",
            "jwks_uri": f"{self.url}/keys",
            "userinfo_endpoint": f"{self.url}/userinfo",
            "end_session_endpoint": f"{self.url}/leave",
            "response_types_supported": ["code"],
            "subject_types_supported": ["public"],
            "id_token_signing_alg_values_supported": [self.signer.alg],
            "code_challenge_methods_supported": ["S256"],
            "authorization_response_iss_parameter_supported": True,
        }

    def _authorized(self, asked: dict[str, str]) -> str:
        self.asked.append(asked)
        assert asked["response_type"] == "code"
        assert asked["code_challenge_method"] == "S256"
        code = secrets.token_urlsafe(16)
        self._codes[code] = {**asked, "sub": self.who}
        back = {"code": code, "state": asked["state"], "iss": self.url, **self.answer}
        return f"{asked['redirect_uri']}?{urllib.parse.urlencode({name: value for name, value in back.items() if value})}"

    def _post(self, form: dict[str, str], header: str) -> tuple[int, Any]:
        if self.status:
            return self.status, {}
        try:
            return 200, self._grant(form, header)
        except (AssertionError, KeyError) as error:
            self.refused.append(f"{type(error).__name__}: {error}")
            return 400, {"error": "invalid_grant"}

    def _grant(self, form: dict[str, str], header: str) -> dict[str, Any]:
        if "client_secret" in form:
            pair = [form["client_id"], form["client_secret"]]
        else:
            raw = base64.b64decode(header.removeprefix("Basic ")).decode()
            pair = [urllib.parse.unquote(part) for part in raw.split(":")]
        assert pair == [CLIENT, SECRET], "client"
        asked = self._codes.pop(form["code"])  # once
        assert form["redirect_uri"] == asked["redirect_uri"], "redirect_uri"
        digest = hashlib.sha256(form["code_verifier"].encode()).digest()
        assert base64.urlsafe_b64encode(digest).rstrip(b"=").decode() == asked["code_challenge"], "verifier"
        self.granted += 1
        access = secrets.token_urlsafe(16)
        self._tokens[access] = asked["sub"]
        now = int(self.now())
        half = hashlib.sha256(access.encode()).digest()[:16]
        claims = {
            "iss": self.url,
            "sub": asked["sub"],
            "aud": CLIENT,
            "exp": now + 300,
            "iat": now,
            "nonce": asked["nonce"],
            "at_hash": base64.urlsafe_b64encode(half).rstrip(b"=").decode(),
            **{name: value for name, value in self.people[asked["sub"]].items() if name not in self.only_at_userinfo},
            **({"auth_time": now} if "max_age" in asked else {}),
        }
        claims = self.spoil(claims)
        token = self.sign(claims) if self.sign else self.signed(claims)
        return {"access_token": access, "token_type": "Bearer", "expires_in": 300, "id_token": token}

    def signed(self, claims: dict[str, Any], signer: Signer | None = None, **head: Any) -> str:
        """Give a token, by the directory's key or by another one."""
        by = signer or self.signer
        return jwt.encode(claims, by.key, algorithm=by.alg, headers={"kid": by.kid, **head})


@contextlib.contextmanager
def provider_process(*people: dict[str, Any]) -> Iterator[str]:
    """Run the package oidc-provider-mock, a provider that others wrote on Authlib's server, in a process of its own; give its issuer."""
    port = free_port()
    command = [sys.executable, "-W", "ignore", "-m", "oidc_provider_mock", "--port", str(port), "--require-nonce", "true"]
    for person in people:
        command += ["--user-claims", json.dumps(person)]
    with subprocess.Popen(command, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL) as process:
        try:
            issuer = f"http://127.0.0.1:{port}"
            _wait_for(f"{issuer}/.well-known/openid-configuration", process)
            yield issuer
        finally:
            process.terminate()


def _wait_for(address: str, process: subprocess.Popen[bytes]) -> None:
    ends = time.monotonic() + 30
    while time.monotonic() < ends:
        assert process.poll() is None, "the provider ended by itself"
        with contextlib.suppress(httpx.TransportError):
            if httpx.get(address, trust_env=False).status_code == 200:
                return
        time.sleep(0.05)
    raise AssertionError("the provider did not begin to answer")
