"""Web hooks against a receiver that checks each signature by itself."""

from __future__ import annotations

import asyncio
import base64
import json
from collections.abc import Awaitable, Callable
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any, TypeVar

import pytest

from bridge.credentials.keys import SigningKey, make_key, read_keys
from bridge.deliver.hook import HookClient, signature_of, signed_headers
from bridge.lifecycle.answers import DoorFault
from bridge.model import Acknowledgement, Answer, Format, Message
from bridge.settings import HookDestination
from tests.credentials.papers import papers, peer_context
from tests.peers.hook_receiver import HookReceiver, Key, key_of, verified
from tests.peers.outgoing import bundle, oru
from tests.peers.test_hook_receiver import B24, B24_INPUT, B25, B25_INPUT, B25_SIGNATURE, SECRET, keys

T = TypeVar("T")
NOW = datetime(2026, 11, 26, 7, tzinfo=UTC)
DAY = timedelta(days=1)


def known(folder: Path) -> dict[str, Key]:
    """Give every key of a folder as the receiver knows it."""
    return {path.stem: key_of(json.loads(path.read_text())) for path in folder.glob("*.jwk")}


def made(folder: Path, alg: str, name: str = "k1", *, starts: datetime = NOW - DAY) -> dict[str, Key]:
    """Make a key."""
    make_key(folder, alg, starts=starts, ends=NOW + 365 * DAY, name=name)
    return known(folder)


def run(
    url: str, folder: Path, talk: Callable[[HookClient], Awaitable[T]], *, at: Callable[[], datetime] = lambda: NOW, **more: Any
) -> T:
    """Run ``talk`` with a client, and close it."""

    async def whole() -> T:
        given = {"kind": "hook", "name": "record", "url": url, "signing": {"keys": str(folder)}, "answer_s": 10}
        client = HookClient(HookDestination.model_validate({**given, **more}), now=at)
        try:
            return await talk(client)
        finally:
            await client.close()

    return asyncio.run(asyncio.wait_for(whole(), 30))


async def once(client: HookClient) -> Acknowledgement:
    """Send one message."""
    return await client.send(bundle("EPOCHM1"))


@pytest.mark.parametrize(("alg", "named"), [("ES256", "ecdsa-p256-sha256"), ("HS256", "hmac-sha256")])
def test_the_very_bytes_arrive_signed(tmp_path: Path, alg: str, named: str) -> None:
    """Method, address, digest, media type and identity are covered, with time and key (RFC 9421 2.3)."""
    with HookReceiver(made(tmp_path, alg)) as receiver:
        assert run(receiver.url, tmp_path, once) == Acknowledgement(answer=Answer.ACCEPTED, code="hook 204")
        assert receiver.refused == []
        assert receiver.taken == {'"EPOCHM1"': bundle("EPOCHM1").payload}
        assert receiver.params == [
            {
                "created": str(int(NOW.timestamp())),
                "keyid": "k1",
                "alg": named,
                "covered": "@method @target-uri content-type content-digest idempotency-key",
            }
        ]
        assert receiver.seen[0]["content-type"] == "application/fhir+json"
        assert "authorization" not in receiver.seen[0]


def test_hl7_goes_as_it_is(tmp_path: Path) -> None:
    """The message's own bytes, with its character set."""
    message: Message = replace(oru("EPOCHM1", comment="größer"), format=Format.OUL_R22)
    with HookReceiver(made(tmp_path, "ES256")) as receiver:
        run(receiver.url, tmp_path, lambda client: client.send(message), format="oul_r22")
        assert receiver.taken == {'"EPOCHM1"': message.payload}
        assert receiver.seen[0]["content-type"] == "text/plain; charset=utf-8"


def test_the_same_message_twice_is_filed_once(tmp_path: Path) -> None:
    """The same identity at every try, and a new signature with the new time."""
    moments = iter([NOW, NOW, NOW, NOW + DAY, NOW + DAY, NOW + DAY])

    async def twice(client: HookClient) -> list[Acknowledgement]:
        return [await once(client), await once(client)]

    with HookReceiver(made(tmp_path, "ES256")) as receiver:
        receiver.answer(503, b"", Retry_After="5")
        first, second = run(receiver.url, tmp_path, twice, at=lambda: next(moments))
        assert first == Acknowledgement(answer=Answer.TRY_AGAIN, code="hook 503", retry_after_s=5)
        assert second.answer is Answer.ACCEPTED
        assert len(receiver.taken) == 1
        assert len({params["created"] for params in receiver.params}) == 2
        assert {seen["idempotency-key"] for seen in receiver.seen} == {'"EPOCHM1"'}


def test_keys_rotate_without_a_restart(tmp_path: Path) -> None:
    """The receiver knows both; the newer one signs from its day on."""
    made(tmp_path, "HS256", "old")
    both = made(tmp_path, "ES256", "next", starts=NOW + DAY)
    moment = [NOW]

    async def talk(client: HookClient) -> None:
        await once(client)
        moment[0] = NOW + DAY
        await once(client)

    with HookReceiver(both) as receiver:
        run(receiver.url, tmp_path, talk, at=lambda: moment[0])
        assert [params["keyid"] for params in receiver.params] == ["old", "next"]
        assert receiver.refused == []


def test_a_key_that_the_receiver_does_not_know_closes_the_destination(tmp_path: Path) -> None:
    """401: nothing is consumed until the receiver's people have the key."""
    made(tmp_path / "ours", "ES256")
    with HookReceiver(made(tmp_path / "theirs", "ES256", "other")) as receiver:
        answer = run(receiver.url, tmp_path / "ours", once)
        assert (answer.answer, answer.code) == (Answer.CLOSED, "hook 401")
        assert receiver.taken == {}


def test_a_redirect_is_not_followed(tmp_path: Path) -> None:
    """Results go to the configured address only."""
    with HookReceiver(made(tmp_path, "ES256")) as elsewhere, HookReceiver(known(tmp_path)) as receiver:
        receiver.answer(307, b"", Location=elsewhere.url)
        answer = run(receiver.url, tmp_path, once)
        assert (answer.answer, answer.code) == (Answer.CLOSED, "hook 307")
        assert elsewhere.seen == []


def test_without_a_key_nothing_is_sent(tmp_path: Path) -> None:
    """The remedy is named."""
    with HookReceiver({}) as receiver:
        answer = run(receiver.url, tmp_path, once)
        assert (answer.answer, answer.code) == (Answer.CLOSED, "cannot be sent as configured")
        assert f"padpost make-key {tmp_path} --alg ES256" in answer.text
        assert receiver.seen == []


def test_an_address_that_is_none_closes_the_destination(tmp_path: Path) -> None:
    """A configuration fault closes it instead of raising."""
    made(tmp_path, "ES256")
    answer = run("https://hook.example/\x7f", tmp_path, once)
    assert (answer.answer, answer.code) == (Answer.CLOSED, "cannot be sent as configured")
    assert answer.text == "The address cannot be used as it is."


def test_over_tls_with_a_client_certificate_and_a_password(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """All of it at once; and a stranger's certificate closes the door before a byte is sent."""
    monkeypatch.setenv("PADPOST_TEST_WORD", "open sesame")
    site = papers(tmp_path / "tls")
    own = site.issue("own", "padpost")
    context = peer_context(site.issue("peer", "127.0.0.1"), clients=site.ca)
    basic = {"user": "Aladdin", "password": {"env": "PADPOST_TEST_WORD"}}
    with HookReceiver(made(tmp_path / "keys", "ES256"), tls=context) as receiver:
        assert run(receiver.url, tmp_path / "keys", once, tls=own, basic=basic).answer is Answer.ACCEPTED
        assert receiver.seen[0]["authorization"] == "Basic QWxhZGRpbjpvcGVuIHNlc2FtZQ=="
        other = papers(tmp_path / "other").ca
        answer = run(receiver.url, tmp_path / "keys", once, tls=own.model_copy(update={"ca": other}))
        assert (answer.answer, answer.code) == (Answer.CLOSED, DoorFault.UNTRUSTED)
        assert len(receiver.seen) == 1


def rfc_key(tmp_path: Path, alg: str) -> SigningKey:
    """Give a key of ours; for HS256 the RFC's own secret."""
    path = make_key(tmp_path, alg, starts=NOW, ends=NOW + DAY, name="test")
    if alg == "HS256":
        held = json.loads(path.read_text())
        held["k"] = "uzvJfB4u3N0Jy4T7NZ75MDVcr8zSTInedJtkgcu46YW4XByzNJjxBdtjUkdJPBtbmHhIDi6pcl8jsasjlTMtDQ"
        path.write_text(json.dumps(held))
    (key,) = read_keys(tmp_path)
    return key


def test_the_hmac_of_the_rfcs_example(tmp_path: Path) -> None:
    """RFC 9421 B.2.5: the same secret over the same base gives the same signature."""
    base = "".join(f'"{name}": {value}\n' for name, value in B25.items())
    base += f'"@signature-params": {B25_INPUT.removeprefix("sig-b25=")}'
    made_ = signature_of(rfc_key(tmp_path, "HS256"), base.encode())
    assert f"sig-b25=:{base64.b64encode(made_).decode()}:" == B25_SIGNATURE
    assert len(SECRET) == 64


def test_an_ecdsa_signature_has_the_rfcs_form(tmp_path: Path) -> None:
    """RFC 9421 3.3.4: r and s of 32 bytes each, never DER; over the base of B.2.4, which is checked with the RFC's own input."""
    key = rfc_key(tmp_path, "ES256")
    base = "".join(f'"{name}": {value}\n' for name, value in B24.items())
    base += f'"@signature-params": {B24_INPUT.removeprefix("sig-b24=")}'
    for _ in range(20):  # r or s has a leading zero byte now and then
        made_ = signature_of(key, base.encode())
        assert len(made_) == 64
        shown = f"sig-b24=:{base64.b64encode(made_).decode()}:"
        assert verified(B24, B24_INPUT, shown, {"test-key-ecc-p256": key_of(key.public())})["created"] == "1618884473"
    assert set(keys()) == {"test-key-ecc-p256", "test-shared-secret"}


def test_what_no_header_can_hold_is_refused(tmp_path: Path) -> None:
    """A control ID of ours never has such a sign; a defect must not become a forged header."""
    key = rfc_key(tmp_path, "ES256")
    with pytest.raises(ValueError, match="only printable ASCII"):
        signed_headers(key, target="https://h/", body=b"", media_type="a/b", control_id="X\r\nY: z", now=NOW)
