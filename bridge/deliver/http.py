"""The one place that imports the HTTP library: one request, its reply or how there was none."""

from __future__ import annotations

import asyncio
import logging
import socket
import ssl
from collections.abc import AsyncIterator, Iterator, Mapping
from contextlib import asynccontextmanager
from dataclasses import dataclass

import httpx

from bridge.credentials.tls import Contexts, client_context
from bridge.deliver.tls_faults import fault_of, reason_of
from bridge.errors import SettingsError
from bridge.lifecycle.answers import DoorFault, HttpReply, Silence
from bridge.settings import Tls

Reply = HttpReply | tuple[Silence | DoorFault, str]

# The library logs each request's address and, in detail, its headers with the token; our own line says what the log needs.
for _name in ("httpx", "httpcore"):
    logging.getLogger(_name).setLevel(logging.WARNING)


class Poster:
    """Talks to one server. No redirect is followed and no proxy of the environment asked: results go to the configured address only.

    Each request uses the TLS context that is in force when it begins; connections under an earlier one end with what they carry.
    """

    def __init__(self, *, answer_s: float, longest_reply: int, tls: Tls | None = None, home: str = "") -> None:
        """Wait ``answer_s`` seconds for a whole reply, and take ``longest_reply`` bytes of its body.

        ``home`` is the address whose host ``tls.server_name`` is about; another one, such as a token server's, has its own name.
        """
        self._answer_s = answer_s
        self._longest = longest_reply
        tls = tls or Tls()
        self._name = tls.server_name
        self._home = home
        self._contexts = Contexts(tls, client_context)
        self._open: list[_Connections] = []

    async def post(self, address: str, body: bytes, headers: Mapping[str, str]) -> Reply:
        """Post ``body``; give the reply, or how there was none and the system's own words for it. Raises nothing for either."""
        return await self._ask("POST", address, headers, body)

    async def get(self, address: str, headers: Mapping[str, str]) -> Reply:
        """Get ``address``; as ``post``."""
        return await self._ask("GET", address, headers)

    async def close(self) -> None:
        """Close every connection."""
        while self._open:
            await self._open.pop().client.aclose()

    async def _ask(self, method: str, address: str, headers: Mapping[str, str], body: bytes | None = None) -> Reply:
        try:
            where = httpx.URL(address)
            if not where.host or (where.port or 0) > 65_535:  # the library would raise something of the system's own
                return Silence.SETUP, "The address cannot be used as it is."
            more = {"sni_hostname": self._name} if self._name and where.host == httpx.URL(self._home).host else {}
            async with (
                asyncio.timeout(self._answer_s),
                self._connections() as client,
                client.stream(method, where, content=body, headers=headers, extensions=more) as reply,
            ):
                return await self._taken(reply)
        except SettingsError as error:  # a certificate or key that cannot be used
            return Silence.SETUP, str(error)
        except (httpx.ConnectError, httpx.ConnectTimeout, httpx.PoolTimeout) as error:
            return _door_fault(error), _said(error)
        except (TimeoutError, httpx.TimeoutException) as error:
            return Silence.TIMEOUT, str(error)
        except (httpx.InvalidURL, httpx.UnsupportedProtocol, httpx.LocalProtocolError, UnicodeEncodeError):
            return Silence.SETUP, "The address or the token cannot be used as it is."
        except (httpx.RequestError, ssl.SSLError) as error:
            # in TLS 1.3 a server turns our certificate away only after we may have sent: it has read nothing
            safe = _tls_error(error)
            return (fault_of(safe) if safe else None) or Silence.LOST, _said(error)

    @asynccontextmanager
    async def _connections(self) -> AsyncIterator[httpx.AsyncClient]:
        """Give the client of the context in force; an earlier one is closed once nobody uses it. Raises SettingsError."""
        context = self._contexts.current()
        if not self._open or self._open[-1].context is not context:
            client = httpx.AsyncClient(
                headers={"User-Agent": "Padpost"},  # RFC 9110 10.1.5; the library would name itself and its version
                timeout=httpx.Timeout(self._answer_s),
                follow_redirects=False,
                trust_env=False,
                verify=context,
            )
            self._open.append(_Connections(context, client))
        mine = self._open[-1]
        mine.users += 1
        try:
            yield mine.client
        finally:
            mine.users -= 1
            for idle in [each for each in self._open[:-1] if not each.users]:
                self._open.remove(idle)
                await idle.client.aclose()

    async def _taken(self, reply: httpx.Response) -> HttpReply:
        body = bytearray()
        async for part in reply.aiter_bytes():
            body += part
            if len(body) > self._longest:
                break
        cut = len(body) > self._longest
        retry_after = reply.headers.get("Retry-After", "")
        return HttpReply(status=reply.status_code, body=bytes(body[: self._longest]), retry_after=retry_after, cut=cut)


@dataclass
class _Connections:
    """The connections of one TLS context, and how many requests use them."""

    context: ssl.SSLContext
    client: httpx.AsyncClient
    users: int = 0


def target_uri(address: str) -> str:
    """Give ``address`` as it stands in a request (RFC 9421 2.2.2): normalised by the library, without a fragment.

    Raises ValueError for what is no address.
    """
    try:
        url = httpx.URL(address)
    except httpx.InvalidURL as error:
        raise ValueError("this is no address") from error
    return f"{url.scheme}://{url.netloc.decode('ascii')}{url.raw_path.decode('ascii')}"


def _door_fault(error: BaseException) -> Silence | DoorFault:
    """Tell a wrong name or certificate from a door that nobody opens; the library wraps the system's error."""
    for cause in _causes(error):
        if isinstance(cause, socket.gaierror):
            return Silence.NO_CONNECTION if cause.errno == socket.EAI_AGAIN else Silence.NAME
        if isinstance(cause, ssl.SSLError):
            return fault_of(cause) or Silence.TLS
    return Silence.NO_CONNECTION


def _tls_error(error: BaseException) -> ssl.SSLError | None:
    return next((cause for cause in _causes(error) if isinstance(cause, ssl.SSLError)), None)


def _said(error: BaseException) -> str:
    """Give the system's own words, OpenSSL's where it was TLS."""
    safe = _tls_error(error)
    return reason_of(safe) if safe else str(error)


def _causes(error: BaseException) -> Iterator[BaseException]:
    cause: BaseException | None = error
    while cause is not None:
        yield cause
        cause = cause.__cause__ or cause.__context__
