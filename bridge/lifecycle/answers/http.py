"""FHIR over HTTP: what a status and an OperationOutcome mean for a transaction."""

from __future__ import annotations

import json
import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from email.utils import parsedate_to_datetime
from typing import Any

from bridge.lifecycle.answers.row import LONGEST_TEXT, OTHER, Row, words
from bridge.lifecycle.answers.site import NO_SITE_ANSWERS, SiteAnswers
from bridge.model import Acknowledgement, Answer

LONGEST_RETRY_AFTER_S = 3_600.0  # ours: a receiver that asks for more than an hour is asked again sooner
MOST_CONFLICTS = 3  # ours: an edit conflict that survives three tries is not one of timing
WHOLE, MISSING, SEVERAL, UNSUPPORTED = "200 whole", "404 missing", "412 several", "412 not supported"
DUPLICATE, PASSING = "409 or 412 duplicate", "4xx passing"

# HTTP status: RFC 9110, RFC 6585, FHIR R4 http.html (transaction, conditional create)
HTTP: Mapping[str, Row] = {
    WHOLE: Row(answer=Answer.ACCEPTED, why="200 with a transaction-response that has as many entries as were sent, each 2xx."),
    "2xx": Row(
        answer=Answer.REFUSED,
        why="Success without that proof (another body, an entry that is not 2xx, 201, 202): nobody knows what is stored; a person looks.",
    ),
    "3xx": Row(
        answer=Answer.CLOSED,
        why="A redirect is never followed: patient data and the token go nowhere but to the configured address.",
    ),
    "400": Row(answer=Answer.REFUSED, why="Malformed or not valid there."),
    "401": Row(answer=Answer.CLOSED, why="Not signed in, even after the token was read anew and tried once more."),
    "403": Row(answer=Answer.CLOSED, why="Signed in, but not allowed to write there."),
    MISSING: Row(
        answer=Answer.REFUSED,
        why="404 with an OperationOutcome, to a transaction that has the server search for a patient or an order: it found none; a person looks.",
    ),
    "404": Row(answer=Answer.CLOSED, why="No such address."),
    "405": Row(answer=Answer.CLOSED, why="The address takes no transactions."),
    "406": Row(answer=Answer.CLOSED, why="The server does not answer in FHIR JSON."),
    "407": Row(answer=Answer.CLOSED, why="A proxy stands in the way and wants a sign-in."),
    "408": Row(answer=Answer.TRY_AGAIN, why="The server did not wait long enough."),
    "409": Row(answer=Answer.TRY_AGAIN, why=f"An edit conflict; the {MOST_CONFLICTS}rd one of the same message is refused."),
    "410": Row(answer=Answer.CLOSED, why="The address is gone."),
    "412": Row(answer=Answer.REFUSED, why="A condition failed and the server does not say which."),
    SEVERAL: Row(answer=Answer.REFUSED, why="412 with issue code multiple-matches: more than one record bears the identifier."),
    DUPLICATE: Row(
        answer=Answer.REFUSED,
        why="409 or 412 with issue code duplicate. The result is read back by our identifiers: where it is there with the same patient, status, code and values, it is accepted (there already); else a person looks.",
    ),
    PASSING: Row(
        answer=Answer.TRY_AGAIN,
        why="Another 4xx of those that are refused, whose every error has an issue code that passes: transient, lock-error, throttled, timeout, no-store.",
    ),
    UNSUPPORTED: Row(answer=Answer.CLOSED, why="412 with issue code not-supported: the server takes no conditional entries."),
    "413": Row(answer=Answer.REFUSED, why="Too large for that server."),
    "415": Row(answer=Answer.CLOSED, why="The server takes no FHIR JSON."),
    "422": Row(answer=Answer.REFUSED, why="Against the server's rules."),
    "425": Row(answer=Answer.TRY_AGAIN, why="Too early."),
    "429": Row(answer=Answer.TRY_AGAIN, why="Too many requests; Retry-After is honoured for the whole destination."),
    "4xx": Row(answer=Answer.REFUSED, why="Any other fault of the request."),
    "501": Row(answer=Answer.CLOSED, why="The server cannot do transactions."),
    "5xx": Row(answer=Answer.TRY_AGAIN, why="The server is in trouble; Retry-After is honoured for the whole destination."),
    OTHER: Row(answer=Answer.REFUSED, why="A status that HTTP does not have: never taken for yes; a person looks."),
}
_ISSUE_ROWS = {"multiple-matches": SEVERAL, "duplicate": DUPLICATE, "not-supported": UNSUPPORTED}  # FHIR issue-type codes
# FHIR issue-type codes below "transient", as R4 has them; "exception" and "incomplete" also tell of faults that stay
_PASSING_CODES = frozenset({"transient", "lock-error", "throttled", "timeout", "no-store"})
_WAITING_STATUS = frozenset({408, 425, 429})  # RFC 9110, 8470, 6585: these and 5xx may carry Retry-After


@dataclass(frozen=True, kw_only=True, slots=True)
class HttpReply:
    """A server's reply: status, the header Retry-After ("" without), and the body, ``cut`` at the size limit or whole."""

    status: int
    body: bytes
    retry_after: str = ""
    cut: bool = False


def read_http(
    reply: HttpReply, *, entries: int, now: datetime, searches: bool = False, site: SiteAnswers = NO_SITE_ANSWERS
) -> Acknowledgement:
    """Give what a server's reply to a transaction of ``entries`` entries means. ``now`` is aware.

    ``searches``: the transaction has conditional references, which the server must resolve (FHIR R4 http, transaction).
    """
    resource = {} if reply.cut else _resource(reply.body)
    code = f"HTTP {reply.status}"
    answer = site.answer(code, HTTP[_http_key(reply.status, resource, entries, searches=searches)].answer)
    wait = retry_after_s(reply.retry_after, now=now) if reply.status in _WAITING_STATUS or 500 <= reply.status <= 599 else None
    said = words(_issue_words(resource)) or (
        "" if answer is Answer.ACCEPTED else words([reply.body[: 2 * LONGEST_TEXT].decode("utf-8", "replace")])
    )
    return Acknowledgement(answer=answer, code=code, text=said, retry_after_s=wait if answer is Answer.TRY_AGAIN else None)


def settle_conflict(acknowledgement: Acknowledgement, *, conflicts: int) -> Acknowledgement:
    """Refuse an edit conflict (409) that is the ``conflicts``-th of its message and no longer worth a try."""
    if is_conflict(acknowledgement) and conflicts >= MOST_CONFLICTS:
        return replace(acknowledgement, answer=Answer.REFUSED)
    return acknowledgement


def is_conflict(acknowledgement: Acknowledgement) -> bool:
    """Say whether the answer was an edit conflict (409)."""
    return acknowledgement.code in {"HTTP 409", "hook 409"} and acknowledgement.answer is Answer.TRY_AGAIN


def says_duplicate(reply: HttpReply) -> bool:
    """Say whether the server claims to have the result already; only reading it back can show that."""
    return not reply.cut and _http_key(reply.status, _resource(reply.body), 0, searches=False) == DUPLICATE


def retry_after_s(header: str, *, now: datetime) -> float | None:
    """Give the seconds that Retry-After asks for (RFC 9110, 10.2.3: seconds or a date); None if past, absurd or no such thing."""
    text = header.strip()
    if text.isascii() and text.isdigit():
        wait = float(text[:9]) if len(text) <= 9 else LONGEST_RETRY_AFTER_S + 1
    else:
        try:
            at = parsedate_to_datetime(text)
            wait = ((at if at.tzinfo else at.replace(tzinfo=UTC)) - now).total_seconds()
        except (ValueError, TypeError, OverflowError, IndexError):
            return None
    return wait if 0 < wait <= LONGEST_RETRY_AFTER_S else None


def _resource(body: bytes) -> dict[str, Any]:
    """Give the body as a JSON object; empty for anything else."""
    try:
        loaded = json.loads(body)
    except (ValueError, RecursionError):
        return {}
    return loaded if isinstance(loaded, dict) else {}


def _objects(value: Any) -> list[dict[str, Any]]:
    return [item for item in value if isinstance(item, dict)] if isinstance(value, list) else []


def _http_key(status: int, resource: dict[str, Any], entries: int, *, searches: bool) -> str:
    if status == 200 and _is_whole(resource, entries):
        return WHOLE
    if status == 404 and searches and resource.get("resourceType") == "OperationOutcome":
        return MISSING
    codes = _deciding_codes(resource)
    if status == 409 and "duplicate" in codes:
        return DUPLICATE
    if status == 412:
        return next((_ISSUE_ROWS[code] for code in codes if code in _ISSUE_ROWS), "412")
    exact, family = str(status), f"{status // 100}xx"
    key = exact if exact in HTTP else family if family in HTTP else OTHER
    passes = family == "4xx" and HTTP[key].answer is Answer.REFUSED and bool(codes) and _PASSING_CODES.issuperset(codes)
    return PASSING if passes else key


def _deciding_codes(resource: dict[str, Any]) -> list[str]:
    """Give the codes of an OperationOutcome's issues that are errors; one without a severity is taken for an error."""
    deciding = [issue for issue in _objects(resource.get("issue")) if issue.get("severity") not in {"warning", "information"}]
    return [code for issue in deciding if isinstance(code := issue.get("code"), str)]


def _is_whole(resource: dict[str, Any], entries: int) -> bool:
    """Say whether this is a transaction-response with ``entries`` entries, each 2xx (R4 http.html, 3.1.0.11.2)."""
    listed = resource.get("entry")
    if resource.get("resourceType") != "Bundle" or resource.get("type") != "transaction-response" or not isinstance(listed, list):
        return False
    answers = [entry.get("response") for entry in _objects(listed)]
    states = [answer.get("status") for answer in answers if isinstance(answer, dict)]
    return len(listed) == entries == len(states) > 0 and all(
        isinstance(state, str) and re.match(r"2[0-9]{2}(\s|$)", state) for state in states
    )


def _issue_words(resource: dict[str, Any]) -> Iterator[str]:
    """Give an OperationOutcome's words: diagnostics, details, and where."""
    if resource.get("resourceType") != "OperationOutcome":
        return
    for issue in _objects(resource.get("issue")):
        details = issue.get("details")
        named = details.get("text") if isinstance(details, dict) else None
        places = issue.get("expression")
        for part in (issue.get("diagnostics"), named, *(places if isinstance(places, list) else [])):
            if isinstance(part, str):
                yield part
