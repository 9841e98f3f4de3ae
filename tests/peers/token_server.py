"""A token server after SMART App Launch 2.2, Backend Services: it checks each assertion with PyJWT, which shares no code with the product.

The idea is the shared tools' smart_token.py: signature by the key that `kid` names, iss = sub = the client, aud = its own address, exp at most
300 s ahead, and no jti twice.
"""

from __future__ import annotations

import http.server
import json
import threading
import time
import urllib.parse
from collections import deque
from dataclasses import dataclass, field
from types import TracebackType
from typing import Any, Self

import jwt


@dataclass
class TokenServer:
    """Listens on loopback at ``url``. ``keys`` is the client's public JWK Set. Use as a context manager."""

    keys: dict[str, Any]
    client_id: str = "bench-padpost"
    lasts_s: float | None = 300
    granted: list[str] = field(default_factory=list)
    asked: list[dict[str, str]] = field(default_factory=list)
    refused: list[str] = field(default_factory=list)
    answers: deque[tuple[int, bytes]] = field(default_factory=deque)
    held: threading.Event | None = None
    came: threading.Event = field(default_factory=threading.Event)
    _seen: set[str] = field(default_factory=set)

    def answer(self, status: int, body: Any) -> None:
        """Answer the next request so, whatever it says."""
        self.answers.append((status, body if isinstance(body, bytes) else json.dumps(body).encode()))

    def header(self, number: int) -> dict[str, Any]:
        """Give the header of an assertion that came."""
        return jwt.get_unverified_header(self.asked[number]["client_assertion"])

    def claims(self, number: int) -> dict[str, Any]:
        """Give the claims of an assertion that came."""
        found: dict[str, Any] = jwt.decode(self.asked[number]["client_assertion"], options={"verify_signature": False})
        return found

    def __enter__(self) -> Self:
        """Listen."""
        server = self

        class Handler(http.server.BaseHTTPRequestHandler):
            def log_message(self, *_: object) -> None:
                pass

            def do_POST(self) -> None:
                length = int(self.headers["content-length"])
                status, body = server._said(self.rfile.read(length), self.headers["content-type"])
                self.send_response(status)
                self.send_header("Content-Type", "application/json")
                self.send_header("Content-Length", str(len(body)))
                self.end_headers()
                self.wfile.write(body)

        self._server = http.server.ThreadingHTTPServer(("127.0.0.1", 0), Handler)
        self.url = f"http://127.0.0.1:{self._server.server_port}/token"
        self._thread = threading.Thread(target=self._server.serve_forever, kwargs={"poll_interval": 0.05}, daemon=True)
        self._thread.start()
        return self

    def __exit__(self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None) -> None:
        """Stop."""
        self._server.shutdown()
        self._server.server_close()
        self._thread.join(10)

    def _said(self, body: bytes, kind: str) -> tuple[int, bytes]:
        form = dict(urllib.parse.parse_qsl(body.decode(), strict_parsing=True))
        self.asked.append(form)
        self.came.set()
        if self.held is not None:
            self.held.wait(20)
        if self.answers:
            return self.answers.popleft()
        try:
            self._check(form, kind)
        except Exception as error:
            self.refused.append(f"{type(error).__name__}: {error}")
            return 400, json.dumps({"error": "invalid_client", "error_description": type(error).__name__}).encode()
        self.granted.append(f"token-{len(self.granted) + 1}")
        grant: dict[str, Any] = {"access_token": self.granted[-1], "token_type": "bearer", "scope": form["scope"]}
        if self.lasts_s is not None:
            grant["expires_in"] = self.lasts_s
        return 200, json.dumps(grant).encode()

    def _check(self, form: dict[str, str], kind: str) -> None:
        assert kind == "application/x-www-form-urlencoded"
        assert set(form) == {"grant_type", "scope", "client_assertion_type", "client_assertion"}
        assert form["grant_type"] == "client_credentials"
        assert form["client_assertion_type"] == "urn:ietf:params:oauth:client-assertion-type:jwt-bearer"
        head = jwt.get_unverified_header(form["client_assertion"])
        (key,) = [each for each in jwt.PyJWKSet.from_dict(self.keys).keys if each.key_id == head["kid"]]
        assert (head["typ"], head["alg"]) == ("JWT", key.algorithm_name)
        assert head["alg"] in {"RS384", "ES384"}
        claims = jwt.decode(
            form["client_assertion"],
            key.key,
            algorithms=[head["alg"]],
            audience=self.url,
            options={"require": ["exp", "jti", "iss", "sub", "aud"]},
        )
        assert claims["iss"] == claims["sub"] == self.client_id
        assert claims["exp"] - time.time() <= 300  # noqa: TID251 - a peer has a clock of its own
        assert claims["jti"] not in self._seen
        self._seen.add(claims["jti"])
