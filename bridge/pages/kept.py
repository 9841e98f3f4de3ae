"""A form that came while its session was locked, sealed into the page that asks for the password: only the same person gets it back.

Nothing of it is kept on this side, and nobody who looks at the page, or at its source, can read it.
"""

from __future__ import annotations

import base64
import hashlib
import json
import os
from datetime import datetime, timedelta
from typing import TYPE_CHECKING

from bridge.pages.once_more import TypedForm

if TYPE_CHECKING:
    from cryptography.hazmat.primitives.ciphers.aead import AESGCM

LASTS = timedelta(minutes=30)  # ours: somebody was called away from the bench; what is older is typed anew with a fresh look
LONGEST = 40_000  # ours: characters; it comes back as a field of a form, which holds 64 KiB at most. The longest of ours are some hundreds
_NONCE_BYTES = 12  # NIST SP 800-38D section 8.2: 96 bits


def seal(form: TypedForm, *, account_id: int, secret: bytes, at: datetime) -> str:
    """Give the form's fields, without passwords, as a text that only ``opened`` reads; "" where they are too long to be carried."""
    held = {"path": form.path, "pairs": form.carried, "asks": form.asks_password, "at": at.isoformat()}
    nonce = os.urandom(_NONCE_BYTES)
    sealed = base64.urlsafe_b64encode(
        nonce + _cipher(secret).encrypt(nonce, json.dumps(held).encode(), _whose(account_id))
    ).decode()
    return sealed if len(sealed) <= LONGEST else ""


def opened(sealed: str, *, account_id: int, secret: bytes, now: datetime) -> TypedForm | None:
    """Give the form back; None where it is another person's, of another start of Padpost, too old, or none of ours."""
    from cryptography.exceptions import InvalidTag  # noqa: PLC0415 - as below

    try:
        data = base64.urlsafe_b64decode(sealed.encode())
        held = json.loads(_cipher(secret).decrypt(data[:_NONCE_BYTES], data[_NONCE_BYTES:], _whose(account_id)))
    except (ValueError, InvalidTag):
        return None
    if not timedelta(0) <= now - datetime.fromisoformat(held["at"]) < LASTS:
        return None
    pairs = tuple((str(name), str(value)) for name, value in held["pairs"])
    return TypedForm(path=held["path"], pairs=pairs, fault="", asks_password=held["asks"])


def _cipher(secret: bytes) -> AESGCM:
    from cryptography.hazmat.primitives.ciphers.aead import AESGCM  # noqa: PLC0415 - 6 MB, for a form that hardly ever comes

    return AESGCM(hashlib.sha256(b"padpost kept form\0" + secret).digest())


def _whose(account_id: int) -> bytes:
    return f"account:{account_id}".encode()
