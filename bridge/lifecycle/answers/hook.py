"""What the answer of a web hook means: the status decides, but no success whose body is something else, or says no, is a yes."""

from __future__ import annotations

import json
import re
from collections.abc import Mapping
from datetime import datetime

from bridge.lifecycle.answers.http import HttpReply, retry_after_s
from bridge.lifecycle.answers.row import LONGEST_TEXT, Row, words
from bridge.lifecycle.answers.site import NO_SITE_ANSWERS, SiteAnswers
from bridge.model import Acknowledgement, Answer

PREFIX = "hook"
PAGE, NO, OTHER = "2xx page", "2xx no", "other"
_TAKEN = frozenset({200, 201, 202, 204})

# HTTP status: RFC 9110, RFC 6585, RFC 8470; 409 and 422 after the IETF draft of the field Idempotency-Key
HOOK: Mapping[str, Row] = {
    "200": Row(answer=Answer.ACCEPTED, why="Taken."),
    "201": Row(answer=Answer.ACCEPTED, why="Taken, and something was made of it."),
    "202": Row(answer=Answer.ACCEPTED, why="Taken, to be worked on later: the receiver answers for it from now on."),
    "204": Row(answer=Answer.ACCEPTED, why="Taken, with nothing to say."),
    PAGE: Row(
        answer=Answer.REFUSED,
        why="Success with a web page, other XML, or bytes that are no text for a body: a sign-in page or a proxy, no receiver of results; a person looks.",
    ),
    NO: Row(
        answer=Answer.REFUSED,
        why="Success with a body that says no: an HL7 acknowledgement other than AA or CA, or an OperationOutcome with an error; a person looks.",
    ),
    "2xx": Row(answer=Answer.REFUSED, why="Another success: nobody knows what was taken; a person looks."),
    "3xx": Row(answer=Answer.CLOSED, why="A redirect is never followed: results go nowhere but to the configured address."),
    "400": Row(answer=Answer.REFUSED, why="Malformed or not valid there."),
    "401": Row(
        answer=Answer.CLOSED, why="The signature, or the sign-in, is not taken: keys, clock, or the address that was signed."
    ),
    "403": Row(answer=Answer.CLOSED, why="Known, but not allowed to send there."),
    "404": Row(answer=Answer.CLOSED, why="No such address."),
    "405": Row(answer=Answer.CLOSED, why="The address takes no POST."),
    "406": Row(answer=Answer.CLOSED, why="The receiver cannot answer in a form that Padpost reads."),
    "407": Row(answer=Answer.CLOSED, why="A proxy stands in the way and wants a sign-in."),
    "408": Row(answer=Answer.TRY_AGAIN, why="The receiver did not wait long enough."),
    "409": Row(answer=Answer.TRY_AGAIN, why="The same message is still being worked on there; the 3rd such answer is refused."),
    "410": Row(answer=Answer.CLOSED, why="The address is gone."),
    "413": Row(answer=Answer.REFUSED, why="Too large for that receiver."),
    "415": Row(answer=Answer.CLOSED, why="The receiver does not take this format."),
    "422": Row(answer=Answer.REFUSED, why="Against the receiver's rules, or its key was used for other bytes."),
    "425": Row(answer=Answer.TRY_AGAIN, why="Too early."),
    "429": Row(answer=Answer.TRY_AGAIN, why="Too many requests; Retry-After is honoured for the whole destination."),
    "4xx": Row(answer=Answer.REFUSED, why="Any other fault of the request."),
    "501": Row(answer=Answer.CLOSED, why="The receiver cannot do that."),
    "5xx": Row(answer=Answer.TRY_AGAIN, why="The receiver is in trouble; Retry-After is honoured for the whole destination."),
    OTHER: Row(answer=Answer.REFUSED, why="A status that HTTP does not have: never taken for yes; a person looks."),
}
_WAITING_STATUS = frozenset({408, 425, 429})  # RFC 9110, 8470, 6585: these and 5xx may carry Retry-After

_BLANKS = b"\xef\xbb\xbf \t\r\n"  # UTF-8's byte order mark, and blanks
_WIDE = (b"\xff\xfe", b"\xfe\xff", b"\x00")  # byte order marks of UTF-16 and UTF-32: pages are written so, receipts are not
_ACKNOWLEDGED = re.compile(r"[\r\n]MSA.([A-Z]{2})")  # HL7 2.5.1 section 2.15.8, whatever the field separator is
_YES = frozenset({"AA", "CA"})  # HL7 table 0008
_HARMLESS = frozenset({"warning", "information", "success"})  # FHIR issue-severity; success is R5's


def read_hook(reply: HttpReply, *, now: datetime, site: SiteAnswers = NO_SITE_ANSWERS) -> Acknowledgement:
    """Give what a hook's reply means. ``now`` is aware. The body is shown to a person, and can only turn a yes of the status into a no."""
    code = f"{PREFIX} {reply.status}"
    answer = site.answer(code, HOOK[_key(reply)].answer)
    wait = retry_after_s(reply.retry_after, now=now) if reply.status in _WAITING_STATUS or 500 <= reply.status <= 599 else None
    said = "" if answer is Answer.ACCEPTED else words([reply.body[: 2 * LONGEST_TEXT].decode("utf-8", "replace")])
    return Acknowledgement(
        answer=answer,
        code=code,
        text=said,
        retry_after_s=wait if answer is Answer.TRY_AGAIN else None,
    )


def _key(reply: HttpReply) -> str:
    if reply.status in _TAKEN and (no := _no_of(reply)):
        return no
    exact, family = str(reply.status), f"{reply.status // 100}xx"
    return exact if exact in HOOK else family if family in HOOK else OTHER


def _no_of(reply: HttpReply) -> str:
    """Give the row of a body that is no receiver's, or that says no; "" for one that leaves the word to the status."""
    body = reply.body.lstrip(_BLANKS)
    if body.startswith((b"<", *_WIDE)):
        return PAGE
    try:
        text = reply.body.decode("utf-8-sig", "ignore" if reply.cut else "strict").strip()  # a cut may go through a character
    except UnicodeDecodeError:
        return PAGE
    if text.startswith(("MSH", "\x0bMSH")):
        said = _ACKNOWLEDGED.search(text)
        return "" if said and said[1] in _YES else NO
    return NO if _is_outcome_with_error(text) else ""


def _is_outcome_with_error(text: str) -> bool:
    try:
        found = json.loads(text)
    except (ValueError, RecursionError):
        return False
    if not isinstance(found, dict) or found.get("resourceType") != "OperationOutcome":
        return False
    issues = found.get("issue")
    severities = [issue.get("severity") for issue in issues if isinstance(issue, dict)] if isinstance(issues, list) else []
    return not set(severities) <= _HARMLESS or not severities
