"""A password or a client certificate at a server that asks for it."""

from __future__ import annotations

import asyncio
from pathlib import Path
from typing import Any

import pytest

from bridge.deliver.http import Reply
from bridge.deliver.signed_in import SignedInPoster
from bridge.lifecycle.answers import HttpReply, Silence
from bridge.settings import FhirDestination
from tests.credentials.papers import papers, peer_context
from tests.peers.fhir_receiver import FhirReceiver, turn_away


def posted(server: FhirReceiver, *, times: int = 1, **more: Any) -> list[Reply]:
    """Post, and close."""

    async def whole() -> list[Reply]:
        given = {"kind": "fhir", "name": "record", "base_url": server.base_url, "result_system": "urn:t:result"}
        poster = SignedInPoster(
            FhirDestination.model_validate({**given, **more}), longest_reply=1_000, now=lambda: pytest.fail("not asked"), name=str
        )
        try:
            return [await poster.post(server.base_url, b"{}", {"Accept": "a/b"}) for _ in range(times)]
        finally:
            await poster.close()

    return asyncio.run(asyncio.wait_for(whole(), 30))


def test_a_password_that_was_changed_is_read_anew_once(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """As for a bearer token: the 401 makes it read again, within the same try; other headers stay."""
    secret = tmp_path / "password"
    secret.write_text("old")
    monkeypatch.setenv("PADPOST_TEST_WORD_FILE", str(secret))

    def decide(_: object) -> Any:
        secret.write_text("new")
        return turn_away(401) if len(server.posted) == 0 else turn_away(202)

    with FhirReceiver() as server:
        server.decide = decide
        basic = {"user": "u", "password": {"env": "PADPOST_TEST_WORD"}}
        assert posted(server, basic=basic) == [HttpReply(status=202, body=b"")]
        assert [each.headers["authorization"] for each in server.posted] == ["Basic dTpvbGQ=", "Basic dTpuZXc="]
        assert {each.headers["accept"] for each in server.posted} == {"a/b"}


def test_a_password_that_is_not_set_sends_nothing() -> None:
    """The setup's fault, with the remedy."""
    with FhirReceiver() as server:
        (answer,) = posted(server, basic={"user": "u", "password": {"env": "PADPOST_TEST_UNSET"}})
        assert answer == (
            Silence.SETUP,
            "The secret PADPOST_TEST_UNSET is not set. Set PADPOST_TEST_UNSET, or PADPOST_TEST_UNSET_FILE to a file that holds it.",
        )
        assert server.posted == []


def test_a_client_certificate_is_shown(tmp_path: Path) -> None:
    """Mutual TLS; without a sign-in no Authorization is sent, and a 401 is told at once."""
    site = papers(tmp_path)
    with FhirReceiver(tls=peer_context(site.issue("peer", "127.0.0.1"), clients=site.ca)) as server:
        server.script(turn_away(202), turn_away(401))
        own = site.issue("own", "padpost")
        answers = posted(server, times=2, tls=own)
        assert answers == [HttpReply(status=202, body=b""), HttpReply(status=401, body=b"")]
        assert "authorization" not in server.posted[0].headers


def test_reading_is_signed_in_for_too(monkeypatch: pytest.MonkeyPatch) -> None:
    """The same header, and the answer as it came."""
    monkeypatch.setenv("PADPOST_TEST_WORD", "open sesame")

    async def whole() -> Reply:
        given = {"kind": "fhir", "name": "record", "base_url": server.base_url, "result_system": "urn:t:result"}
        basic = {"user": "Aladdin", "password": {"env": "PADPOST_TEST_WORD"}}
        settings = FhirDestination.model_validate({**given, "basic": basic})
        poster = SignedInPoster(settings, longest_reply=1_000, now=lambda: pytest.fail("not asked"), name=str)
        try:
            return await poster.get(f"{server.base_url}/Observation", {"Accept": "a/b"})
        finally:
            await poster.close()

    with FhirReceiver() as server:
        server.documents["Observation"] = b"{}"
        assert asyncio.run(whole()) == HttpReply(status=200, body=b"{}")
        assert server.got == ["Observation"]
        assert server.got_headers[0]["authorization"] == "Basic QWxhZGRpbjpvcGVuIHNlc2FtZQ=="
