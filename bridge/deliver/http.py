"""The one place that imports the HTTP library: one POST, its reply or how there was none."""

from __future__ import annotations

import asyncio
import logging
import socket
import ssl
from collections.abc import Iterator, Mapping

import httpx

from bridge.lifecycle.answers import HttpReply, Silence

# The library logs each request's address and, in detail, its headers with the token; our own line says what the log needs.
for _name in ("httpx", "httpcore"):
    logging.getLogger(_name).setLevel(logging.WARNING)


class Poster:
    """Posts to one server. No redirect is followed and no proxy of the environment asked: results go to the configured address only."""

    def __init__(self, *, answer_s: float, longest_reply: int) -> None:
        """Wait ``answer_s`` seconds for a whole reply, and take ``longest_reply`` bytes of its body."""
        self._answer_s = answer_s
        self._longest = longest_reply
        self._client = httpx.AsyncClient(timeout=httpx.Timeout(answer_s), follow_redirects=False, trust_env=False)

    async def post(self, address: str, body: bytes, headers: Mapping[str, str]) -> HttpReply | tuple[Silence, str]:
        """Post ``body``; give the reply, or how there was none and the system's own words for it. Raises nothing for either."""
        return await self._ask("POST", address, headers, body)

    async def get(self, address: str, headers: Mapping[str, str]) -> HttpReply | tuple[Silence, str]:
        """Get ``address``; as ``post``."""
        return await self._ask("GET", address, headers)

    async def _ask(
        self, method: str, address: str, headers: Mapping[str, str], body: bytes | None = None
    ) -> HttpReply | tuple[Silence, str]:
        try:
            where = httpx.URL(address)
            if not where.host or (where.port or 0) > 65_535:  # the library would raise something of the system's own
                return Silence.SETUP, "The address cannot be used as it is."
            async with (
                asyncio.timeout(self._answer_s),
                self._client.stream(method, where, content=body, headers=headers) as reply,
            ):
                return await self._taken(reply)
        except (httpx.ConnectError, httpx.ConnectTimeout, httpx.PoolTimeout) as error:
            return _door_fault(error), str(error)
        except (TimeoutError, httpx.TimeoutException) as error:
            return Silence.TIMEOUT, str(error)
        except (httpx.InvalidURL, httpx.UnsupportedProtocol, httpx.LocalProtocolError, UnicodeEncodeError):
            return Silence.SETUP, "The address or the token cannot be used as it is."
        except httpx.RequestError as error:
            return Silence.LOST, str(error)

    async def close(self) -> None:
        """Close every connection."""
        await self._client.aclose()

    async def _taken(self, reply: httpx.Response) -> HttpReply:
        body = bytearray()
        async for part in reply.aiter_bytes():
            body += part
            if len(body) > self._longest:
                break
        cut = len(body) > self._longest
        retry_after = reply.headers.get("Retry-After", "")
        return HttpReply(status=reply.status_code, body=bytes(body[: self._longest]), retry_after=retry_after, cut=cut)


def _door_fault(error: BaseException) -> Silence:
    """Tell a wrong name or certificate from a door that nobody opens; the library wraps the system's error."""
    for cause in _causes(error):
        if isinstance(cause, socket.gaierror):
            return Silence.NO_CONNECTION if cause.errno == socket.EAI_AGAIN else Silence.NAME
        if isinstance(cause, ssl.SSLError):
            return Silence.TLS
    return Silence.NO_CONNECTION


def _causes(error: BaseException) -> Iterator[BaseException]:
    cause: BaseException | None = error
    while cause is not None:
        yield cause
        cause = cause.__cause__ or cause.__context__
