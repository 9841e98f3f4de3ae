"""HTTP as a way in: captures and JSON readings are posted with a key, and answered 202 once they are kept.

Faults are problems (RFC 9457) that name the place and the remedy. Nothing here tells of a patient.
"""

from __future__ import annotations

import asyncio
import hashlib
import hmac
import re
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Annotated, Any, Literal

import structlog
from fastapi import APIRouter, Depends, Header, Path, Query, Request
from fastapi.responses import JSONResponse, Response
from fastapi.security import HTTPAuthorizationCredentials, HTTPBearer
from pydantic import BaseModel
from starlette.requests import ClientDisconnect

from bridge.credentials.peers import STRANGER, Peers
from bridge.errors import StoreError
from bridge.model import Capture, DeliveryState, Way
from bridge.read.json_reading import posted_fault
from bridge.receive import Keep, Now
from bridge.settings import HttpSource
from bridge.store.rows import CaptureState, DeliveryRow
from bridge.tables.documents import ReadingsDocument
from bridge.tables.types import Profile

log = structlog.get_logger()

CAPTURES, READINGS = "/api/captures", "/api/readings"
PATHS = frozenset({CAPTURES, READINGS})
PROBLEM = "application/problem+json"  # RFC 9457 section 3
LONGEST_ID = 2**63 - 1  # the widest a database column holds
RETRY_AFTER_S = 30  # ours: a person mends a full disk in minutes; half a minute more is no loss
_IDEMPOTENCY_KEY = re.compile(r"[!-~]{1,255}")  # ours: visible ASCII, as long as a key may reasonably be
_JSON = ("application/json",)

Told = Literal["going", "waiting for controls", "held", "rejected", "copy", "not a patient's", "discarded"]
Where = Literal["queued", "delivered", "refused", "superseded", "discarded"]
_TOLD: Mapping[str, Told] = {
    "coded": "going",
    "waiting": "waiting for controls",
    "held": "held",
    "rejected": "rejected",
    "unreadable": "rejected",
    "copy": "copy",
    "non_patient": "not a patient's",
    "discarded": "discarded",
}
_WHERE: Mapping[DeliveryState, Where] = {
    DeliveryState.ACCEPTED: "delivered",
    DeliveryState.REFUSED: "refused",
    DeliveryState.EXPIRED: "refused",
    DeliveryState.SUPERSEDED: "superseded",
    DeliveryState.DISCARDED: "discarded",
}


class PostProblem(BaseModel):
    """What was wrong with a post (RFC 9457): ``detail`` names the place, ``remedy`` what to do."""

    type: str
    title: str
    status: int
    detail: str
    remedy: str


class Kept(BaseModel):
    """The bytes are kept, durably. ``status`` is the address that tells what becomes of them."""

    capture: int
    status: str


class DeliveryTold(BaseModel):
    """Where one strip's result stands with one receiver."""

    destination: str
    state: Where


class StripTold(BaseModel):
    """What became of one strip. ``rule`` and ``reason`` say why it stopped; ``result`` is our identifier, as in OBR-3."""

    index: int
    state: Told
    rule: str
    reason: str
    result: str
    deliveries: tuple[DeliveryTold, ...]


class CaptureTold(BaseModel):
    """What became of a capture: ``waiting`` until every strip in it is judged."""

    capture: int
    state: Literal["waiting", "judged"]
    strips: tuple[StripTold, ...]


class Refused(Exception):  # noqa: N818 - names what is answered, as the pages' word has it
    """A post that is not taken; becomes a problem."""

    def __init__(self, status: int, title: str, detail: str, *, remedy: str, headers: Mapping[str, str] | None = None) -> None:
        super().__init__(title)
        self.problem = {"type": "about:blank", "title": title, "status": status, "detail": detail, "remedy": remedy}
        self.headers = dict(headers or {})

    def response(self) -> JSONResponse:
        """Give the problem as an answer."""
        return JSONResponse(self.problem, status_code=int(str(self.problem["status"])), media_type=PROBLEM, headers=self.headers)


class Bucket:
    """Lets ``per_minute`` posts a minute through, as many at once; ``clock`` gives seconds that only rise."""

    def __init__(self, per_minute: int, clock: Callable[[], float]) -> None:
        self._per_s = per_minute / 60
        self._most = float(per_minute)
        self._clock = clock
        self._left = self._most
        self._at = clock()

    def wait_s(self) -> float:
        """Let one through and give 0, or give the seconds until one may come."""
        now = self._clock()
        self._left = min(self._most, self._left + (now - self._at) * self._per_s)
        self._at = now
        if self._left < 1:
            return (1 - self._left) / self._per_s
        self._left -= 1
        return 0.0


class Counter:
    """Where the posts of one source are taken: its settings, its profile, its key's digest, and how many may still come."""

    def __init__(self, source: HttpSource, profile: Profile, keep: Keep, *, clock: Callable[[], float], now: Now) -> None:
        self.peers = Peers(source.name, source.peers, now=now)
        self.source = source
        self.profile = profile
        self.keep = keep
        self.bucket = Bucket(source.per_minute, clock)
        self._key_digest = hashlib.sha256(source.key.value().encode()).digest()  # the key itself is not held on to

    def opens_to(self, key: str) -> bool:
        """Say whether ``key`` is this source's, in a time that tells nothing of it."""
        return hmac.compare_digest(hashlib.sha256(key.encode("utf-8", "replace")).digest(), self._key_digest)


@dataclass(frozen=True, kw_only=True, slots=True)
class Desk:
    """Whom the routes ask besides the counters: what became of a capture, a result's deliveries, words for a rule, the time."""

    look: Callable[[int], CaptureState | None]
    deliveries: Callable[[str], tuple[DeliveryRow, ...]]
    words: Callable[[str], str]
    now: Now


_bearer = HTTPBearer(auto_error=False, description="The key of one source of the kind http.")
Key = Annotated[HTTPAuthorizationCredentials | None, Depends(_bearer)]
SourceName = Annotated[str | None, Query(description="The source's name; only checked against the key's own.", max_length=40)]
IdempotencyKey = Annotated[
    str | None,
    # said in the document and looked at by us: FastAPI's own refusal would be another status than the draft's
    Header(
        description="The same key with the same bytes is kept once, for ever.",
        json_schema_extra={"pattern": f"^{_IDEMPOTENCY_KEY.pattern}$"},
    ),
]


def _problems(*statuses: int) -> dict[int | str, dict[str, Any]]:
    return {
        status: {"model": PostProblem, "content": {PROBLEM: {}}, "description": "A problem (RFC 9457)"} for status in statuses
    }


def router(counters: Sequence[Counter], desk: Desk) -> APIRouter:
    """Give the routes of all HTTP sources."""
    routes = APIRouter(tags=["ways in"])
    takes = sorted({each for counter in counters for each in counter.source.content_types})
    _add_posts(routes, counters, desk, takes)
    _add_status(routes, counters, desk)
    return routes


def _add_posts(routes: APIRouter, counters: Sequence[Counter], desk: Desk, takes: Sequence[str]) -> None:
    problems = _problems(400, 401, 403, 408, 409, 411, 413, 415, 422, 429, 503)

    @routes.post(
        CAPTURES,
        status_code=202,
        responses=problems,
        response_model=Kept,
        openapi_extra=_body_of({each: {"type": "string", "format": "binary"} for each in takes}),
    )
    async def post_capture(
        request: Request, key: Key, source: SourceName = None, idempotency_key: IdempotencyKey = None
    ) -> Response:
        """Keep the bytes of one capture as they are. 202 once they are on the disk; the source's profile reads them afterwards."""
        counter = _admitted(request, counters, key, source)
        _check_head(request, counter, counter.source.content_types, idempotency_key)
        return await _taken(request, counter, desk, idempotency_key)

    @routes.post(
        READINGS, status_code=202, responses=problems, response_model=Kept, openapi_extra=_body_of({_JSON[0]: _reading_schema()})
    )
    async def post_readings(
        request: Request, key: Key, source: SourceName = None, idempotency_key: IdempotencyKey = None
    ) -> Response:
        """Keep one or more readings in JSON. Their form is looked at before they are kept; what they say, afterwards."""
        counter = _admitted(request, counters, key, source)
        if counter.profile.json is None:
            raise Refused(
                409,
                "This source takes no readings",
                f"The profile of {counter.source.name} is not of the layout json.",
                remedy=f"Post the analyzer's bytes to {CAPTURES}, or give the source a profile of the layout json.",
            )
        _check_head(request, counter, _JSON, idempotency_key)
        return await _taken(request, counter, desk, idempotency_key, form=_check_form)


def _body_of(schemas: Mapping[str, dict[str, Any]]) -> dict[str, Any]:
    """Give what OpenAPI says of a body that the routes read themselves, by content type."""
    return {"requestBody": {"required": True, "content": {kind: {"schema": schema} for kind, schema in schemas.items()}}}


def _reading_schema() -> dict[str, Any]:
    """Give the published form of posted readings, whole in one place."""
    schema = ReadingsDocument.model_json_schema()
    parts = schema.pop("$defs")
    schema["properties"]["readings"]["items"] = parts["PostedReading"]
    parts["PostedReading"]["properties"]["pads"]["items"] = parts["PostedPad"]
    return schema


def _add_status(routes: APIRouter, counters: Sequence[Counter], desk: Desk) -> None:
    @routes.get(f"{CAPTURES}/{{capture_id}}", responses=_problems(401, 404, 422))
    def status(request: Request, key: Key, capture_id: Annotated[int, Path(ge=1, le=LONGEST_ID)]) -> CaptureTold:
        """Say what became of a capture that was posted with this key, strip by strip and receiver by receiver."""
        counter = _admitted(request, counters, key, None)
        state = desk.look(capture_id)
        if state is None or state.source != counter.source.name:
            raise Refused(
                404,
                "There is no such capture",
                "Nothing was kept under this number with this key.",
                remedy="Use the address of the 202 answer.",
            )
        strips = tuple(
            StripTold(
                index=strip.index,
                state=_TOLD[strip.outcome],
                rule=strip.rule,
                reason=desk.words(strip.rule) if strip.rule else "",
                result=strip.result_id,
                deliveries=_deliveries(desk, strip.result_id),
            )
            for strip in state.strips
        )
        return CaptureTold(capture=capture_id, state="judged" if state.is_judged else "waiting", strips=strips)


def _deliveries(desk: Desk, result_id: str) -> tuple[DeliveryTold, ...]:
    rows = desk.deliveries(result_id) if result_id else ()
    return tuple(DeliveryTold(destination=row.destination, state=_WHERE.get(row.state, "queued")) for row in rows)


# --- what is looked at before the body


def _admitted(
    request: Request, counters: Sequence[Counter], key: HTTPAuthorizationCredentials | None, name: str | None
) -> Counter:
    """Give the source whose key it is. Raises Refused (401, 403). Every key is compared, so that time tells nothing."""
    fitting = [counter for counter in counters if counter.opens_to(key.credentials if key else "")]
    if not fitting:
        raise Refused(
            401,
            "The key is missing or not known",
            "The header Authorization holds no key of a source.",
            remedy="Send Authorization: Bearer KEY with the source's key.",
            headers={"WWW-Authenticate": "Bearer"},
        )
    if name is not None and name != fitting[0].source.name:
        raise Refused(
            403,
            "This key is another source's",
            "The query source names another source than the key's.",
            remedy="Use each source's own key.",
        )
    peer = request.client.host if request.client else ""
    if not fitting[0].peers.admits(peer):
        fitting[0].peers.turn_away(peer, STRANGER)
        raise Refused(
            403,
            "This address may not post here",
            f"{peer or 'It'} is not among the peers of {fitting[0].source.name}.",
            remedy="Post from the machine that the site named, or add its address to peers of this source.",
        )
    return fitting[0]


def _check_head(request: Request, counter: Counter, types: Sequence[str], idempotency_key: str | None) -> None:
    """Refuse by the head alone. Raises Refused (400, 411, 413, 415, 429)."""
    _check_rate(counter)
    sent_as = request.headers.get("content-type", "").partition(";")[0].strip().lower()
    if sent_as not in types or request.headers.get("content-encoding", "identity") != "identity":
        raise Refused(
            415,
            "Not sent as this source takes it",
            f"It takes {', '.join(types)}, uncompressed.",
            remedy="Set Content-Type to one of these.",
        )
    _check_idempotency(counter, idempotency_key)
    _check_length(request, counter)


def _check_rate(counter: Counter) -> None:
    wait_s = counter.bucket.wait_s()
    if wait_s:
        raise Refused(
            429,
            "Too many posts",
            f"More than {counter.source.per_minute} posts a minute came with this key.",
            remedy="Wait as long as Retry-After says, then post again with the same Idempotency-Key.",
            headers={"Retry-After": str(int(wait_s) + 1)},
        )


def _check_idempotency(counter: Counter, idempotency_key: str | None) -> None:
    if idempotency_key is None and counter.source.idempotency == "required":
        raise Refused(
            400,
            "The Idempotency-Key is missing",
            "This source takes posts with the header Idempotency-Key only.",
            remedy="Send a key of its own with each capture, and the same key when it is posted again.",
        )
    if idempotency_key is not None and not _IDEMPOTENCY_KEY.fullmatch(idempotency_key):
        raise Refused(
            400,
            "The Idempotency-Key cannot be used",
            "It must be 1 to 255 visible ASCII characters.",
            remedy="Use a UUID, for example.",
        )


def _check_length(request: Request, counter: Counter) -> None:
    length = request.headers.get("content-length")
    # RFC 9112 6.3: where both stand, the chunks count, and the length is only somebody's word
    if length is None or "transfer-encoding" in request.headers:
        raise Refused(
            411,
            "The length is missing",
            "The header Content-Length is missing, or the body comes in chunks.",
            remedy="Post the whole body with its length, not in chunks.",
        )
    if int(length) > counter.source.longest_capture_bytes:
        raise Refused(
            413,
            "The capture is too long",
            f"This source takes {counter.source.longest_capture_bytes} bytes at most.",
            remedy="Post fewer strips at once, or raise longest_capture_bytes of this source.",
        )


# --- the body


async def _taken(
    request: Request,
    counter: Counter,
    desk: Desk,
    idempotency_key: str | None,
    form: Callable[[bytes, Profile], None] | None = None,
) -> Response:
    """Read the body, look at its ``form`` where one is asked for, and keep it. Raises Refused (400, 408, 422, 503)."""
    body = await _body(request, counter.source.body_s)
    if form is not None:
        await asyncio.to_thread(form, body, counter.profile)  # some MB take a while, in which instruments wait for their answers
    capture = Capture(source=counter.source.name, way=Way.HTTP, arrived_at=desk.now(), payload=body, live=False)
    origin = _origin(counter.source.name, idempotency_key)
    try:
        capture_id = await counter.keep(capture, origin=origin)
        kept = await asyncio.to_thread(desk.look, capture_id) if origin else None
    except StoreError as error:
        log.warning("capture.not_kept", source=counter.source.name, cause=type(error).__name__, bytes=len(body))
        raise Refused(
            503,
            "It cannot be kept now",
            "The store takes nothing at the moment, or cannot be asked.",
            remedy="Post it again later with the same Idempotency-Key.",
            headers={"Retry-After": str(RETRY_AFTER_S)},
        ) from error
    if kept is not None and kept.digest != capture.digest:
        raise Refused(
            422,
            "The Idempotency-Key was used before",
            "Other bytes were kept under this key; these were not.",
            remedy="Post these bytes with a key of their own.",
        )
    address = f"{CAPTURES}/{capture_id}"
    return JSONResponse(Kept(capture=capture_id, status=address).model_dump(), status_code=202, headers={"Location": address})


async def _body(request: Request, within_s: float) -> bytes:
    """Give the whole body; its length was looked at before. Raises Refused (400, 408)."""
    try:
        async with asyncio.timeout(within_s):
            return await request.body()
    except TimeoutError as error:
        raise Refused(
            408,
            "The body did not come in time",
            f"It was not there within {within_s:g} seconds.",
            remedy="Post it again.",
            headers={"Connection": "close"},
        ) from error
    except ClientDisconnect as error:
        raise Refused(400, "The body broke off", "The sender went away.", remedy="Post it again.") from error


def _check_form(body: bytes, profile: Profile) -> None:
    fault = posted_fault(body, profile)
    if fault is None:
        return
    place = "" if fault.start is None else f" (bytes {fault.start} to {fault.end})"
    if fault.rule == "read.json":
        raise Refused(400, "This is not JSON", f"{fault.sentence}{place}", remedy=fault.remedy)
    raise Refused(422, "This is no reading", f"{fault.sentence}{place}", remedy=fault.remedy)


def _origin(source: str, idempotency_key: str | None) -> str:
    """Give the key of a post that the store knows again, for ever; empty where the sender gave none."""
    if idempotency_key is None:
        return ""
    return hashlib.sha256(f"http\0{source}\0{idempotency_key}".encode()).hexdigest()


def refused(_: Request, fault: Exception) -> Response:
    """Answer a post that is not taken; for the application's table of exceptions."""
    assert isinstance(fault, Refused)
    log.warning("post.refused", status=fault.problem["status"], title=fault.problem["title"])
    return fault.response()
