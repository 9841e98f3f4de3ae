"""A receiver of web hooks that checks HTTP Message Signatures by itself, written from RFC 9421 (2.3, 2.5, 3.2) and RFC 9530, not from the product.

``verified`` is shown to be right by the RFC's own worked examples (tests/peers/test_hook_receiver.py).
"""

from __future__ import annotations

import base64
import hashlib
import hmac
import http.server
import json
import re
import ssl
import threading
from collections import deque
from collections.abc import Mapping
from dataclasses import dataclass, field
from types import TracebackType
from typing import Any, Self

from cryptography.exceptions import InvalidSignature
from cryptography.hazmat.primitives import hashes
from cryptography.hazmat.primitives.asymmetric import ec, utils

INPUT = re.compile(r'^(?P<label>[a-z*][a-z0-9_.*-]*)=(?P<params>\((?P<names>[^)]*)\)(?P<rest>(;[a-z]+=("[^"]*"|\d+))*))$')
PARAM = re.compile(r';([a-z]+)=(?:"([^"]*)"|(\d+))')
Key = bytes | ec.EllipticCurvePublicKey


class NotVerified(Exception):  # noqa: N818 - says what was found
    """The signature does not hold, or does not cover what it must."""


def verified(values: Mapping[str, str], signature_input: str, signature: str, keys: Mapping[str, Key]) -> dict[str, str]:
    """Check a signature over ``values`` (components by name, fields in lower case); give its parameters. Raises NotVerified."""
    found = INPUT.match(signature_input)
    if not found:
        raise NotVerified("no signature input of RFC 9421")
    names = re.findall(r'"([^"]+)"', found["names"])
    if len(set(names)) != len(names) or any(name not in values for name in names):
        raise NotVerified("a component is missing or covered twice")
    params = {name: quoted or number for name, quoted, number in PARAM.findall(found["rest"])}
    base = "".join(f'"{name}": {values[name]}\n' for name in names) + f'"@signature-params": {found["params"]}'
    sent = re.fullmatch(re.escape(found["label"]) + r"=:([A-Za-z0-9+/=]+):", signature)
    if not sent or params.get("keyid") not in keys:
        raise NotVerified("no signature of that label, or a key that nobody knows")
    _check(keys[params["keyid"]], base64.b64decode(sent[1], validate=True), base.encode())
    return params | {"covered": " ".join(names)}


def _check(key: Key, made: bytes, base: bytes) -> None:
    if isinstance(key, bytes):
        if not hmac.compare_digest(hmac.digest(key, base, "sha256"), made):
            raise NotVerified("the HMAC differs")
        return
    try:
        der = utils.encode_dss_signature(int.from_bytes(made[:32], "big"), int.from_bytes(made[32:], "big"))
        key.verify(der, base, ec.ECDSA(hashes.SHA256()))
    except InvalidSignature as error:
        raise NotVerified("the signature differs") from error


def key_of(jwk: Mapping[str, Any]) -> Key:
    """Give the key of a JWK (RFC 7518 6.2, 6.4)."""

    def number(member: str) -> bytes:
        return base64.urlsafe_b64decode(jwk[member] + "=" * (-len(jwk[member]) % 4))

    if jwk["kty"] == "oct":
        return number("k")
    x, y = (int.from_bytes(number(member), "big") for member in ("x", "y"))
    return ec.EllipticCurvePublicNumbers(x, y, ec.SECP256R1()).public_key()


@dataclass
class HookReceiver:
    """Listens on loopback at ``url``. ``taken`` is what it filed, once each by Idempotency-Key. Use as a context manager."""

    keys: dict[str, Key]
    tls: ssl.SSLContext | None = None
    taken: dict[str, bytes] = field(default_factory=dict)
    seen: list[dict[str, str]] = field(default_factory=list)
    params: list[dict[str, str]] = field(default_factory=list)
    refused: list[str] = field(default_factory=list)
    answers: deque[tuple[int, bytes, dict[str, str]]] = field(default_factory=deque)

    def answer(self, status: int, body: bytes = b"", **headers: str) -> None:
        """Answer the next request so, after it was looked at."""
        self.answers.append((status, body, {name.replace("_", "-"): value for name, value in headers.items()}))

    def __enter__(self) -> Self:
        """Listen."""
        receiver = self

        class Handler(http.server.BaseHTTPRequestHandler):
            def log_message(self, *_: object) -> None:
                pass

            def do_POST(self) -> None:
                body = self.rfile.read(int(self.headers["content-length"]))
                if len(body) < int(
                    self.headers["content-length"]
                ):  # its sender died in the middle, or a wire cut it off: nobody is answered
                    self.close_connection = True
                    return
                fields = {name.lower(): value for name, value in self.headers.items()}
                status, said, more = receiver._said(self.path, fields, body)
                self.send_response(status)
                for name, value in {**more, "Content-Length": str(len(said))}.items():
                    self.send_header(name, value)
                self.end_headers()
                self.wfile.write(said)

        self._server = http.server.ThreadingHTTPServer(("127.0.0.1", 0), Handler)
        if self.tls:
            self._server.socket = self.tls.wrap_socket(self._server.socket, server_side=True)
        self.authority = f"127.0.0.1:{self._server.server_port}"
        self.url = f"http{'s' if self.tls else ''}://{self.authority}/in/results?from=bench"
        self._thread = threading.Thread(target=self._server.serve_forever, kwargs={"poll_interval": 0.05}, daemon=True)
        self._thread.start()
        return self

    def __exit__(self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None) -> None:
        """Stop."""
        self._server.shutdown()
        self._server.server_close()
        self._thread.join(10)

    def _said(self, path: str, fields: dict[str, str], body: bytes) -> tuple[int, bytes, dict[str, str]]:
        self.seen.append(fields)
        try:
            found = self._checked(path, fields, body)
        except NotVerified as error:
            self.refused.append(str(error))
            return 401, json.dumps({"detail": str(error)}).encode(), {}
        self.params.append(found)
        status, said, more = self.answers.popleft() if self.answers else (204, b"", {})
        if status < 300:
            self.taken.setdefault(fields["idempotency-key"], body)
        return status, said, more

    def _checked(self, path: str, fields: dict[str, str], body: bytes) -> dict[str, str]:
        target = f"http{'s' if self.tls else ''}://{fields['host']}{path}"
        values = {**fields, "@method": "POST", "@target-uri": target}
        found = verified(values, fields["signature-input"], fields["signature"], self.keys)
        digest = base64.b64encode(hashlib.sha256(body).digest()).decode()
        if fields["content-digest"] != f"sha-256=:{digest}:":
            raise NotVerified("the body is not what was signed")
        if not {"@method", "@target-uri", "content-digest"} <= set(found["covered"].split()):
            raise NotVerified("too little is covered")
        return found
