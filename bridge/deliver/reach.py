"""Whether a receiver can be reached, in words. Nothing clinical is sent: a call and a TLS handshake, a FHIR server's statement of what it can do, or a look at a folder."""

from __future__ import annotations

import asyncio
import os
import ssl
from contextlib import suppress
from dataclasses import dataclass
from datetime import UTC, datetime
from urllib.parse import urlsplit

from bridge.credentials.tls import client_context
from bridge.deliver.tls_faults import CALL_FAULTS, no_call
from bridge.lifecycle.answers import HttpReply, door_words, no_answer
from bridge.model import Acknowledgement
from bridge.settings import DestinationShape, FhirDestination, FolderDestination, HookDestination, MllpDestination, Tls

LONGEST_S = 10.0  # ours: whoever presses the button waits for it
VERDICT_S = (
    0.5  # ours: a receiver gets this long to turn our certificate away (RFC 8446 2: that comes after our handshake is over)
)


@dataclass(frozen=True, kw_only=True, slots=True)
class _Door:
    host: str
    port: int
    tls: Tls | None


async def reach(destination: DestinationShape) -> tuple[bool, str]:
    """Give whether the receiver can be reached, and in words how or why not. Raises nothing for what the receiver or the network does."""
    match destination:
        case MllpDestination():
            return await _called(_Door(host=destination.host, port=destination.port, tls=destination.tls))
        case FhirDestination():
            return await _asked(destination)
        case HookDestination():
            try:
                door = _door_of(destination.url, destination.tls)
            except ValueError as error:  # a port that there is not
                return _missed(no_call(error))
            return await _called(door)
        case FolderDestination():
            return await asyncio.to_thread(_looked_at, destination)
    raise TypeError(f"nothing reaches a {type(destination).__name__}")


def _door_of(address: str, tls: Tls | None) -> _Door:
    parts = urlsplit(address)
    is_safe = parts.scheme == "https"
    return _Door(host=parts.hostname or "", port=parts.port or (443 if is_safe else 80), tls=(tls or Tls()) if is_safe else None)


async def _called(door: _Door) -> tuple[bool, str]:
    """Call, shake hands where the line is encrypted, and hang up."""
    try:
        async with asyncio.timeout(LONGEST_S):
            return await _call(door)
    except CALL_FAULTS as error:
        return _missed(no_call(error))


async def _call(door: _Door) -> tuple[bool, str]:
    more = {} if door.tls is None else {"ssl": client_context(door.tls), "server_hostname": door.tls.server_name or door.host}
    reader, writer = await asyncio.open_connection(door.host, door.port, **more)  # type: ignore[arg-type]  # a context and a name
    try:
        safe: ssl.SSLObject | None = writer.get_extra_info("ssl_object")
        if safe is None:
            return True, "Somebody takes the call. The line is not encrypted. Nothing was sent."
        with suppress(TimeoutError):
            async with asyncio.timeout(VERDICT_S):
                await reader.read(1)  # b"" or an error where our certificate is turned away
        return True, f"Somebody takes the call, encrypted by {safe.version()}.{_validity(safe)} Nothing was sent."
    finally:
        writer.transport.abort()
        with suppress(*CALL_FAULTS):
            await writer.wait_closed()


def _validity(safe: ssl.SSLObject) -> str:
    until = (safe.getpeercert() or {}).get("notAfter")
    if not isinstance(until, str):
        return ""
    return f" Its certificate is valid until {datetime.fromtimestamp(ssl.cert_time_to_seconds(until), UTC):%Y-%m-%d}."


def _missed(answer: Acknowledgement) -> tuple[bool, str]:
    said = f" ({answer.text})" if answer.text else ""
    return False, f"{door_words(answer)}{said}"


async def _asked(destination: FhirDestination) -> tuple[bool, str]:
    """Ask for the capability statement, which is public (FHIR R4 http.html, capabilities)."""
    from bridge.deliver.capability import asked_statement  # noqa: PLC0415 - an HTTP client that only who has such a server loads

    reply, found = await asked_statement(destination, longest_s=LONGEST_S)
    if not isinstance(reply, HttpReply):
        kind, said = reply
        return _missed(no_answer(kind, said))
    if found is None:
        return False, f"It answers, but not with its capability statement: HTTP {reply.status}. Results may still be taken."
    lacks = f" To look at: {'; '.join(found)}." if found else ""
    return True, f"It answers at /metadata, where a FHIR server says what it can do.{lacks} Nothing of a patient was sent."


def _looked_at(destination: FolderDestination) -> tuple[bool, str]:
    if not destination.path.is_dir():
        return False, "The folder is not there. Make it, or mend its path in the settings."
    if not os.access(destination.path, os.W_OK | os.X_OK):
        return False, "The folder is there, but Padpost may not write into it. Give its user that right."
    return True, "The folder is there, and Padpost may write into it. Nothing was written."
