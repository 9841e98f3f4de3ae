"""The signature of an ID token (OpenID Connect Core 1.0; RFC 7515, RFC 7518), looked at by a library: which key, which algorithm, what it signs.

Loaded only where a site signs in by a directory: 11 MB of libraries.
"""

from __future__ import annotations

import base64
import hashlib
import hmac
import json
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from joserfc import jws
from joserfc.errors import JoseError
from joserfc.jwk import ECKey, Key, RSAKey

from bridge.credentials.keys import SHORTEST_RSA_BITS

LONGEST_TOKEN = 65_536  # ours: characters; some directories name hundreds of groups
# Signatures by a key that only the directory has. No "none", and no HMAC: whoever has the public key could make one (RFC 8725 3.1)
ALGORITHMS: Mapping[str, str] = {
    "RS256": "RSA", "RS384": "RSA", "RS512": "RSA",
    "PS256": "RSA", "PS384": "RSA", "PS512": "RSA",
    "ES256": "EC", "ES384": "EC", "ES512": "EC",
}  # fmt: skip
_IMPORTS: Mapping[str, Callable[[Any], Key]] = {"RSA": RSAKey.import_key, "EC": ECKey.import_key}
_PUBLIC = ("kty", "crv", "x", "y", "n", "e", "kid")
_NO_TOKEN = "it is no signed token"  # noqa: S105 - a sentence


class BadToken(Exception):  # noqa: N818 - names what it is
    """A token that is not believed; the words hold nothing of it. ``may_be_new``: another key may have come into use since the keys were read."""

    def __init__(self, words: str, *, may_be_new: bool = False) -> None:
        super().__init__(words)
        self.may_be_new = may_be_new


@dataclass(frozen=True, kw_only=True, slots=True)
class Signed:
    """What a token with a right signature says, and by which algorithm it was signed."""

    claims: Mapping[str, Any]
    alg: str


def signed(token: str, keys: Sequence[Any]) -> Signed:
    """Give what ``token`` says, if one of ``keys`` (public JWKs, RFC 7517) signed it. Raises BadToken."""
    head = _head(token)
    alg = head.get("alg")
    if not isinstance(alg, str) or alg not in ALGORITHMS:
        raise BadToken("alg: it is not signed in a way that is taken here")
    if "crit" in head:  # RFC 7515 4.1.11: what we do not know must not be passed over
        raise BadToken("crit: it asks for what is not known here")
    key = _key(keys, alg, head.get("kid"))
    try:
        claims = json.loads(jws.deserialize_compact(token, key, algorithms=[alg]).payload)
    except (JoseError, ValueError, RecursionError) as error:
        raise BadToken("its signature is not right", may_be_new=True) from error
    if not isinstance(claims, dict):
        raise BadToken(_NO_TOKEN)
    return Signed(claims=claims, alg=alg)


def fits(token: Signed, access_token: str) -> bool:
    """Say whether an access token is the one that came with this ID token; so where the directory says nothing of it (Core 1.0, 3.1.3.8)."""
    told = token.claims.get("at_hash")
    if told is None:
        return True
    digest = hashlib.new(f"sha{token.alg[-3:]}", access_token.encode("utf-8", "replace")).digest()
    half = base64.urlsafe_b64encode(digest[: len(digest) // 2]).rstrip(b"=")  # Core 1.0, 3.1.3.6
    return isinstance(told, str) and hmac.compare_digest(half, told.encode("utf-8", "replace"))


def _head(token: str) -> Mapping[str, Any]:
    if len(token) > LONGEST_TOKEN or token.count(".") != 2 or not token.isascii():
        raise BadToken(_NO_TOKEN)
    first = token.partition(".")[0]
    try:
        head = json.loads(base64.urlsafe_b64decode(first + "=" * (-len(first) % 4)))
    except (ValueError, RecursionError) as error:
        raise BadToken(_NO_TOKEN) from error
    if not isinstance(head, dict):
        raise BadToken(_NO_TOKEN)
    return head


def _key(keys: Sequence[Any], alg: str, kid: object) -> Key:
    """Give the one key that the token names; where it names none, the only one of its kind (Core 1.0, 10.1)."""
    fit = [
        each
        for each in keys
        if isinstance(each, dict)
        and each.get("kty") == ALGORITHMS[alg]
        and each.get("use", "sig") == "sig"
        and each.get("alg", alg) == alg
        and (kid is None or each.get("kid") == kid)
    ]
    if len(fit) != 1:
        raise BadToken("kid: the directory shows no such key, or more than one", may_be_new=True)
    if _is_short(fit[0]):
        raise BadToken("the directory's key is too short, or none")
    try:
        key = _IMPORTS[ALGORITHMS[alg]]({name: fit[0][name] for name in _PUBLIC if name in fit[0]})
    except (JoseError, ValueError, TypeError) as error:
        raise BadToken("the directory's key cannot be used") from error
    return key


def _is_short(key: Mapping[str, Any]) -> bool:
    """Say whether an RSA key is one that nobody should trust; seen before the library takes it in, which only warns."""
    if key["kty"] != "RSA":
        return False
    try:
        modulus = base64.urlsafe_b64decode(str(key.get("n", "")) + "==")
    except ValueError:
        return True
    return int.from_bytes(modulus).bit_length() < SHORTEST_RSA_BITS
