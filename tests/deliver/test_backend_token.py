"""Tokens for signed assertions, against a token server that checks them with PyJWT: grants, rotation, sharing, refusals."""

from __future__ import annotations

import asyncio
import json
import threading
from collections.abc import Awaitable, Callable
from datetime import timedelta
from pathlib import Path
from typing import Any, TypeVar

import pytest

from bridge import clock
from bridge.credentials.keys import key_set, make_key, read_keys
from bridge.deliver.fhir import FhirClient
from bridge.lifecycle.answers import DoorFault
from bridge.model import Acknowledgement, Answer
from bridge.settings import FhirDestination, OAuth, Pointers
from tests.peers.fhir_receiver import FhirReceiver, turn_away
from tests.peers.outgoing import bundle
from tests.peers.token_server import TokenServer

T = TypeVar("T")
ACCEPTED = Acknowledgement(answer=Answer.ACCEPTED, code="HTTP 200")
DAY = timedelta(days=1)
CLIENT = "bench-padpost"


class Shifted:
    """The real clock, moved on by ``by``."""

    def __init__(self) -> None:
        self.by = timedelta(0)

    def __call__(self) -> Any:
        return clock.now() + self.by


def keys(folder: Path, *algorithms: str) -> dict[str, Any]:
    """Make keys, each newer than the one before, and give the public set."""
    now = clock.now()
    for number, alg in enumerate(algorithms):
        make_key(folder, alg, starts=now - DAY + timedelta(hours=number), ends=now + DAY, name=f"k{number}")
    return key_set(read_keys(folder), now=now)


def run(
    server: FhirReceiver,
    oauth: OAuth,
    talk: Callable[[FhirClient], Awaitable[T]],
    *,
    now: Callable[[], Any] = clock.now,
    **more: Any,
) -> T:
    """Run ``talk`` with a client, and close it."""

    async def whole() -> T:
        settings = FhirDestination(
            kind="fhir", name="record", base_url=server.base_url, result_system="urn:t:result", oauth=oauth, answer_s=10, **more
        )
        client = FhirClient(settings, now=now)
        try:
            return await talk(client)
        finally:
            await client.close()

    return asyncio.run(asyncio.wait_for(whole(), 30))


async def once(client: FhirClient) -> Acknowledgement:
    """Send one message."""
    return await client.send(bundle("EPOCHM1"))


def used(server: FhirReceiver) -> list[str]:
    """Give the tokens that were shown."""
    return [posted.headers["authorization"] for posted in server.posted]


@pytest.mark.parametrize("alg", ["ES384", "RS384"])
def test_a_signed_assertion_gets_a_token(tmp_path: Path, alg: str) -> None:
    """Both algorithms that SMART asks of a client; every claim that it requires, and none whose clock could be wrong."""
    public = keys(tmp_path, alg)
    with TokenServer(public) as tokens, FhirReceiver() as server:
        assert run(server, OAuth(client_id=CLIENT, keys=tmp_path, token_url=tokens.url), once) == ACCEPTED
        assert tokens.refused == []
        assert used(server) == ["Bearer token-1"]
        assert tokens.header(0) == {"alg": alg, "kid": "k0", "typ": "JWT"}
        assert set(tokens.claims(0)) == {"iss", "sub", "aud", "exp", "jti"}
        assert tokens.asked[0]["scope"] == (
            "system/DiagnosticReport.cus system/Observation.cus system/Specimen.cus system/Device.cs"
        )


def test_the_token_server_is_asked_of_the_fhir_server(tmp_path: Path) -> None:
    """{base}/.well-known/smart-configuration, once."""
    public = keys(tmp_path, "ES384")

    async def talk(client: FhirClient) -> list[Acknowledgement]:
        return [await once(client), await client.send(bundle("EPOCHM2"))]

    with TokenServer(public, lasts_s=None) as tokens, FhirReceiver() as server:
        server.documents[".well-known/smart-configuration"] = json.dumps({"token_endpoint": tokens.url}).encode()
        assert run(server, OAuth(client_id=CLIENT, keys=tmp_path), talk) == [ACCEPTED, ACCEPTED]
        assert server.got == [".well-known/smart-configuration"]
        assert tokens.granted == ["token-1"]
        assert tokens.claims(0)["aud"] == tokens.url


@pytest.mark.parametrize(
    "document", [None, b"{}", b"no JSON", b"[]", b'{"token_endpoint": "http://token.example/"}', b'{"token_endpoint": 7}']
)
def test_a_server_that_names_no_safe_token_server_is_told(tmp_path: Path, document: bytes | None) -> None:
    """An assertion goes by https only; the remedy is the setting."""
    keys(tmp_path, "ES384")
    with FhirReceiver() as server:
        if document is not None:
            server.documents[".well-known/smart-configuration"] = document
        answer = run(server, OAuth(client_id=CLIENT, keys=tmp_path), once)
        assert (answer.answer, answer.code) == (Answer.CLOSED, DoorFault.SIGN_IN_AWAY)
        assert "set oauth.token_url" in answer.text
        assert server.posted == []


def test_a_token_server_that_moved_is_found_again(tmp_path: Path) -> None:
    """After a refusal the FHIR server is asked anew where tokens are granted."""
    public = keys(tmp_path, "ES384")
    with TokenServer(public) as first, TokenServer(public) as second, FhirReceiver() as server:

        def moved_to(url: str) -> None:
            server.documents[".well-known/smart-configuration"] = json.dumps({"token_endpoint": url}).encode()

        async def talk(client: FhirClient) -> list[str]:
            codes = [(await once(client)).code]
            moved_to(second.url)
            server.script(turn_away(401))
            first.answer(404, b"")
            return [*codes, (await once(client)).code, (await once(client)).code]

        moved_to(first.url)
        assert run(server, OAuth(client_id=CLIENT, keys=tmp_path), talk) == ["HTTP 200", DoorFault.REFUSED, "HTTP 200"]
        assert (len(first.asked), len(second.asked)) == (2, 1)


def test_a_site_may_ask_for_its_own_scope_and_searches_are_asked_for(tmp_path: Path) -> None:
    """What was agreed is sent as it stands; the default follows the settings."""
    public = keys(tmp_path, "ES384")
    pointers = Pointers(patient="conditional", order="conditional")
    with TokenServer(public) as tokens, FhirReceiver() as server:
        oauth = OAuth(client_id=CLIENT, keys=tmp_path, token_url=tokens.url)
        run(server, oauth, once, pointers=pointers, equipment=False)
        run(server, oauth.model_copy(update={"scope": "system/*.c"}), once)
        assert [form["scope"] for form in tokens.asked] == [
            "system/DiagnosticReport.cus system/Observation.cus system/Specimen.cus system/Patient.s system/ServiceRequest.s",
            "system/*.c",
        ]


def test_a_token_is_kept_until_shortly_before_it_ends(tmp_path: Path) -> None:
    """And each assertion is a new one: no jti twice (RFC 7523 3, point 7)."""
    public = keys(tmp_path, "ES384")
    now = Shifted()

    async def talk(client: FhirClient) -> None:
        for seconds in (0, 19, 21):
            now.by = timedelta(seconds=seconds)
            assert await client.send(bundle("EPOCHM1")) == ACCEPTED

    with TokenServer(public, lasts_s=40) as tokens, FhirReceiver() as server:
        run(server, OAuth(client_id=CLIENT, keys=tmp_path, token_url=tokens.url), talk, now=now)
        assert used(server) == ["Bearer token-1", "Bearer token-1", "Bearer token-2"]
        assert tokens.claims(0)["jti"] != tokens.claims(1)["jti"]


def test_one_request_serves_everybody_who_waits(tmp_path: Path) -> None:
    """Four lanes at once ask for one token, granted or refused."""
    public = keys(tmp_path, "ES384")
    release = threading.Event()

    async def talk(client: FhirClient) -> list[Acknowledgement]:
        sends = [asyncio.create_task(client.send(bundle(f"EPOCHM{n}", device=f"dev-{n}"))) for n in range(4)]
        await asyncio.to_thread(tokens.came.wait, 10)
        release.set()
        return await asyncio.gather(*sends)

    with TokenServer(public, held=release) as tokens, FhirReceiver() as server:
        oauth = OAuth(client_id=CLIENT, keys=tmp_path, token_url=tokens.url)
        assert run(server, oauth, talk) == [ACCEPTED] * 4
        assert used(server) == ["Bearer token-1"] * 4
        release.clear()
        tokens.came.clear()
        tokens.answer(401, {"error": "invalid_client"})
        assert {answer.code for answer in run(server, oauth, talk)} == {DoorFault.INVALID_CLIENT}
        assert len(tokens.asked) == 2
        assert len(server.posted) == 4


def test_a_token_that_is_turned_away_is_asked_for_anew_once(tmp_path: Path) -> None:
    """Two tries in all, then the destination is closed; another's new token is never thrown away."""
    public = keys(tmp_path, "ES384")
    with TokenServer(public) as tokens, FhirReceiver() as server:
        oauth = OAuth(client_id=CLIENT, keys=tmp_path, token_url=tokens.url)
        server.script(turn_away(401))
        assert run(server, oauth, once) == ACCEPTED
        assert used(server) == ["Bearer token-1", "Bearer token-2"]
        server.script(turn_away(401), turn_away(401))
        assert run(server, oauth, once) == Acknowledgement(answer=Answer.CLOSED, code="HTTP 401")
        assert len(server.posted) == 4


def test_keys_rotate_without_a_restart(tmp_path: Path) -> None:
    """A newer key signs as soon as it is valid; the client goes on running."""
    public = keys(tmp_path, "ES384")

    async def talk(client: FhirClient) -> None:
        assert await once(client) == ACCEPTED
        now = clock.now()
        make_key(tmp_path, "RS384", starts=now - timedelta(minutes=1), ends=now + DAY, name="newer")
        tokens.keys = key_set(read_keys(tmp_path), now=now)
        server.script(turn_away(401))
        assert await once(client) == ACCEPTED

    with TokenServer(public) as tokens, FhirReceiver() as server:
        run(server, OAuth(client_id=CLIENT, keys=tmp_path, token_url=tokens.url), talk)
        assert [tokens.header(number)["kid"] for number in (0, 1)] == ["k0", "newer"]
        assert tokens.refused == []


@pytest.mark.parametrize(
    ("status", "body", "fault", "text"),
    [
        (
            400,
            {"error": "invalid_client", "error_description": "unknown kid"},
            DoorFault.INVALID_CLIENT,
            "invalid_client: unknown kid",
        ),
        (401, {"error": "invalid_client"}, DoorFault.INVALID_CLIENT, "invalid_client"),
        (400, {"error": "invalid_scope"}, DoorFault.INVALID_SCOPE, "invalid_scope"),
        (400, {"error": "unauthorized_client"}, DoorFault.UNAUTHORIZED_CLIENT, "unauthorized_client"),
        (400, {"error": "invalid_grant"}, DoorFault.REFUSED, "invalid_grant"),
        (400, {"error": ["x"]}, DoorFault.REFUSED, "HTTP 400"),
        (403, b"<html>", DoorFault.REFUSED, "HTTP 403"),
        (302, b"", DoorFault.REFUSED, "HTTP 302"),
        (503, b"", DoorFault.SIGN_IN_AWAY, "HTTP 503"),
        (200, b"<html>", DoorFault.NOTHING_GRANTED, ""),
        (200, {"access_token": "secret-7"}, DoorFault.NOTHING_GRANTED, ""),
        (200, {"access_token": "secret-7", "token_type": "mac"}, DoorFault.NOTHING_GRANTED, ""),
        (200, {"access_token": "", "token_type": "bearer"}, DoorFault.NOTHING_GRANTED, ""),
    ],
)
def test_a_refusal_closes_the_destination_with_its_words(
    tmp_path: Path, status: int, body: Any, fault: DoorFault, text: str
) -> None:
    """RFC 6749 5.2; nothing is posted, and no part of a token stands in the words."""
    public = keys(tmp_path, "ES384")
    with TokenServer(public) as tokens, FhirReceiver() as server:
        tokens.answer(status, body)
        answer = run(server, OAuth(client_id=CLIENT, keys=tmp_path, token_url=tokens.url), once)
        assert answer == Acknowledgement(answer=Answer.CLOSED, code=fault.value, text=text)
        assert server.posted == []


def test_a_refusal_is_not_for_ever(tmp_path: Path) -> None:
    """The next try asks again."""
    public = keys(tmp_path, "ES384")

    async def talk(client: FhirClient) -> list[str]:
        return [(await once(client)).code, (await once(client)).code]

    with TokenServer(public) as tokens, FhirReceiver() as server:
        tokens.answer(400, {"error": "invalid_scope"})
        oauth = OAuth(client_id=CLIENT, keys=tmp_path, token_url=tokens.url)
        assert run(server, oauth, talk) == [DoorFault.INVALID_SCOPE, "HTTP 200"]


def test_a_token_server_that_is_away_closes_and_a_missing_key_is_named(tmp_path: Path) -> None:
    """Out of reach is not refused; a key that is not there is a fault of the setup."""
    keys(tmp_path, "ES384")
    with FhirReceiver() as server:
        away = OAuth(client_id=CLIENT, keys=tmp_path, token_url="http://127.0.0.1:1/token")
        answer = run(server, away, once)
        assert (answer.answer, answer.code) == (Answer.CLOSED, DoorFault.SIGN_IN_AWAY)
        answer = run(server, away.model_copy(update={"keys": tmp_path / "absent"}), once)
        assert (answer.answer, answer.code) == (Answer.CLOSED, "cannot be sent as configured")
        assert "padpost make-key" in answer.text
        assert server.posted == []


def test_no_secret_is_logged_or_shown(tmp_path: Path, capfd: pytest.CaptureFixture[str]) -> None:
    """Neither token nor assertion, when all goes well and when it does not."""
    public = keys(tmp_path, "ES384")
    shown: list[str] = []

    async def talk(client: FhirClient) -> None:
        await once(client)
        shown.extend(map(repr, vars(client).values()))

    with TokenServer(public) as tokens, FhirReceiver() as server:
        tokens.answer(200, {"access_token": "secret-7", "token_type": "Bearer", "scope": "system/Other.c", "expires_in": 300})
        run(server, OAuth(client_id=CLIENT, keys=tmp_path, token_url=tokens.url), talk)
        said = capfd.readouterr()
        told = said.out + said.err + "".join(shown)
        assert used(server) == ["Bearer secret-7"]
        assert "token.scope_differs" in told
        for secret in ("secret-7", tokens.asked[0]["client_assertion"], json.loads((tmp_path / "k0.jwk").read_text())["d"]):
            assert secret not in told
