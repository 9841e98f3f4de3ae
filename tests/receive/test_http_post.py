"""Posts over real HTTP to a really running bridge: keys, idempotency, limits, problems, and the status address.

Statuses: RFC 9110 and RFC 6585 (429); problems: RFC 9457; Idempotency-Key: draft-ietf-httpapi-idempotency-key-header, from memory.
"""

from __future__ import annotations

import asyncio
import contextlib
import json
import socket
import threading
import time
from collections.abc import Iterator
from typing import Any

import httpx
import jsonschema
import pytest
import uvicorn
from fastapi import FastAPI
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from bridge import settings as site_settings
from bridge.lifecycle.states import StopGroup
from bridge.receive import http_post
from bridge.receive.http_post import _TOLD, Bucket, Counter, Desk
from bridge.store.apply_outcome import _WORDS
from bridge.store.sqlite import SqliteStore
from tests.journey.running import Running, play, running
from tests.receive.shelf import Shelf, now
from tests.tables.shipped_tables import tables

KEY, LARK_KEY, SLOW_KEY = "posts-0123456789-0123456789", "lark-0123456789-01234567890", "slow-0123456789-01234567890"
SOURCES = """\
  - {{name: posts, kind: http, analyzer: bench-p, profile: tern, key: {{env: KEY_POSTS}}, longest_capture_bytes: 20000, body_s: 0.5}}
  - {{name: lark, kind: http, analyzer: bench-l, profile: lark, key: {{env: KEY_LARK}}, idempotency: optional, per_minute: 100000}}
  - {{name: slow, kind: http, analyzer: bench-s, profile: tern, key: {{env: KEY_SLOW}}, per_minute: 2}}
"""
EXAMPLE = tables().profiles["tern"].example.payload
READING = tables().profiles["lark"].example.payload


@pytest.fixture(scope="module")
def bridge(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Running]:
    with pytest.MonkeyPatch.context() as patch:
        for name, key in (("POSTS", KEY), ("LARK", LARK_KEY), ("SLOW", SLOW_KEY)):
            patch.setenv(f"KEY_{name}", key)
        with running(tmp_path_factory.mktemp("posts"), sources=SOURCES.format()) as subject:
            yield subject


def post(
    bridge: Running, payload: bytes = EXAMPLE, *, path: str = "/api/captures", key: str | None = KEY, **headers: str
) -> httpx.Response:
    sent = {"content-type": "application/octet-stream", **({"authorization": f"Bearer {key}"} if key else {})}
    sent |= {name.replace("_", "-"): value for name, value in headers.items()}
    return httpx.post(f"{bridge.url}{path}", content=payload, headers=sent, timeout=30)


def problem(answer: httpx.Response) -> tuple[int, str]:
    """Give status and title of a problem, after looking at its form."""
    assert answer.headers["content-type"] == "application/problem+json"
    said = answer.json()
    assert (said["type"], said["status"]) == ("about:blank", answer.status_code)
    assert said["detail"].endswith((".", ")"))
    assert said.get("remedy", "x.").endswith((".", "Idempotency-Key."))
    return answer.status_code, said["title"]


def kept(bridge: Running) -> int:
    """Count the captures."""
    assert isinstance(bridge.store, SqliteStore)
    (count,) = bridge.store._db().execute("SELECT count(*) FROM captures").fetchone()
    return int(count)


def fresh() -> str:
    fresh.count += 1  # type: ignore[attr-defined]  # a counter of this module
    return f"key-{fresh.count}"  # type: ignore[attr-defined]  # as above


fresh.count = 0  # type: ignore[attr-defined]  # as above


def told(bridge: Running, address: str, key: str = KEY) -> Any:
    answer = httpx.get(f"{bridge.url}{address}", headers={"authorization": f"Bearer {key}"}, timeout=30)
    assert answer.status_code == 200, answer.text
    return answer.json()


def test_a_capture_is_kept_and_its_fate_is_told(bridge: Running) -> None:
    """202 says kept, byte for byte; the address tells each strip's state and receivers, and nothing of a patient."""
    answer = post(bridge, idempotency_key=fresh())
    assert answer.status_code == 202
    capture_id = answer.json()["capture"]
    assert answer.headers["location"] == answer.json()["status"] == f"/api/captures/{capture_id}"
    row = bridge.store.capture(capture_id)
    assert (row.capture.payload, row.capture.source, row.capture.way.value, row.capture.live) == (
        EXAMPLE,
        "posts",
        "http",
        False,
    )
    state = bridge.wait(lambda: (found := told(bridge, answer.headers["location"]))["state"] == "judged" and found)
    strips = {strip["index"]: strip for strip in state["strips"]}
    assert len(strips) == len(bridge.store.capture_strips(capture_id))
    assert {strip["state"] for strip in strips.values()} <= {"going", "held", "rejected", "not a patient's"}
    for strip in bridge.store.capture_strips(capture_id):
        shown = json.dumps(strips[strip.index])
        assert strip.patient_id not in shown or not strip.patient_id
    stopped = [strip for strip in strips.values() if strip["state"] in ("held", "rejected")]
    assert all(strip["rule"] and strip["reason"] for strip in stopped)


def test_a_reading_goes_all_the_way(bridge: Running) -> None:
    """A posted JSON reading is filed with both receivers, and the sender can see it."""
    at = f"{play(77, '').at:%Y-%m-%dT%H:%M:%S}"
    reading = json.loads(READING)["readings"][0] | {"number": "77", "printed_date": at, "patient_id": "40700007"}
    answer = post(
        bridge,
        json.dumps({"readings": [reading]}).encode(),
        path="/api/readings",
        key=LARK_KEY,
        content_type="application/json; charset=utf-8",
    )
    assert answer.status_code == 202, answer.text
    address = answer.headers["location"]

    def deliveries() -> Any:
        strips = told(bridge, address, LARK_KEY)["strips"]
        return strips and strips[0]["deliveries"]

    expected = [{"destination": "records", "state": "delivered"}, {"destination": "chart", "state": "delivered"}]
    bridge.wait(lambda: deliveries() == expected)


def test_the_same_key_and_bytes_are_one_capture(bridge: Running) -> None:
    """The answer was lost: posted again, from eight threads at once, it is the same row and the same answer."""
    key, answers = fresh(), []

    def again() -> None:
        answers.append(post(bridge, b"x;y\r\n", idempotency_key=key))

    threads = [threading.Thread(target=again) for _ in range(8)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join(60)
    assert {(answer.status_code, answer.text) for answer in answers} == {(202, answers[0].text)}
    assert len({answer.json()["capture"] for answer in answers}) == 1
    events = bridge.store.events(f"capture:{answers[0].json()['capture']}")
    assert [event.what for event in events] == ["capture.kept"] + ["capture.came_again"] * 7


def test_the_same_key_with_other_bytes_is_refused(bridge: Running) -> None:
    """Else one of two strips would vanish behind a key used twice."""
    key = fresh()
    first = post(bridge, b"one", idempotency_key=key)
    assert problem(post(bridge, b"two", idempotency_key=key)) == (422, "The Idempotency-Key was used before")
    assert bridge.store.capture(first.json()["capture"]).capture.payload == b"one"
    assert (
        post(
            bridge, READING, path="/api/readings", key=LARK_KEY, content_type="application/json", idempotency_key=key
        ).status_code
        == 202
    )  # another source's


@pytest.mark.parametrize(
    ("key", "headers", "expected"),
    [
        (None, {}, (401, "The key is missing or not known")),
        ("wrong", {}, (401, "The key is missing or not known")),
        ("", {"authorization": "Basic cG9zdHM6eA=="}, (401, "The key is missing or not known")),
        (KEY, {"content_type": "text/html"}, (415, "Not sent as this source takes it")),
        (KEY, {"content_encoding": "gzip"}, (415, "Not sent as this source takes it")),
        (KEY, {}, (400, "The Idempotency-Key is missing")),
        (KEY, {"idempotency_key": "two words"}, (400, "The Idempotency-Key cannot be used")),
        (KEY, {"idempotency_key": "k" * 256}, (400, "The Idempotency-Key cannot be used")),
        (KEY, {"origin": "https://evil.example", "idempotency_key": "k"}, (403, "This came from another site")),
        (KEY, {"sec_fetch_site": "cross-site", "idempotency_key": "k"}, (403, "This came from another site")),
        (KEY, {"host": "evil.example", "idempotency_key": "k"}, (421, "This is not our address")),
    ],
)
def test_what_is_refused_by_its_head(
    bridge: Running, key: str | None, headers: dict[str, str], expected: tuple[int, str]
) -> None:
    """Each with a problem that names the remedy; the pages' own rules of host and origin hold for the doors too. Nothing is kept."""
    before = kept(bridge)
    answer = post(bridge, EXAMPLE, key=key, **headers)
    assert problem(answer) == expected
    if expected[0] == 401:
        assert answer.headers["www-authenticate"] == "Bearer"
    assert kept(bridge) == before


def test_another_sources_key_and_captures(bridge: Running) -> None:
    """A key opens its own source only, and its own captures: who guesses a number learns nothing."""
    assert problem(post(bridge, path="/api/captures?source=lark", idempotency_key=fresh())) == (
        403,
        "This key is another source's",
    )
    assert post(bridge, path="/api/captures?source=posts", idempotency_key=fresh()).status_code == 202
    mine = post(bridge, idempotency_key=fresh()).json()["status"]
    for address, key, status in (
        (mine, LARK_KEY, 404),
        ("/api/captures/999999", KEY, 404),
        (mine, "wrong", 401),
        ("/api/captures/0", KEY, 422),
    ):
        answer = httpx.get(f"{bridge.url}{address}", headers={"authorization": f"Bearer {key}"}, timeout=30)
        assert problem(answer)[0] == status
    huge = httpx.get(f"{bridge.url}/api/captures/{2**63}", headers={"authorization": f"Bearer {KEY}"}, timeout=30)
    assert problem(huge)[0] == 422


def test_lengths(bridge: Running) -> None:
    """Too long by its own word is refused before a byte of it is read; without a length it is not begun; exactly the limit is taken."""
    limit = b"x" * 20_000
    assert post(bridge, limit, idempotency_key=fresh()).status_code == 202
    assert problem(post(bridge, limit + b"x", idempotency_key=fresh())) == (413, "The capture is too long")
    chunked = httpx.post(
        f"{bridge.url}/api/captures",
        content=iter([b"some", b"more"]),
        headers={"authorization": f"Bearer {KEY}", "content-type": "application/octet-stream", "idempotency-key": fresh()},
        timeout=30,
    )
    assert problem(chunked) == (411, "The length is missing")
    both = (  # RFC 9112 6.3: the chunks win, so that the length would bound nothing
        f"POST /api/captures HTTP/1.1\r\nhost: 127.0.0.1:{bridge.port}\r\nauthorization: Bearer {KEY}\r\nidempotency-key: {fresh()}\r\n"
        "content-type: application/octet-stream\r\ncontent-length: 4\r\ntransfer-encoding: chunked\r\n\r\n"
    )
    with socket.create_connection(("127.0.0.1", bridge.port), timeout=30) as sender:
        sender.sendall(both.encode() + b"7530\r\n" + b"x" * 30_000 + b"\r\n0\r\n\r\n")
        assert sender.recv(65_536).startswith(b"HTTP/1.1 411 ")


def test_a_body_that_does_not_come(bridge: Running) -> None:
    """A slow sender is answered 408 and holds nothing; one that breaks off leaves nothing."""
    head = (
        f"POST /api/captures HTTP/1.1\r\nhost: 127.0.0.1:{bridge.port}\r\nauthorization: Bearer {KEY}\r\n"
        "content-type: application/octet-stream\r\nidempotency-key: {key}\r\ncontent-length: 100\r\n\r\nhalf"
    )
    with socket.create_connection(("127.0.0.1", bridge.port), timeout=30) as slow:
        slow.sendall(head.format(key=fresh()).encode())
        assert slow.recv(65_536).startswith(b"HTTP/1.1 408 ")
    key = fresh()
    with socket.create_connection(("127.0.0.1", bridge.port), timeout=30) as broken:
        broken.sendall(head.format(key=key).encode())
    assert post(bridge, b"whole", idempotency_key=key).status_code == 202


def test_readings_are_looked_at_before_they_are_kept(bridge: Running) -> None:
    """No JSON: 400; no reading: 422; each with place and remedy, and nothing kept. A source of another layout: 409."""

    def read(payload: bytes, key: str = LARK_KEY) -> httpx.Response:
        return post(bridge, payload, path="/api/readings", key=key, content_type="application/json", idempotency_key=fresh())

    before = kept(bridge)
    assert problem(read(b'{"readings": [')) == (400, "This is not JSON")
    assert "line 1, byte 15" in read(b'{"readings": [').json()["detail"]
    misspelt = read(b'{"readings": [{"patient": "40700007"}]}')
    assert problem(misspelt) == (422, "This is no reading")
    assert misspelt.json()["detail"] == "/readings/0/ holds a key that this source's profile does not read. (bytes 27 to 35)"
    assert problem(read(READING, KEY)) == (409, "This source takes no readings")
    assert kept(bridge) == before


def test_too_many_posts(bridge: Running) -> None:
    """The third post of a minute is put off, and told for how long."""
    answers = [post(bridge, key=SLOW_KEY, idempotency_key=fresh()) for _ in range(3)]
    assert [answer.status_code for answer in answers] == [202, 202, 429]
    assert problem(answers[2]) == (429, "Too many posts")
    assert 1 <= int(answers[2].headers["retry-after"]) <= 31


def test_the_pages_are_guarded_as_before(bridge: Running) -> None:
    """A key opens no other path: the API's own header and the forms' origin are asked for as ever."""
    key = {"authorization": f"Bearer {KEY}"}
    assert problem(httpx.post(f"{bridge.url}/api/results/search", json={}, headers=key, timeout=30)) == (
        403,
        "The request lacks its header",
    )
    assert httpx.post(f"{bridge.url}/rejected/1/discard", headers=key, timeout=30).status_code == 403
    wrong = httpx.put(f"{bridge.url}/api/captures", headers=key, timeout=30)
    assert (wrong.status_code, wrong.headers["allow"]) == (405, "POST")


def test_openapi_says_what_is_answered(bridge: Running) -> None:
    """Every answer of the fuzzing below follows the published document: statuses, bodies and security."""
    document = httpx.get(f"{bridge.url}/api/openapi.json", timeout=30).json()
    for path in ("/api/captures", "/api/readings"):
        operation = document["paths"][path]["post"]
        assert operation["security"] == [{"HTTPBearer": []}]
        assert set(operation["responses"]) == {"202", "400", "401", "403", "408", "409", "411", "413", "415", "422", "429", "503"}
    schema = document["paths"]["/api/readings"]["post"]["requestBody"]["content"]["application/json"]["schema"]
    jsonschema.Draft202012Validator.check_schema(schema)
    assert list(jsonschema.Draft202012Validator(schema).iter_errors(json.loads(READING))) == []


HEADER_TEXT = st.text(st.characters(min_codepoint=33, max_codepoint=126), max_size=12)
SENT = st.fixed_dictionaries(
    {},
    optional={
        "authorization": st.sampled_from([f"Bearer {KEY}", f"Bearer {LARK_KEY}", "Bearer x", "Bearer", ""]) | HEADER_TEXT,
        "content-type": st.sampled_from(["application/octet-stream", "application/json", "text/plain", "APPLICATION/JSON;x=y"])
        | HEADER_TEXT,
        "idempotency-key": HEADER_TEXT,
        "content-encoding": st.sampled_from(["gzip", "identity"]),
    },
)
BODIES = st.binary(max_size=40) | st.sampled_from(
    [READING, EXAMPLE, b"{}", b'{"readings": [{}]}', b'{"readings": [{"number": 1}]}']
)


@settings(max_examples=150, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(
    path=st.sampled_from(["/api/captures", "/api/readings"]),
    source=st.none() | st.sampled_from(["posts", "lark"]) | HEADER_TEXT,
    headers=SENT,
    body=BODIES,
)
def test_whatever_is_posted_is_answered_as_documented(
    bridge: Running, path: str, source: str | None, headers: dict[str, str], body: bytes
) -> None:
    """Fuzzed over real HTTP: never a 500, never an answer that OpenAPI does not name, every fault a problem."""
    document = document_of(bridge)
    answer = httpx.post(
        f"{bridge.url}{path}", params={} if source is None else {"source": source}, headers=headers, content=body, timeout=30
    )
    responses = document["paths"][path]["post"]["responses"]
    assert str(answer.status_code) in responses
    schema = responses[str(answer.status_code)]["content"][answer.headers["content-type"]].get("schema", {})
    jsonschema.Draft202012Validator({**schema, "components": document["components"]}).validate(answer.json())
    if answer.status_code == 202:
        assert bridge.store.capture(answer.json()["capture"]).capture.payload == body


def document_of(bridge: Running) -> Any:
    """Give the published OpenAPI document, asked for once."""
    if bridge.url not in _DOCUMENTS:
        _DOCUMENTS[bridge.url] = httpx.get(f"{bridge.url}/api/openapi.json", timeout=30).json()
    return _DOCUMENTS[bridge.url]


_DOCUMENTS: dict[str, Any] = {}


def test_no_identifier_and_no_key_is_logged(bridge: Running, capfd: pytest.CaptureFixture[str]) -> None:
    """The log names the source and counts bytes; neither the patient nor the key stands in it. HZ-J03."""
    assert post(bridge, EXAMPLE, idempotency_key=fresh()).status_code == 202
    assert problem(post(bridge, EXAMPLE, key=f"{KEY}x"))[0] == 401
    bridge.wait(lambda: not bridge.store.analyzers_with_work())
    said = "".join(capfd.readouterr())
    assert "post.refused" in said  # who looks why nothing comes finds it here
    assert KEY not in said
    assert "40718823" not in said
    assert bridge.store.stops(group=StopGroup.REFUSED) == ()


# --- with a shelf in the store's place: a disk that takes nothing


@contextlib.contextmanager
def counter(shelf: Shelf, monkeypatch: pytest.MonkeyPatch, *, peers: tuple[str, ...] = ()) -> Iterator[str]:
    """Serve one source whose captures go to ``shelf``; give the address."""
    monkeypatch.setenv("KEY_POSTS", KEY)
    source = site_settings.HttpSource(
        kind="http", name="posts", analyzer="a", profile="tern", key=site_settings.Secret(env="KEY_POSTS"), peers=peers
    )
    asked = Desk(look=lambda _: None, deliveries=lambda _: (), words=str, now=now)
    app = FastAPI()
    app.include_router(
        http_post.router([Counter(source, tables().profiles["tern"], shelf.keep, clock=time.monotonic, now=now)], asked)
    )
    app.add_exception_handler(http_post.Refused, http_post.refused)
    listener = socket.create_server(("127.0.0.1", 0))
    server = uvicorn.Server(uvicorn.Config(app, log_config=None, access_log=False, lifespan="off"))
    thread = threading.Thread(target=server.run, kwargs={"sockets": [listener]}, daemon=True)
    thread.start()
    try:
        yield f"http://127.0.0.1:{listener.getsockname()[1]}"
    finally:
        server.should_exit = True
        thread.join(20)
        listener.close()


def test_a_full_disk_is_503(monkeypatch: pytest.MonkeyPatch) -> None:
    """Nothing was kept, and the sender is told when to come again; then the same key is taken."""
    shelf = asyncio.run(_new_shelf())
    shelf.is_full = True
    headers = {"authorization": f"Bearer {KEY}", "content-type": "text/plain", "idempotency-key": "k"}
    with counter(shelf, monkeypatch) as url:
        answer = httpx.post(f"{url}/api/captures", content=b"x", headers=headers, timeout=30)
        assert problem(answer) == (503, "It cannot be kept now")
        assert answer.headers["retry-after"] == "30"
        shelf.is_full = False
        assert httpx.post(f"{url}/api/captures", content=b"x", headers=headers, timeout=30).status_code == 202
    assert [capture.payload for capture in shelf.captures] == [b"x"]


@pytest.mark.parametrize(("peers", "status"), [(("192.0.2.0/24",), 403), (("192.0.2.7", "127.0.0.0/8"), 202)])
def test_a_key_opens_from_where_the_site_says(peers: tuple[str, ...], status: int, monkeypatch: pytest.MonkeyPatch) -> None:
    """A key that was copied from a program's settings opens nothing from another machine."""
    shelf = asyncio.run(_new_shelf())
    headers = {"authorization": f"Bearer {KEY}", "content-type": "text/plain", "idempotency-key": "k"}
    with counter(shelf, monkeypatch, peers=peers) as url:
        answer = httpx.post(f"{url}/api/captures", content=b"x", headers=headers, timeout=30)
        assert answer.status_code == status
        if status == 403:
            assert answer.json()["detail"] == "127.0.0.1 is not among the peers of posts."
    assert len(shelf.captures) == (status == 202)


async def _new_shelf() -> Shelf:
    return Shelf()


def test_the_bucket() -> None:
    """As many at once as a minute holds, then one for each share of a minute; a long silence saves no more than a minute's."""
    at = 0.0
    bucket = Bucket(6, lambda: at)
    assert [bucket.wait_s() for _ in range(7)] == [0.0] * 6 + [10.0]
    at = 5.0
    assert bucket.wait_s() == 5.0
    at = 10.0
    assert [bucket.wait_s(), bucket.wait_s()] == [0.0, 10.0]
    at = 10_000.0
    assert [bucket.wait_s() for _ in range(7)] == [0.0] * 6 + [10.0]


def test_a_key_is_compared_whole(monkeypatch: pytest.MonkeyPatch) -> None:
    """A prefix, an empty text and a text that is no UTF-8 open nothing."""
    monkeypatch.setenv("KEY_POSTS", KEY)
    source = site_settings.HttpSource(
        kind="http", name="posts", analyzer="a", profile="tern", key=site_settings.Secret(env="KEY_POSTS")
    )
    taken = Counter(source, tables().profiles["tern"], asyncio.run(_new_shelf()).keep, clock=time.monotonic, now=now)
    assert taken.opens_to(KEY)
    assert not any(taken.opens_to(key) for key in (KEY[:-1], KEY + " ", "", "\ud800", KEY.upper()))


def test_every_outcome_is_told() -> None:
    """Whatever judging made of a strip, its sender is told in a word (a strip that was set aside is told of as its successor)."""
    assert set(_TOLD) == {*_WORDS.values(), "unreadable", "discarded"}
