"""One POST over a real socket: what comes back, and each way in which nothing does."""

from __future__ import annotations

import asyncio
import contextlib
import logging
import socket
import ssl
import threading
from collections.abc import Awaitable, Callable
from pathlib import Path

import pytest

from bridge.deliver.http import Poster, Reply, target_uri
from bridge.lifecycle.answers import DoorFault, HttpReply, Silence
from bridge.settings import Tls
from tests.credentials.papers import papers, peer_context
from tests.deliver.resolving import names_answered
from tests.peers.fhir_receiver import FhirReceiver, turn_away
from tests.peers.fhir_receiver import Reply as Reply_
from tests.peers.tls_door import TlsDoor

Talk = Callable[[asyncio.StreamReader, asyncio.StreamWriter], Awaitable[None]]


def posted(
    address: str, *, answer_s: float = 10.0, longest: int = 10_000, headers: dict[str, str] | None = None, tls: Tls | None = None
) -> Reply:
    """Post once to ``address``."""

    async def whole() -> Reply:
        poster = Poster(answer_s=answer_s, longest_reply=longest, tls=tls)
        try:
            return await poster.post(address, b"body", headers or {})
        finally:
            await poster.close()

    return asyncio.run(asyncio.wait_for(whole(), 20))


def against(talk: Talk, *, scheme: str = "http", answer_s: float = 10.0, longest: int = 10_000) -> Reply:
    """Post once to a bare TCP server that does ``talk``."""

    async def whole() -> Reply:
        talks: set[asyncio.Task[None] | None] = set()

        async def serve(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
            talks.add(asyncio.current_task())
            with contextlib.suppress(OSError, asyncio.IncompleteReadError, asyncio.CancelledError):
                await talk(reader, writer)
            writer.close()
            with contextlib.suppress(OSError):
                await writer.wait_closed()

        server = await asyncio.start_server(serve, "127.0.0.1", 0)
        poster = Poster(answer_s=answer_s, longest_reply=longest)
        try:
            return await poster.post(f"{scheme}://127.0.0.1:{server.sockets[0].getsockname()[1]}/", b"body", {})
        finally:
            await poster.close()
            server.close()
            for task in talks:
                assert task is not None
                task.cancel()
                await asyncio.wait([task])

    return asyncio.run(asyncio.wait_for(whole(), 20))


def silence(found: Reply) -> Silence | DoorFault:
    """Give the kind of silence."""
    assert not isinstance(found, HttpReply), found
    return found[0]


def test_a_reply_comes_back_with_status_body_and_retry_after() -> None:
    """Nothing of it is judged here."""
    with FhirReceiver() as server:
        server.script(turn_away(503, b"later", Retry_After="7"))
        assert posted(server.base_url) == HttpReply(status=503, body=b"later", retry_after="7")


def test_we_name_ourselves_and_no_library() -> None:
    """RFC 9110 10.1.5: whose version it is tells a receiver nothing that it needs."""
    heard = b""

    async def talk(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        nonlocal heard
        heard = await reader.readuntil(b"\r\n\r\n")
        writer.write(b"HTTP/1.1 204 No Content\r\n\r\n")

    against(talk)
    assert [line for line in heard.split(b"\r\n") if line.lower().startswith(b"user-agent")] == [b"User-Agent: Padpost"]


def test_a_redirect_is_not_followed() -> None:
    """Results and token go to the configured address only (fhir.md, answer to action)."""
    with FhirReceiver() as elsewhere, FhirReceiver() as server:
        server.script(turn_away(307, b"", Location=elsewhere.base_url))
        assert posted(server.base_url) == HttpReply(status=307, body=b"")
        assert elsewhere.posted == []


def test_a_proxy_of_the_environment_is_not_asked(monkeypatch: pytest.MonkeyPatch) -> None:
    """A variable set for something else must not send patients' results through a stranger."""
    with FhirReceiver() as proxy, FhirReceiver() as server:
        for name in ("HTTP_PROXY", "http_proxy", "ALL_PROXY"):
            monkeypatch.setenv(name, f"http://127.0.0.1:{proxy.port}")
        assert isinstance(posted(server.base_url), HttpReply)
        assert len(server.posted) == 1
        assert proxy.posted == []


def test_a_long_body_is_cut_and_says_so() -> None:
    """A server that sends without end costs neither memory nor time."""

    async def talk(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        await reader.readuntil(b"body")
        writer.write(b"HTTP/1.1 200 OK\r\nContent-Length: 900000000\r\n\r\n")
        while True:
            writer.write(b"x" * 65536)
            await writer.drain()

    assert against(talk, longest=100) == HttpReply(status=200, body=b"x" * 100, cut=True)


def test_nobody_there() -> None:
    """A refused call sent nothing."""
    with socket.socket() as unused:
        unused.bind(("127.0.0.1", 0))
        assert silence(posted(f"http://127.0.0.1:{unused.getsockname()[1]}/")) is Silence.NO_CONNECTION


async def _say_nothing(reader: asyncio.StreamReader, _: asyncio.StreamWriter) -> None:
    await reader.read()


async def _trickle(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
    await reader.readuntil(b"body")
    writer.write(b"HTTP/1.1 200 OK\r\nContent-Length: 1000\r\n\r\n")
    while True:
        writer.write(b"x")
        await writer.drain()
        await asyncio.sleep(0.05)


@pytest.mark.parametrize("talk", [_say_nothing, _trickle])
def test_no_whole_reply_in_time(talk: Talk) -> None:
    """The limit is for the whole reply: a byte now and then does not buy more of it."""
    assert silence(against(talk, answer_s=0.4)) is Silence.TIMEOUT


async def _hang_up(reader: asyncio.StreamReader, _: asyncio.StreamWriter) -> None:
    await reader.readuntil(b"body")


async def _half_a_body(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
    await reader.readuntil(b"body")
    writer.write(b"HTTP/1.1 200 OK\r\nContent-Length: 1000\r\n\r\nhalf")
    await writer.drain()


async def _no_http(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
    await reader.readuntil(b"body")
    writer.write(b"\x0bMSH|^~\\&|\x1c\r\r\n\r\n")
    await writer.drain()


async def _bad_gzip(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
    await reader.readuntil(b"body")
    writer.write(b"HTTP/1.1 200 OK\r\nContent-Encoding: gzip\r\nContent-Length: 4\r\n\r\nnope")
    await writer.drain()


@pytest.mark.parametrize("talk", [_hang_up, _half_a_body, _no_http, _bad_gzip])
def test_a_reply_that_is_none(talk: Talk) -> None:
    """Hung up, cut, not HTTP, not decodable: the fate is unknown, never a yes."""
    assert silence(against(talk)) is Silence.LOST


def test_a_server_without_tls_behind_an_https_address() -> None:
    """Nothing is ever sent in the clear instead."""
    assert silence(against(_no_http_hello, scheme="https")) is DoorFault.NO_TLS


async def _no_http_hello(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
    await reader.read(10)
    writer.write(b"HTTP/1.1 400 Bad Request\r\n\r\n")
    await writer.drain()


@pytest.mark.parametrize(("fault", "expected"), [(socket.EAI_NONAME, Silence.NAME), (socket.EAI_AGAIN, Silence.NO_CONNECTION)])
def test_an_unknown_name_is_not_a_name_server_that_is_away(fault: int, expected: Silence) -> None:
    """The first needs a person, the second time."""
    with names_answered(fault):
        assert silence(posted("http://record.example/r4")) is expected


@pytest.mark.parametrize("address", ["http://[::1/", "ftp://127.0.0.1/", "http://127.0.0.1:99999/", "http://"])
def test_an_address_that_cannot_be_used(address: str) -> None:
    """A configuration fault closes the destination instead of raising."""
    assert silence(posted(address)) is Silence.SETUP


@pytest.mark.parametrize("token", ["line\nbreak", "größe"])
def test_a_token_that_no_header_can_hold(token: str) -> None:
    """A secret file with a stray line end must be told as a fault of the setup, without the secret in the words."""
    with FhirReceiver() as server:
        found = posted(server.base_url, headers={"Authorization": f"Bearer {token}"})
        assert found == (Silence.SETUP, "The address or the token cannot be used as it is.")
        assert server.posted == []


def test_the_library_logs_no_address_and_no_token(caplog: pytest.LogCaptureFixture) -> None:
    """Its own lines hold the address and, in detail, the headers; only warnings of it pass."""
    caplog.set_level(logging.DEBUG)
    with FhirReceiver() as server:
        posted(server.base_url, headers={"Authorization": "Bearer s3cret"})
    assert [record for record in caplog.records if record.name.startswith(("httpx", "httpcore"))] == []


def test_certificates_are_checked(tmp_path: Path) -> None:
    """A client that trusted anybody would send results to anybody: a stranger, a wrong name, and our own certificate asked for."""
    site, other = papers(tmp_path / "site"), papers(tmp_path / "other")
    peer = peer_context(site.issue("peer", "127.0.0.1"), clients=site.ca)
    peer.maximum_version = ssl.TLSVersion.TLSv1_2  # where the alert comes before anything is sent
    elsewhere = peer_context(site.issue("elsewhere", "elsewhere.example"))
    for context, tls, fault in (
        (peer, None, DoorFault.UNTRUSTED),
        (peer, Tls(ca=other.ca), DoorFault.UNTRUSTED),
        (elsewhere, Tls(ca=site.ca), DoorFault.WRONG_NAME),
        (peer, Tls(ca=site.ca), DoorFault.NO_HANDSHAKE),
        (peer, other.issue("own", "padpost").model_copy(update={"ca": site.ca}), DoorFault.OURS_REFUSED),
    ):
        with TlsDoor(context) as door:
            assert silence(posted(f"https://127.0.0.1:{door.port}/", tls=tls)) is fault
            assert door.heard == []


def test_a_certificate_that_cannot_be_read_is_told(tmp_path: Path) -> None:
    """Nothing is sent without what the site asked for."""
    found = posted("https://127.0.0.1:9/", tls=Tls(ca=tmp_path / "absent.pem"))
    assert silence(found) is Silence.SETUP
    assert not isinstance(found, HttpReply)
    assert "absent.pem cannot be read" in found[1]


@pytest.mark.parametrize("name", ["127.0.0.1", "records.internal"])
def test_both_certificates_and_a_renewal_while_requests_run(tmp_path: Path, name: str) -> None:
    """A request that began under the old certificate ends well; the next one shows the new; the name may be said (tls.server_name)."""
    site = papers(tmp_path)
    own = site.issue("own", "padpost").model_copy(update={"server_name": name})
    held = threading.Event()
    tls = peer_context(site.issue("peer", name), clients=site.ca)

    async def whole() -> list[Reply]:
        poster = Poster(answer_s=20, longest_reply=10_000, tls=own, home=server.base_url)
        try:
            first = asyncio.create_task(poster.post(server.base_url, b"{}", {}))
            await asyncio.to_thread(server.wait_for, 1)
            site.issue("own", "padpost")
            second = await poster.post(server.base_url, b"{}", {})
            assert len(poster._open) == 2
            held.set()
            answers = [await first, second]
            assert len(poster._open) == 1
            return answers
        finally:
            held.set()
            await poster.close()

    with FhirReceiver(tls=tls) as server:
        server.script(Reply_(status=202, body=b"a", held=held), Reply_(status=202, body=b"b"))
        assert asyncio.run(asyncio.wait_for(whole(), 30)) == [HttpReply(status=202, body=b"a"), HttpReply(status=202, body=b"b")]


def test_another_host_keeps_its_own_name(tmp_path: Path) -> None:
    """``server_name`` is about the configured address; a token server elsewhere must prove the name that was called."""
    site = papers(tmp_path)
    tls = Tls(ca=site.ca, server_name="records.internal")

    async def whole(home: str) -> Reply:
        poster = Poster(answer_s=10, longest_reply=10_000, tls=tls, home=home)
        try:
            return await poster.post(server.base_url, b"{}", {})
        finally:
            await poster.close()

    with FhirReceiver(tls=peer_context(site.issue("peer", "127.0.0.1"))) as server:
        server.decide = lambda _: turn_away(202)
        assert asyncio.run(whole("https://records.example/r4")) == HttpReply(status=202, body=b"")
        assert silence(asyncio.run(whole(server.base_url))) is DoorFault.WRONG_NAME


@pytest.mark.parametrize(
    ("address", "target"),
    [
        ("https://Hook.Example:443/in?a=b#c", "https://hook.example/in?a=b"),
        ("https://hook.example", "https://hook.example/"),
        ("http://127.0.0.1:8080/in put", "http://127.0.0.1:8080/in%20put"),
    ],
)
def test_the_target_is_what_is_sent(address: str, target: str) -> None:
    """RFC 9421 2.2.2: a signature covers the address as the server sees it."""
    assert target_uri(address) == target


def test_what_is_no_address_has_no_target() -> None:
    """A fault of the setup, not a trace."""
    with pytest.raises(ValueError, match="this is no address"):
        target_uri("https://\ufe56.example/")
