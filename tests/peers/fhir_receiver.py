"""A FHIR R4 server for transactions, on uvicorn and Starlette in a thread: independent of the product's code.

After FHIR R4 http.html: a transaction is all or nothing (3.1.0.11.2); ``ifNoneExist`` makes nothing when one record matches and
fails with 412 when several do (3.1.0.8.1); ``PUT Type?criteria`` updates the one that matches (3.1.0.10.2); ``urn:uuid``
references are rewritten; a conditional reference becomes the address of the one record that matches, and with none or several the
transaction fails (3.1.0.11.2, from memory; which status says so is left open there: 404 and 412 are ours). It keeps the raw bytes of every request: decimals are checked there, since JSON readers lose them.
"""

from __future__ import annotations

import asyncio
import json
import re
import ssl
import threading
import time
from collections import defaultdict, deque
from collections.abc import Callable
from dataclasses import dataclass, field
from decimal import Decimal
from itertools import islice
from types import TracebackType
from typing import Any, Self
from urllib.parse import parse_qs, unquote

import uvicorn
from starlette.applications import Starlette
from starlette.requests import ClientDisconnect, Request
from starlette.responses import Response
from starlette.routing import Route

MEDIA_TYPE = "application/fhir+json"
TOKEN = re.compile(
    r"((?:\\.|[^\\|])*)\|((?:\\.|[^\\|])*)", re.DOTALL
)  # R4 search: system|value, a backslash before a sign of its own


@dataclass(frozen=True, kw_only=True)
class Reply:
    """What to do with one request. ``stored`` False: answer with ``status`` and ``body`` and file nothing.

    ``status`` 0 is the honest answer of the transaction. ``held``: answer only when it is set.
    """

    status: int = 0
    body: bytes = b""
    headers: tuple[tuple[str, str], ...] = ()
    stored: bool = True
    held: threading.Event | None = None


def outcome(code: str, diagnostics: str, *, details: str = "", expression: str = "") -> bytes:
    """Give an OperationOutcome with one issue."""
    issue: dict[str, Any] = {"severity": "error", "code": code, "diagnostics": diagnostics}
    if details:
        issue["details"] = {"text": details}
    if expression:
        issue["expression"] = [expression]
    return json.dumps({"resourceType": "OperationOutcome", "issue": [issue]}).encode()


def turn_away(status: int, body: bytes = b"", **headers: str) -> Reply:
    """File nothing and answer ``status``."""
    return Reply(status=status, body=body, headers=tuple((k.replace("_", "-"), v) for k, v in headers.items()), stored=False)


@dataclass(frozen=True, kw_only=True)
class Posted:
    """One request as it came."""

    path: str
    headers: dict[str, str]
    body: bytes
    at_s: float


class _TransactionError(Exception):
    """The transaction fails as a whole."""

    def __init__(self, status: int, code: str, diagnostics: str) -> None:
        super().__init__(diagnostics)
        self.status, self.code, self.diagnostics = status, code, diagnostics


@dataclass
class FhirReceiver:
    """Listens on loopback at ``base_url``. ``resources`` is what it filed, by ``Type/id``; ``documents`` what it gives, by its path under the base. Use as a context manager."""

    path: str = "/r4"
    tls: ssl.SSLContext | None = None
    documents: dict[str, bytes] = field(default_factory=dict)
    got: list[str] = field(default_factory=list)
    got_headers: list[dict[str, str]] = field(default_factory=list)
    decide: Callable[[Posted], Reply] = lambda _: Reply()
    posted: list[Posted] = field(default_factory=list)
    resources: dict[str, dict[str, Any]] = field(default_factory=dict)
    busiest: int = 0
    searched: list[str] = field(default_factory=list)  # path and query of every search
    search_status: int = 200
    _script: deque[Reply] = field(default_factory=deque)
    _indexed: int = 0  # how many of ``resources`` are in ``_places``
    _places: dict[tuple[str, Any, Any], list[str]] = field(default_factory=lambda: defaultdict(list))
    _busy: int = 0
    _count: int = 0
    _turn: threading.Lock = field(default_factory=threading.Lock)
    _changed: threading.Condition = field(default_factory=threading.Condition)

    def script(self, *replies: Reply) -> None:
        """Answer the next requests with these, in order."""
        self._script.extend(replies)

    def wait_for(self, count: int, timeout_s: float = 10.0) -> None:
        """Wait until ``count`` requests have arrived in all. Raises AssertionError if they do not."""
        with self._changed:
            assert self._changed.wait_for(lambda: len(self.posted) >= count, timeout_s), (count, len(self.posted))

    def of(self, kind: str) -> list[dict[str, Any]]:
        """Give the filed resources of one type, oldest first."""
        return [resource for resource in self.resources.values() if resource["resourceType"] == kind]

    @property
    def base_url(self) -> str:
        """Give where to post."""
        return f"http{'s' if self.tls else ''}://127.0.0.1:{self.port}{self.path}"

    def __enter__(self) -> Self:
        """Listen."""
        app = Starlette(
            routes=[
                Route(self.path, self._post, methods=["POST"]),
                Route(f"{self.path}/{{document:path}}", self._get, methods=["GET", "POST"]),
            ]
        )
        config = uvicorn.Config(
            app, host="127.0.0.1", port=0, log_config=None, lifespan="off", ws="none", timeout_graceful_shutdown=1
        )
        config.load()
        config.ssl = self.tls
        self._server = uvicorn.Server(config)
        self._thread = threading.Thread(target=self._server.run, name="fhir-receiver", daemon=True)
        self._thread.start()
        limit = time.monotonic() + 20
        while not self._server.started:
            assert self._thread.is_alive(), "the server did not start"
            assert time.monotonic() < limit, "the server did not start"
            time.sleep(0.005)
        self.port: int = self._server.servers[0].sockets[0].getsockname()[1]
        return self

    def __exit__(self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None) -> None:
        """Stop."""
        self._server.should_exit = True
        self._thread.join(10)

    async def _get(self, request: Request) -> Response:
        path = request.path_params["document"]
        if request.method == "GET" and "identifier" in request.query_params:
            return self._search(request, path)
        if request.method == "GET":
            self.got.append(path)
            self.got_headers.append(dict(request.headers))
        if request.method != "GET" or path not in self.documents:
            return Response(status_code=404)
        return Response(self.documents[path], media_type=MEDIA_TYPE if path == "metadata" else "application/json")

    async def _post(self, request: Request) -> Response:
        try:
            body = await request.body()
        except ClientDisconnect:  # the sender died in the middle of it: nothing came, and nobody waits for an answer
            return Response(status_code=400)
        posted = Posted(path=request.url.path, headers=dict(request.headers), body=body, at_s=time.monotonic())
        with self._changed:
            reply = self._script.popleft() if self._script else self.decide(posted)
            self.posted.append(posted)
            self._busy += 1
            self.busiest = max(self.busiest, self._busy)
            self._changed.notify_all()
        try:
            status, answer = self._transaction(body) if reply.stored else (reply.status, reply.body)
            if reply.held is not None:
                await _until(reply.held)
        finally:
            with self._changed:
                self._busy -= 1
        if reply.status:
            status, answer = reply.status, reply.body
        return Response(answer, status, headers=dict(reply.headers), media_type=MEDIA_TYPE)

    def _search(self, request: Request, kind: str) -> Response:
        """Give a searchset of the records that a query by identifier finds (R4 http.html, search; numbers as plain JSON numbers)."""
        self.searched.append(f"{request.url.path}?{request.url.query}")
        if self.search_status != 200:
            return Response(status_code=self.search_status)
        token = TOKEN.fullmatch(parse_qs(request.url.query, strict_parsing=True)["identifier"][0])
        assert token is not None
        with self._turn:
            places = self._matching(kind, *(re.sub(r"\\(.)", r"\1", part) for part in token.groups()))
            found = [
                {"resource": {**self.resources[place], "id": place.partition("/")[2]}, "search": {"mode": "match"}}
                for place in places
            ]
        body = json.dumps({"resourceType": "Bundle", "type": "searchset", "total": len(found), "entry": found}, default=float)
        return Response(body, media_type=MEDIA_TYPE)

    def _transaction(self, body: bytes) -> tuple[int, bytes]:
        with self._turn:
            try:
                bundle = json.loads(body, parse_float=Decimal)
                answers = self._file(_entries(bundle))
            except _TransactionError as failed:
                return failed.status, outcome(failed.code, failed.diagnostics)
            except (ValueError, KeyError) as fault:
                return 400, outcome("structure", f"not a Bundle: {fault}")
        return 200, json.dumps({"resourceType": "Bundle", "type": "transaction-response", "entry": answers}).encode()

    def _file(self, entries: list[dict[str, Any]]) -> list[dict[str, Any]]:
        """File all entries or none."""
        placed: dict[str, str] = {}
        answers: list[dict[str, Any]] = []
        new: dict[str, dict[str, Any]] = {}
        for entry in entries:
            kind, known = entry["resource"]["resourceType"], self._known(entry["request"], entry["resource"])
            if known is None:
                self._count += 1
                place, status = f"{kind}/{self._count}", "201 Created"
            else:
                place, status = known, "200 OK"
            if known is None or entry["request"]["method"] == "PUT":
                new[place] = entry["resource"]
            placed[entry["fullUrl"]] = place
            answers.append({"response": {"status": status, "location": f"{place}/_history/1"}})
        self.resources.update({place: self._rewritten(resource, placed) for place, resource in new.items()})
        return answers

    def _known(self, request: dict[str, str], resource: dict[str, Any]) -> str | None:
        """Give the one record that the entry's condition matches."""
        kind = resource["resourceType"]
        if request["method"] == "POST" and request["url"] == kind:
            condition = request.get("ifNoneExist", "")
        elif request["method"] == "PUT" and request["url"].startswith(f"{kind}?"):
            condition = request["url"].partition("?")[2]
        else:
            raise _TransactionError(400, "invalid", f"{request['method']} {request['url']} is not served here")
        if not condition:
            return None
        return self._searched(kind, condition)

    def _searched(self, kind: str, condition: str) -> str | None:
        """Give the one record of a kind that a query by identifier finds."""
        asked = parse_qs(condition, strict_parsing=True)
        if "_tag" in asked:
            return self._tagged(kind, asked["_tag"][0])
        token = TOKEN.fullmatch(asked["identifier"][0])
        if token is None or not token[2] or unquote(token[2]) != token[2]:
            raise _TransactionError(400, "invalid", f"the condition {condition} is not encoded once")
        found = self._matching(kind, *(re.sub(r"\\(.)", r"\1", part) for part in token.groups()))
        if len(found) > 1:
            raise _TransactionError(412, "multiple-matches", f"{len(found)} records of {kind} match")
        return found[0] if found else None

    def _tagged(self, kind: str, condition: str) -> str | None:
        """Give the one record of a kind that bears a tag (R4 search, ``_tag``)."""
        token = TOKEN.fullmatch(condition)
        assert token is not None
        system, code = (re.sub(r"\\(.)", r"\1", part) for part in token.groups())
        places = [
            place
            for place, known in self.resources.items()
            if known["resourceType"] == kind
            and any((tag.get("system"), tag.get("code")) == (system, code) for tag in known.get("meta", {}).get("tag", []))
        ]
        if len(places) > 1:
            raise _TransactionError(412, "multiple-matches", f"{len(places)} records of {kind} bear the tag")
        return places[0] if places else None

    def _rewritten(self, value: Any, placed: dict[str, str]) -> Any:
        """Give the resource with its urn:uuid and conditional references pointing to where the records are."""
        if isinstance(value, dict):
            reference = str(value.get("reference", ""))
            if reference.startswith("urn:uuid:"):
                if reference not in placed:
                    raise _TransactionError(400, "not-found", f"nothing in the Bundle is {reference}")
                return {**value, "reference": placed[reference]}
            kind, asked, query = reference.partition("?")
            if asked:
                found = self._searched(kind, query)
                if found is None:
                    raise _TransactionError(404, "not-found", f"no {kind} matches")
                return {**value, "reference": found}
            return {key: self._rewritten(inner, placed) for key, inner in value.items()}
        return [self._rewritten(inner, placed) for inner in value] if isinstance(value, list) else value

    def _matching(self, kind: str, system: str, value: str) -> list[str]:
        """Give the places of the records with an identifier. What was filed since the last look is indexed first."""
        for place, known in islice(self.resources.items(), self._indexed, None):
            for each in known.get("identifier", []):
                self._places[known["resourceType"], each.get("system"), each.get("value")].append(place)
        self._indexed = len(self.resources)
        return self._places[kind, system, value]


def _entries(bundle: Any) -> list[dict[str, Any]]:
    if bundle.get("resourceType") != "Bundle" or bundle.get("type") != "transaction":
        raise _TransactionError(400, "invalid", "not a transaction Bundle")
    entries: list[dict[str, Any]] = bundle["entry"]
    return entries


async def _until(event: threading.Event) -> None:
    await asyncio.to_thread(event.wait, 30)
