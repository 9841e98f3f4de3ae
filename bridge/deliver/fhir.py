"""FHIR R4: one transaction Bundle a result, posted to the server's base address."""

from __future__ import annotations

import asyncio
import re
from collections.abc import Callable, Iterable
from contextlib import AsyncExitStack
from datetime import datetime
from typing import Any

import orjson

from bridge.deliver.http import Reply
from bridge.deliver.sign_in import new_name
from bridge.deliver.signed_in import SignedInPoster
from bridge.deliver.terms import site_answers_of
from bridge.lifecycle.answers import (
    HttpReply,
    Silence,
    is_there,
    no_answer,
    not_proved,
    questions,
    read_http,
    says_duplicate,
    there_already,
)
from bridge.model import Acknowledgement, Answer, Message
from bridge.settings import FhirDestination

LONGEST_REPLY = 2_000_000  # bytes; ours: a transaction-response of 20 entries is a few kB, many issues make some 100 kB
# A conditional reference (FHIR R4 http, transaction): Type?query; no text can look like one, since quotes in a JSON text are escaped.
SEARCH = re.compile(rb'"reference":\s*"[A-Za-z]+\?')
MEDIA_TYPE = "application/fhir+json"  # FHIR R4 http.html, content types
HEADERS = {"Content-Type": MEDIA_TYPE, "Accept": MEDIA_TYPE}
# Answers after which nobody knows what the server has
_DOUBT = frozenset({Silence.TIMEOUT.value, Silence.LOST.value, Silence.TOO_LONG.value})


class FhirClient:
    """Posts to one server, several messages at once if asked. What signs in is got anew once after a 401.

    Conditional creation is not a lock: two transactions at once may both make the same Device, and every later one then meets 412.
    So the first message that names a device goes alone until the server has accepted one with it.

    A server that says *duplicate* is asked for the result, and believed only where it gives back the same; with ``read_back`` it is
    asked so after a try whose fate is unknown, too, before the message goes again. After a restart of ours it goes again unasked,
    which conditional creation makes harmless.
    """

    def __init__(self, settings: FhirDestination, *, now: Callable[[], datetime], name: Callable[[], str] = new_name) -> None:
        """``name`` gives an identifier that was never given before."""
        self._settings = settings
        self._now = now
        self._site = site_answers_of(settings)
        self._poster = SignedInPoster(settings, longest_reply=LONGEST_REPLY, now=now, name=name)
        self._doubtful: set[str] = set()
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
            acknowledgement = await self._send(message, len(entries))
            if acknowledgement.answer is Answer.ACCEPTED:
                self._made.update(devices)
            return acknowledgement

    async def close(self) -> None:
        """Close every connection."""
        await self._poster.close()

    async def _send(self, message: Message, entries: int) -> Acknowledgement:
        if message.control_id in self._doubtful and await self._is_there(message.payload):
            self._doubtful.discard(message.control_id)
            return there_already()
        reply = await self._poster.post(self._settings.base_url, message.payload, HEADERS)
        acknowledgement = await self._meaning(message.payload, entries, reply)
        self._remember_doubt(message.control_id, is_doubtful=self._settings.read_back and acknowledgement.code in _DOUBT)
        return acknowledgement

    async def _meaning(self, payload: bytes, entries: int, reply: Reply) -> Acknowledgement:
        if not isinstance(reply, HttpReply):
            return no_answer(*reply)
        refusal = read_http(reply, entries=entries, now=self._now(), searches=bool(SEARCH.search(payload)), site=self._site)
        if not says_duplicate(reply):
            return refusal
        there = await self._is_there(payload)
        if there is None:  # nobody knows yet: the server says so again at the next try, and is asked again
            return no_answer(Silence.TIMEOUT, "The result could not be read back.")
        return there_already() if there else not_proved(refusal)

    async def _is_there(self, payload: bytes) -> bool | None:
        """Read a transaction's results back by our own identifiers; None where the server could not be asked."""
        asked = questions(payload)
        for question in asked:
            address = f"{self._settings.base_url.rstrip('/')}/{question.kind}?{question.query}"
            reply = await self._poster.get(address, HEADERS)
            if not isinstance(reply, HttpReply) or reply.status >= 500:
                return None
            if reply.status != 200 or reply.cut or not is_there(question, reply.body):
                return False
        return bool(asked)

    def _remember_doubt(self, control_id: str, *, is_doubtful: bool) -> None:
        if is_doubtful:
            self._doubtful.add(control_id)
        else:
            self._doubtful.discard(control_id)


def _devices(entries: Iterable[dict[str, Any]]) -> Iterable[str]:
    """Give the identity of each device that a transaction makes unless it is there."""
    for entry in entries:
        request = entry["request"]
        if request["url"] == "Device" and "ifNoneExist" in request:
            yield request["ifNoneExist"]
