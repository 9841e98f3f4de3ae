"""A web hook: one POST a message, as its format has it, signed so that the receiver knows who sent it and that nothing was changed.

HTTP Message Signatures (RFC 9421) over method, address, digest of the body (RFC 9530), media type and identity; the control ID goes as
Idempotency-Key (an IETF draft), the same at every try, so that a receiver files once.
"""

from __future__ import annotations

from collections.abc import Callable
from datetime import datetime

from cryptography.hazmat.primitives import hashes, hmac
from cryptography.hazmat.primitives.asymmetric import ec, utils
from joserfc.jwk import ECKey, OctKey

from bridge.credentials.keys import FOR_HOOKS, KeyFolder, SigningKey
from bridge.deliver.http import target_uri
from bridge.deliver.sign_in import new_name
from bridge.deliver.signed_in import SignedInPoster
from bridge.deliver.terms import site_answers_of
from bridge.errors import SettingsError
from bridge.lifecycle import signature
from bridge.lifecycle.answers import HttpReply, Silence, no_answer, read_hook
from bridge.model import Acknowledgement, Message
from bridge.settings import HookDestination

LONGEST_REPLY = 100_000  # bytes; ours: the body decides nothing, and 2 kB of it are shown
FHIR_TYPE = "application/fhir+json"  # FHIR R4 http.html, content types
# MSH-18 (HL7 table 0211) -> IANA character sets; there is no registered media type of HL7 v2's vertical bars
CHARSETS = {"UNICODE UTF-8": "utf-8", "8859/1": "iso-8859-1", "8859/15": "iso-8859-15", "ASCII": "us-ascii"}
ALGORITHMS = {"ES256": "ecdsa-p256-sha256", "HS256": "hmac-sha256"}  # RFC 9421 3.3.4 and 3.3.3


class HookClient:
    """Posts to one address, several messages at once if asked. Each try is signed anew, by the newest valid key."""

    def __init__(self, settings: HookDestination, *, now: Callable[[], datetime], name: Callable[[], str] = new_name) -> None:
        """``name`` gives an identifier that was never given before."""
        self._settings = settings
        self._now = now
        self._site = site_answers_of(settings)
        self._keys = KeyFolder(settings.signing.keys, FOR_HOOKS, ("signing", "keys"))
        self._poster = SignedInPoster(settings, longest_reply=LONGEST_REPLY, now=now, name=name)

    async def send(self, message: Message) -> Acknowledgement:
        """Post ``message`` and give its acknowledgement. Raises nothing for what a receiver or the network does."""
        try:
            headers = signed_headers(
                self._keys.signing(self._now()),
                target=target_uri(self._settings.url),
                body=message.payload,
                media_type=self._media_type(message),
                control_id=message.control_id,
                now=self._now(),
            )
        except (SettingsError, ValueError) as error:
            return no_answer(
                Silence.SETUP, str(error) if isinstance(error, SettingsError) else "The address cannot be used as it is."
            )
        reply = await self._poster.post(self._settings.url, message.payload, headers)
        return read_hook(reply, now=self._now(), site=self._site) if isinstance(reply, HttpReply) else no_answer(*reply)

    async def close(self) -> None:
        """Close every connection."""
        await self._poster.close()

    def _media_type(self, message: Message) -> str:
        return FHIR_TYPE if message.format.is_fhir else f"text/plain; charset={CHARSETS[self._settings.charset]}"


def signed_headers(
    key: SigningKey, *, target: str, body: bytes, media_type: str, control_id: str, now: datetime
) -> dict[str, str]:
    """Give the headers of a signed POST to ``target``. Raises ValueError for what no header can hold."""
    fields = {
        "content-type": media_type,
        "content-digest": signature.content_digest(body),
        "idempotency-key": signature.text(control_id),
    }
    covered = {"@method": "POST", "@target-uri": target, **fields}
    params = signature.parameters(tuple(covered), created=now, key_id=key.kid, algorithm=ALGORITHMS[key.alg])
    made = signature_of(key, signature.signature_base(covered, params))
    return {
        **fields,
        "signature-input": f"{signature.LABEL}={params}",
        "signature": f"{signature.LABEL}={signature.byte_sequence(made)}",
    }


def signature_of(key: SigningKey, base: bytes) -> bytes:
    """Sign ``base``: for ES256 r and s of 32 bytes each (RFC 9421 3.3.4), for HS256 the HMAC of 32 bytes (3.3.3)."""
    if isinstance(key.key, OctKey):
        mac = hmac.HMAC(key.key.raw_value, hashes.SHA256())
        mac.update(base)
        return mac.finalize()
    assert isinstance(key.key, ECKey)
    private = key.key.private_key
    assert isinstance(private, ec.EllipticCurvePrivateKey)
    r, s = utils.decode_dss_signature(private.sign(base, ec.ECDSA(hashes.SHA256())))
    return r.to_bytes(32, "big") + s.to_bytes(32, "big")
