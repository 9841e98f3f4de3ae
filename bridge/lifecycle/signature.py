"""HTTP Message Signatures (RFC 9421) and Content-Digest (RFC 9530) of a request: the texts, without keys.

Only what Padpost signs: a POST with a body. Parameters are `created`, `keyid` and `alg`, in that order.
"""

from __future__ import annotations

import base64
import hashlib
from collections.abc import Mapping, Sequence
from datetime import datetime

LABEL = "padpost"  # ours: RFC 9421 4.1 lets the signer choose it


def content_digest(body: bytes) -> str:
    """Give the field Content-Digest (RFC 9530 2) by SHA-256."""
    return f"sha-256={byte_sequence(hashlib.sha256(body).digest())}"


def byte_sequence(held: bytes) -> str:
    """Give a Byte Sequence of Structured Fields (RFC 9651 3.3.5, as in RFC 8941)."""
    return f":{base64.b64encode(held).decode('ascii')}:"


def text(held: str) -> str:
    """Give a String of Structured Fields (RFC 9651 3.3.3). Raises ValueError for anything but printable ASCII."""
    if not (held.isascii() and held.isprintable()):
        raise ValueError("only printable ASCII can stand in a header")
    escaped = held.replace("\\", "\\\\").replace('"', '\\"')
    return f'"{escaped}"'


def parameters(components: Sequence[str], *, created: datetime, key_id: str, algorithm: str) -> str:
    """Give the parameters of a signature (RFC 9421 2.3): the covered components, when, by which key, how. ``created`` is aware."""
    covered = " ".join(text(name) for name in components)
    return f"({covered});created={int(created.timestamp())};keyid={text(key_id)};alg={text(algorithm)}"


def signature_base(components: Mapping[str, str], params: str) -> bytes:
    """Give the bytes that are signed (RFC 9421 2.5). ``components`` are values by name, in the order of ``params``."""
    lines = [f"{text(name)}: {value}" for name, value in components.items()]
    return "\n".join([*lines, f'"@signature-params": {params}']).encode("ascii")
