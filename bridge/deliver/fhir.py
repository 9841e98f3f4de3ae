"""FHIR R4: one transaction Bundle a result, posted to the server's base address."""

from __future__ import annotations

import socket
import ssl
from collections.abc import Callable
from datetime import datetime

import orjson

from bridge.deliver import http
from bridge.errors import SettingsError
from bridge.lifecycle.answers import HttpReply, Silence, no_answer, read_http
from bridge.model import Acknowledgement, Message
from bridge.settings import FhirDestination

LONGEST_REPLY = (
    2_000_000  # bytes; ours: a transaction-response of 20 entries is a few kB, an outcome with many issues some 100 kB
)
MEDIA_TYPE = "application/fhir+json"  # FHIR R4 http.html, content types


class FhirClient:
    """Posts to one server. The bearer token, if any, is read anew once after a 401."""

    def __init__(self, settings: FhirDestination, *, now: Callable[[], datetime]) -> None:
        self._settings = settings
        self._now = now
        self._client = http.client(answer_s=settings.answer_s)
        self._token: str | None = None

    async def send(self, message: Message) -> Acknowledgement:
        """Post ``message`` and give its acknowledgement. Raises nothing for what a server or the network does."""
        entries = len(orjson.loads(message.payload)["entry"])
        try:
            reply = await self._post(message.payload)
            if reply.status == 401 and self._settings.bearer:
                self._token = None
                reply = await self._post(message.payload)
        except SettingsError as error:
            return no_answer(Silence.SETUP, str(error))
        except http.InvalidURL as error:
            return no_answer(Silence.SETUP, str(error))
        except http.ConnectError as error:
            return no_answer(_connect_fault(error), str(error))
        except http.TimeoutError:
            return no_answer(Silence.TIMEOUT)
        except http.TransportError:
            return no_answer(Silence.LOST)
        return read_http(reply, entries=entries, now=self._now())

    async def close(self) -> None:
        """Close every connection."""
        await self._client.aclose()

    async def _post(self, payload: bytes) -> HttpReply:
        headers = {"Content-Type": MEDIA_TYPE, "Accept": MEDIA_TYPE}
        if self._settings.bearer:
            self._token = self._token or self._settings.bearer.value()
            headers["Authorization"] = f"Bearer {self._token}"
        async with self._client.stream("POST", self._settings.base_url, content=payload, headers=headers) as response:
            body = b""
            async for part in response.aiter_bytes():
                body += part
                if len(body) > LONGEST_REPLY:
                    return HttpReply(
                        status=response.status_code,
                        body=body[:LONGEST_REPLY],
                        retry_after=response.headers.get("Retry-After", ""),
                        cut=True,
                    )
            return HttpReply(status=response.status_code, body=body, retry_after=response.headers.get("Retry-After", ""))


def _connect_fault(error: BaseException) -> Silence:
    """Tell a wrong name or certificate from a door that nobody opens; the library wraps the system's error."""
    cause: BaseException | None = error
    while cause is not None:
        if isinstance(cause, socket.gaierror):
            return Silence.NAME
        if isinstance(cause, ssl.SSLError):
            return Silence.TLS
        cause = cause.__cause__ or cause.__context__
    return Silence.NO_CONNECTION
