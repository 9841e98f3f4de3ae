"""Signatures of tokens that PyJWT made, which shares no code with the library that looks at them; attacks are in tests/pages/test_directory.py too."""

from __future__ import annotations

import json
from typing import Any

import jwt
import pytest
from cryptography.hazmat.primitives.asymmetric import rsa
from hypothesis import given, settings
from hypothesis import strategies as st

from bridge.credentials.id_token import LONGEST_TOKEN, BadToken, Signed, fits, signed
from tests.peers.directory_server import Signer

KEYS = (Signer("rsa"), Signer("ec", "ES256"))
SHOWN = [each.public() for each in KEYS]


def token(claims: Any, signer: Signer, **head: Any) -> str:
    """Sign."""
    return jwt.encode(claims, signer.key, algorithm=signer.alg, headers={"kid": signer.kid, **head})


@pytest.mark.parametrize("signer", KEYS, ids=["RS256", "ES256"])
def test_a_right_signature_shows_what_was_signed(signer: Signer) -> None:
    """By the key that the token names, or by the only one of its kind where it names none."""
    made = token({"sub": "u-1"}, signer)
    assert signed(made, [None, *SHOWN]) == Signed(claims={"sub": "u-1"}, alg=signer.alg)
    nameless = jwt.encode({"sub": "u-1"}, signer.key, algorithm=signer.alg)
    assert signed(nameless, SHOWN).claims == {"sub": "u-1"}
    with pytest.raises(BadToken, match="more than one") as caught:
        signed(nameless, [*SHOWN, *(each.public() for each in (Signer("rsa2"), Signer("ec2", "ES256")))])
    assert caught.value.may_be_new


@pytest.mark.parametrize(
    "change",
    [{"use": "enc"}, {"alg": "RS512"}, {"kty": "oct", "k": "c2VjcmV0"}, {"n": "AQAB"}, {"n": "!"}, {"n": None}, {"e": ""}],
    ids=str,
)
def test_a_key_that_is_for_something_else_or_broken_is_none(change: dict[str, Any]) -> None:
    """RFC 7517 4.2, 4.4."""
    with pytest.raises(BadToken):
        signed(token({"sub": "u-1"}, KEYS[0]), [{**SHOWN[0], **change}])


def test_a_short_key_is_none() -> None:
    """RFC 7518 3.3: 2048 bits at least."""
    short = Signer("short", key=rsa.generate_private_key(65_537, 1024))
    with pytest.warns(jwt.InsecureKeyLengthWarning):
        made = token({"sub": "u-1"}, short)
    with pytest.raises(BadToken, match="too short"):
        signed(made, [short.public()])


def test_claims_are_an_object() -> None:
    """RFC 7519 section 4."""
    made = jwt.api_jws.encode(json.dumps(["u-1"]).encode(), KEYS[1].key, algorithm="ES256", headers={"kid": "ec"})
    with pytest.raises(BadToken, match="no signed token"):
        signed(made, SHOWN)


@settings(max_examples=60)
@given(st.text(st.characters(max_codepoint=0x2FF), max_size=40).map("{0}.e30.e30".format) | st.text(max_size=30))
def test_what_is_no_token_is_a_sentence(text: str) -> None:
    """Whatever comes: no error but ours, and nothing of it in the words."""
    with pytest.raises(BadToken):
        signed(text, SHOWN)


def test_what_is_longer_than_any_token_is_not_looked_at() -> None:
    """A megabyte costs nothing."""
    with pytest.raises(BadToken, match="no signed token"):
        signed("A" * LONGEST_TOKEN + ".e30.e30", SHOWN)


def test_an_access_token_s_hash_is_the_left_half_of_its_digest() -> None:
    """OpenID Connect Core 1.0, A.3 (the example of the hybrid flow): access token and at_hash of its ID token."""
    example = Signed(claims={"at_hash": "77QmUPtjPfzWtF2AnpK9RQ"}, alg="RS256")
    assert fits(example, "jHkWEdUXMU1BwAsC4vtUsZwnNvTIxEl0z9K3vx5KF0Y")
    assert not fits(example, "jHkWEdUXMU1BwAsC4vtUsZwnNvTIxEl0z9K3vx5KF0y")
    assert fits(Signed(claims={}, alg="ES256"), "whatever")
    assert not fits(Signed(claims={"at_hash": 7}, alg="ES256"), "whatever")
