"""MLLP over TLS against a real TLS server (asyncio and ssl of the standard library, certificates by trustme): each fault by its name."""

from __future__ import annotations

import asyncio
import ssl
import warnings
from collections.abc import Awaitable, Callable
from datetime import timedelta
from pathlib import Path
from typing import Any, TypeVar

import pytest

from bridge.deliver.mllp import MllpClient
from bridge.deliver.tls_faults import fault_of, reason_of
from bridge.lifecycle.answers import DoorFault
from bridge.model import Acknowledgement, Answer
from bridge.settings import MllpDestination, Tls
from tests.credentials.papers import FAR_AHEAD, LONG_AGO, Papers, papers, peer_context
from tests.peers.mllp_receiver import MllpReceiver
from tests.peers.outgoing import oru
from tests.peers.tls_door import TlsDoor

T = TypeVar("T")
ACCEPTED = Acknowledgement(answer=Answer.ACCEPTED, code="AA")


def run(port: int, tls: Tls | None, talk: Callable[[MllpClient], Awaitable[T]], *, host: str = "127.0.0.1") -> T:
    """Run ``talk`` with a client, and close it."""

    async def whole() -> T:
        settings = MllpDestination(kind="mllp", name="record", host=host, port=port, answer_s=10, connect_s=5, tls=tls)
        client = MllpClient(settings)
        try:
            return await talk(client)
        finally:
            await client.close()

    return asyncio.run(asyncio.wait_for(whole(), 30))


async def once(client: MllpClient) -> Acknowledgement:
    """Send one message."""
    return await client.send(oru("EPOCHM1"))


def closed(answer: Acknowledgement) -> str:
    """Give the code of an answer that closes the destination."""
    assert answer.answer is Answer.CLOSED, answer
    return answer.code


@pytest.fixture
def site(tmp_path: Path) -> Papers:
    """Give a CA."""
    return papers(tmp_path / "site")


@pytest.mark.parametrize("version", [ssl.TLSVersion.TLSv1_2, ssl.TLSVersion.TLSv1_3])
def test_both_sides_show_certificates(site: Papers, version: ssl.TLSVersion) -> None:
    """TLS 1.2 and 1.3: the very bytes arrive, each once, on one connection."""
    context = peer_context(site.issue("peer", "127.0.0.1"), clients=site.ca)
    context.minimum_version = context.maximum_version = version

    async def talk(client: MllpClient) -> list[Acknowledgement]:
        return [await client.send(oru("EPOCHM1")), await client.send(oru("EPOCHM2"))]

    with MllpReceiver(tls=context) as receiver:
        assert run(receiver.port, site.issue("own", "padpost"), talk) == [ACCEPTED, ACCEPTED]
        assert receiver.durable == [oru("EPOCHM1").payload, oru("EPOCHM2").payload]
        assert receiver.connections == 1


def test_a_pinned_certificate_is_enough_and_its_name_still_counts(site: Papers) -> None:
    """The receiver's own certificate in place of a CA (RFC 9325 leaves trust to the site); the name is checked all the same."""
    peer = site.issue("peer", "records.internal")
    assert peer.certificate is not None
    pinned = Tls(ca=peer.certificate, server_name="records.internal")
    with MllpReceiver(tls=peer_context(peer)) as receiver:
        assert run(receiver.port, pinned, once) == ACCEPTED
        other = pinned.model_copy(update={"server_name": ""})
        assert closed(run(receiver.port, other, once)) == DoorFault.WRONG_NAME


@pytest.mark.parametrize(
    ("change", "fault"),
    [
        ({"names": ("elsewhere.example",)}, DoorFault.WRONG_NAME),
        ({"names": ("10.9.8.7",)}, DoorFault.WRONG_NAME),
        ({"starts": LONG_AGO, "ends": LONG_AGO + timedelta(days=1)}, DoorFault.EXPIRED),
        ({"starts": FAR_AHEAD, "ends": FAR_AHEAD + timedelta(days=1)}, DoorFault.NOT_YET_VALID),
    ],
)
def test_a_certificate_that_does_not_fit_closes_the_door_by_name(site: Papers, change: dict[str, Any], fault: DoorFault) -> None:
    """RFC 5280 6.1.3 and RFC 9525: time and name. Nothing is sent. HZ-H10."""
    given = {"names": ("127.0.0.1",), **change}
    names = given.pop("names")
    with MllpReceiver(tls=peer_context(site.issue("peer", *names, **given))) as receiver:
        assert closed(run(receiver.port, Tls(ca=site.ca), once)) == fault
        assert receiver.received == []


@pytest.mark.parametrize("own", [None, "other"])
def test_a_stranger_is_not_believed(site: Papers, tmp_path: Path, own: str | None) -> None:
    """Neither by the system's CAs nor by the wrong one."""
    trusted = papers(tmp_path / "other").ca if own else None
    with MllpReceiver(tls=peer_context(site.issue("peer", "127.0.0.1"))) as receiver:
        assert closed(run(receiver.port, Tls(ca=trusted), once)) == DoorFault.UNTRUSTED
        assert receiver.received == []


@pytest.mark.parametrize("version", [ssl.TLSVersion.TLSv1_2, ssl.TLSVersion.TLSv1_3])
@pytest.mark.parametrize("shown", ["none", "of a stranger", "run out"])
def test_our_certificate_turned_away_is_told(
    site: Papers, tmp_path: Path, version: ssl.TLSVersion, shown: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    """In TLS 1.3 the alert comes after our last word of the handshake: nothing is sent before the receiver had time to say it."""
    monkeypatch.setattr("bridge.deliver.mllp.VERDICT_S", 4.0)  # a busy machine may be slow to refuse; the alert ends the wait
    context = peer_context(site.issue("peer", "127.0.0.1"), clients=site.ca)
    context.minimum_version = context.maximum_version = version
    own = {
        "none": lambda: Tls(ca=site.ca),
        "of a stranger": lambda: papers(tmp_path / "other").issue("own", "padpost").model_copy(update={"ca": site.ca}),
        "run out": lambda: site.issue("own", "padpost", starts=LONG_AGO, ends=LONG_AGO + timedelta(days=1)),
    }[shown]()
    with TlsDoor(context) as door:
        # RFC 5246 7.4.6: before 1.3, a certificate that is missing may be told by handshake_failure, and OpenSSL does so
        is_vague = shown == "none" and version is ssl.TLSVersion.TLSv1_2
        assert closed(run(door.port, own, once)) == (DoorFault.NO_HANDSHAKE if is_vague else DoorFault.OURS_REFUSED)
        assert door.heard == []


def old_context(own: Tls) -> ssl.SSLContext:
    """Give a server of TLS 1.1 alone, which OpenSSL 3 speaks at security level 0 only."""
    context = peer_context(own)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", DeprecationWarning)  # the standard library deprecates what this test must offer
        context.minimum_version = ssl.TLSVersion.TLSv1
        context.maximum_version = ssl.TLSVersion.TLSv1_1
    context.set_ciphers("ALL:@SECLEVEL=0")
    return context


def test_old_versions_and_other_suites_are_refused(site: Papers) -> None:
    """RFC 8996 and RFC 9325 3.1.1: never TLS 1.1; 4.2: no suite without ephemeral keys and AEAD; and 1.3 alone where the site says so."""
    peer = site.issue("peer", "127.0.0.1")
    plain_suites, second = peer_context(peer), peer_context(peer)
    for context in (plain_suites, second):
        context.maximum_version = ssl.TLSVersion.TLSv1_2
    plain_suites.set_ciphers("AES256-SHA256:AES128-GCM-SHA256:ECDHE-ECDSA-AES128-SHA256")
    for context, tls, fault in (
        (old_context(peer), Tls(ca=site.ca), DoorFault.OLD_TLS),
        (plain_suites, Tls(ca=site.ca), DoorFault.NO_HANDSHAKE),
        (second, Tls(ca=site.ca, minimum="1.3"), DoorFault.OLD_TLS),
    ):
        with TlsDoor(context) as door:
            assert closed(run(door.port, tls, once)) == fault
            assert door.heard == []


def test_a_door_without_tls_gets_nothing_in_the_clear() -> None:
    """What answers in the clear is named; our first bytes are TLS's own."""
    heard: list[bytes] = []

    async def talk(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        heard.append(await reader.read(100))
        writer.write(b"\x0bMSH|^~\\&|\x1c\r")
        await writer.drain()
        writer.close()
        await writer.wait_closed()

    async def whole() -> Acknowledgement:
        server = await asyncio.start_server(talk, "127.0.0.1", 0)
        port = server.sockets[0].getsockname()[1]
        client = MllpClient(MllpDestination(kind="mllp", name="record", host="127.0.0.1", port=port, tls=Tls()))
        try:
            return await client.send(oru("EPOCHM1"))
        finally:
            await client.close()
            server.close()

    assert closed(asyncio.run(asyncio.wait_for(whole(), 30))) == DoorFault.NO_TLS
    assert heard[0][:1] == b"\x16"  # RFC 8446 5.1: handshake record


def test_a_certificate_is_renewed_without_a_restart(site: Papers) -> None:
    """A peer that takes only the new one: the same client shows it once the files are in place."""
    context = peer_context(site.issue("peer", "127.0.0.1"), clients=site.ca)
    own = site.issue("own", "padpost", starts=LONG_AGO, ends=LONG_AGO + timedelta(days=1))

    async def talk(client: MllpClient) -> list[Acknowledgement]:
        first = await client.send(oru("EPOCHM1"))
        site.issue("own", "padpost")
        return [first, await client.send(oru("EPOCHM1"))]

    with MllpReceiver(tls=context) as receiver:
        before, after = run(receiver.port, own, talk)
        assert before.answer is not Answer.ACCEPTED
        assert after == ACCEPTED
        assert len(receiver.durable) == 1


def test_a_certificate_that_cannot_be_read_closes_the_door(tmp_path: Path) -> None:
    """The file is named, and nothing goes out unencrypted instead."""
    with MllpReceiver() as receiver:
        answer = run(receiver.port, Tls(ca=tmp_path / "absent.pem"), once)
        assert closed(answer) == "cannot be sent as configured"
        assert "absent.pem cannot be read" in answer.text
        assert receiver.connections == 0


def test_what_says_nothing_of_the_door_has_no_name() -> None:
    """A line that broke is tried again; only a fault of the door closes it."""
    broken = ssl.SSLEOFError(8, "EOF occurred in violation of protocol")
    assert fault_of(broken) is None
    assert reason_of(broken) == "EOF occurred in violation of protocol"
