"""What a directory must be able to do, by TLS too, and a provider that others wrote; attacks are in tests/pages/test_directory.py."""

from __future__ import annotations

import asyncio
import ssl
from pathlib import Path
from typing import Any
from urllib.parse import parse_qsl, urlsplit

import httpx
import pytest

from bridge import clock
from bridge.accounts.directory import Found
from bridge.accounts.people import Role
from bridge.desk.directory import AGAIN_AFTER, AWAY, Arrived
from bridge.errors import RefusedAction
from bridge.settings import Tls
from tests.credentials.papers import papers, peer_context
from tests.pages.from_directory import ANA, directory_of
from tests.peers.directory_server import DirectoryServer, provider_process
from tests.store.strips import NOW

OURS = "http://127.0.0.1:1"


@pytest.mark.parametrize(
    ("said", "words"),
    [
        ({"issuer": "https://other.example"}, "its own issuer is not accounts.oidc.issuer"),
        ({"token_endpoint": "http://staff.example/token"}, "token_endpoint is missing, or not https"),
        ({"authorization_endpoint": "javascript:alert(1)"}, "authorization_endpoint is missing, or not https"),
        ({"jwks_uri": None}, "jwks_uri is missing"),
        ({"code_challenge_methods_supported": ["plain"]}, "it takes no S256"),
        ({"token_endpoint_auth_methods_supported": ["private_key_jwt"]}, "it takes no client secret"),
    ],
)
def test_a_directory_by_which_nobody_can_safely_come_is_none(said: dict[str, Any], words: str) -> None:
    """OpenID Connect Discovery 1.0, 4.3; RFC 7636; nothing secret goes by plain http. After it is mended it works without a restart."""
    now = [NOW]
    with DirectoryServer(now=NOW.timestamp, metadata=said) as server:

        async def look() -> tuple[str, str, str]:
            directory = directory_of(server.url, OURS, lambda: now[0])
            try:
                first = await directory.look()
                with pytest.raises(RefusedAction, match=AWAY):
                    await directory.set_out("/")
                server.metadata = {}
                early = await directory.look()
                now[0] += AGAIN_AFTER
                return first, early, await directory.look()
            finally:
                await directory.close()

        first, early, late = asyncio.run(look())
    assert words in first
    assert (early, late) == (first, "")


def _seconds() -> float:
    return clock.now().timestamp()


async def _there_and_back(issuer: str, tls: Tls | None, verify: Any, sub: str, *, fresh: bool = False) -> Arrived:
    directory = directory_of(issuer, OURS, clock.now, tls=tls)
    try:
        setting = await directory.set_out("/results", fresh=fresh)
        async with httpx.AsyncClient(verify=verify, trust_env=False) as browser:
            answer = await browser.post(setting.url, data={"sub": sub}) if sub else await browser.get(setting.url)
        return await directory.come_back(dict(parse_qsl(urlsplit(answer.headers["location"]).query)), setting.cookie)
    finally:
        await directory.close()


def test_by_tls_the_directory_s_certificate_must_be_right(tmp_path: Path) -> None:
    """A hospital's own CA is named by tls.ca; without it nobody is believed."""
    authority = papers(tmp_path)
    context = peer_context(authority.issue("staff", "127.0.0.1"))
    server = DirectoryServer(now=_seconds, people={"u-17": dict(ANA)}, who="u-17", tls=context)
    with server:
        trusted = ssl.create_default_context(cafile=authority.ca)
        arrived = asyncio.run(_there_and_back(server.url, Tls(ca=authority.ca), trusted, "", fresh=True))
        with pytest.raises(RefusedAction, match=AWAY):
            asyncio.run(_there_and_back(server.url, None, trusted, ""))
    assert arrived == Arrived(
        found=Found(issuer=server.url, subject="u-17", names=("Ana Lima", "Ana Lima (alima)"), role=Role.TECHNICIAN),
        onward="/results",
        is_fresh=True,
    )
    assert (server.asked[0]["max_age"], server.asked[0]["prompt"]) == ("0", "login")


def test_a_provider_that_others_wrote_lets_people_in() -> None:
    """The package oidc-provider-mock, built on Authlib's server: discovery, code, token and keys as it makes them. A fresh sign-in is said to be one."""
    with provider_process({"sub": "u-17", **ANA}) as issuer:
        arrived = asyncio.run(_there_and_back(issuer, None, True, "u-17"))
        assert arrived.found == Found(issuer=issuer, subject="u-17", names=("Ana Lima", "Ana Lima (alima)"), role=Role.TECHNICIAN)
        assert asyncio.run(_there_and_back(issuer, None, True, "u-17", fresh=True)).is_fresh


def test_where_the_directory_may_remember_people_nothing_is_asked_again() -> None:
    """every_time: false leaves it to the directory."""

    async def url() -> str:
        directory = directory_of(server.url, OURS, clock.now, every_time=False)
        try:
            return (await directory.set_out("/")).url
        finally:
            await directory.close()

    with DirectoryServer(now=_seconds) as server:
        assert "prompt" not in dict(parse_qsl(urlsplit(asyncio.run(url())).query))
