"""FHIR R4: one transaction Bundle a result, posted to the server's base address."""

from __future__ import annotations

import asyncio
import re
from collections.abc import Callable, Iterable
from contextlib import AsyncExitStack
from datetime import datetime
from typing import Any

import orjson

from bridge.deliver.sign_in import new_name
from bridge.deliver.signed_in import SignedInPoster
from bridge.lifecycle.answers import HttpReply, no_answer, read_http
from bridge.model import Acknowledgement, Answer, Message
from bridge.settings import FhirDestination

LONGEST_REPLY = 2_000_000  # bytes; ours: a transaction-response of 20 entries is a few kB, many issues make some 100 kB
# A conditional reference (FHIR R4 http, transaction): Type?query; no text can look like one, since quotes in a JSON text are escaped.
SEARCH = re.compile(rb'"reference":\s*"[A-Za-z]+\?')
MEDIA_TYPE = "application/fhir+json"  # FHIR R4 http.html, content types


class FhirClient:
    """Posts to one server, several messages at once if asked. What signs in is got anew once after a 401.

    Conditional creation is not a lock: two transactions at once may both make the same Device, and every later one then meets 412.
    So the first message that names a device goes alone until the server has accepted one with it.
    """

    def __init__(self, settings: FhirDestination, *, now: Callable[[], datetime], name: Callable[[], str] = new_name) -> None:
        """``name`` gives an identifier that was never given before."""
        self._settings = settings
        self._now = now
        self._poster = SignedInPoster(settings, longest_reply=LONGEST_REPLY, now=now, name=name)
        self._making: dict[str, asyncio.Lock] = {}
        self._made: set[str] = set()

    async def send(self, message: Message) -> Acknowledgement:
        """Post ``message`` and give its acknowledgement. Raises nothing for what a server or the network does."""
        entries = orjson.loads(message.payload)["entry"]
        async with AsyncExitStack() as alone:
            devices = sorted(set(_devices(entries)))
            for device in devices:
                if device not in self._made:
                    await alone.enter_async_context(self._making.setdefault(device, asyncio.Lock()))
            acknowledgement = await self._send(message.payload, len(entries))
            if acknowledgement.answer is Answer.ACCEPTED:
                self._made.update(devices)
            return acknowledgement

    async def close(self) -> None:
        """Close every connection."""
        await self._poster.close()

    async def _send(self, payload: bytes, entries: int) -> Acknowledgement:
        reply = await self._poster.post(self._settings.base_url, payload, {"Content-Type": MEDIA_TYPE, "Accept": MEDIA_TYPE})
        if not isinstance(reply, HttpReply):
            return no_answer(*reply)
        return read_http(reply, entries=entries, now=self._now(), searches=bool(SEARCH.search(payload)))


def _devices(entries: Iterable[dict[str, Any]]) -> Iterable[str]:
    """Give the identity of each device that a transaction makes unless it is there."""
    for entry in entries:
        request = entry["request"]
        if request["url"] == "Device" and "ifNoneExist" in request:
            yield request["ifNoneExist"]
