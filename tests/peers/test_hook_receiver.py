"""The receiver's own checking of signatures, by the worked examples of RFC 9421, appendix B, and of RFC 9530, appendix D."""

from __future__ import annotations

import base64
import hashlib
import socket

import pytest
from cryptography.hazmat.primitives.asymmetric import ec
from cryptography.hazmat.primitives.serialization import load_pem_public_key

from tests.peers.hook_receiver import HookReceiver, NotVerified, key_of, verified

# RFC 9421 B.1.3, test-key-ecc-p256
ECC = """-----BEGIN PUBLIC KEY-----
MFkwEwYHKoZIzj0CAQYIKoZIzj0DAQcDQgAEqIVYZVLCrPZHGHjP17CTW0/+D9Lf
w0EkjqF7xB4FivAxzic30tMM4GF+hR6Dxh71Z50VGGdldkkDXZCnTNnoXQ==
-----END PUBLIC KEY-----
"""
# RFC 9421 B.1.5, test-shared-secret
SECRET = base64.b64decode("uzvJfB4u3N0Jy4T7NZ75MDVcr8zSTInedJtkgcu46YW4XByzNJjxBdtjUkdJPBtbmHhIDi6pcl8jsasjlTMtDQ==")
RESPONSE = b'{"message": "good dog"}\n'[:-1]
# RFC 9421 B.2.4: a response signed with ecdsa-p256-sha256
B24 = {
    "@status": "200",
    "content-type": "application/json",
    "content-digest": "sha-512=:mEWXIS7MaLRuGgxOBdODa3xqM1XdEvxoYhvlCFJ41QJgJc4GTsPp29l5oGX69wWdXymyU0rjJuahq4l5aGgfLQ==:",
    "content-length": "23",
}
B24_INPUT = 'sig-b24=("@status" "content-type" "content-digest" "content-length");created=1618884473;keyid="test-key-ecc-p256"'
B24_SIGNATURE = "sig-b24=:wNmSUAhwb5LxtOtOpNa6W5xj067m5hFrj0XQ4fvpaCLx0NKocgPquLgyahnzDnDAUy5eCdlYUEkLIj+32oiasw==:"
# RFC 9421 B.2.5: a request signed with hmac-sha256
B25 = {"date": "Tue, 20 Apr 2021 02:07:55 GMT", "@authority": "example.com", "content-type": "application/json"}
B25_INPUT = 'sig-b25=("date" "@authority" "content-type");created=1618884473;keyid="test-shared-secret"'
B25_SIGNATURE = "sig-b25=:pxcQw6G3AjtMBQjwo8XzkZf/bws5LelbaMk5rGIGtE8=:"


def keys() -> dict[str, bytes | ec.EllipticCurvePublicKey]:
    """Give the RFC's keys."""
    public = load_pem_public_key(ECC.encode())
    assert isinstance(public, ec.EllipticCurvePublicKey)
    return {"test-key-ecc-p256": public, "test-shared-secret": SECRET}


def test_the_rfcs_examples_hold() -> None:
    """B.2.4 and B.2.5, with the digest of B.2's response."""
    assert verified(B24, B24_INPUT, B24_SIGNATURE, keys())["created"] == "1618884473"
    assert verified(B25, B25_INPUT, B25_SIGNATURE, keys())["covered"] == "date @authority content-type"
    digest = base64.b64encode(hashlib.sha512(RESPONSE).digest()).decode()
    assert B24["content-digest"] == f"sha-512=:{digest}:"


@pytest.mark.parametrize(
    ("values", "given", "signature"),
    [
        ({**B25, "content-type": "text/plain"}, B25_INPUT, B25_SIGNATURE),
        ({**B24, "@status": "201"}, B24_INPUT, B24_SIGNATURE),
        (B25, B25_INPUT.replace("1618884473", "1618884474"), B25_SIGNATURE),
        (B25, B25_INPUT.replace("test-shared-secret", "unknown"), B25_SIGNATURE),
        (B25, B25_INPUT, B24_SIGNATURE),
        ({}, B25_INPUT, B25_SIGNATURE),
        (B25, "nothing", B25_SIGNATURE),
    ],
)
def test_whatever_was_changed_does_not_hold(values: dict[str, str], given: str, signature: str) -> None:
    """A checker that took everything would make every test of the product pass."""
    with pytest.raises(NotVerified):
        verified(values, given, signature, keys())


def test_a_jwk_is_the_same_key() -> None:
    """The members of RFC 7518 6.2.1 for the RFC's key (B.1.3)."""
    jwk = {
        "kty": "EC",
        "x": "qIVYZVLCrPZHGHjP17CTW0_-D9Lfw0EkjqF7xB4FivA",
        "y": "Mc4nN9LTDOBhfoUeg8Ye9WedFRhnZXZJA12Qp0zZ6F0",
    }
    found, known = key_of(jwk), keys()["test-key-ecc-p256"]
    assert isinstance(found, ec.EllipticCurvePublicKey)
    assert isinstance(known, ec.EllipticCurvePublicKey)
    assert found.public_numbers() == known.public_numbers()


def address_of(receiver: HookReceiver) -> tuple[str, int]:
    host, _, port = receiver.authority.partition(":")
    return host, int(port)


def test_half_a_request_is_not_answered() -> None:
    """RFC 9112 8: a server may answer an incomplete request or not. A 400 would be a refusal, where a wire was cut."""
    with HookReceiver(keys={}) as receiver, socket.create_connection(address_of(receiver)) as sender:
        sender.sendall(b"POST /in/results HTTP/1.1\r\nHost: bench\r\nContent-Length: 10\r\n\r\nhalf")
        sender.shutdown(socket.SHUT_WR)
        assert sender.recv(100) == b""
        assert receiver.seen == []
