"""What a receiver's answer means for a delivery: one readable table for each kind of destination.

The tables are MLLP, HTTP, SILENCE and FOLDER; docs/reference/answers.md is printed from them by ``describe``.
An acknowledgement's ``code`` is short and safe for logs; its ``text`` holds the receiver's own words, which
may name a patient, and is for the pages only. No answer raises, whatever its bytes are.
"""

from __future__ import annotations

import json
import re
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta
from email.utils import parsedate_to_datetime
from enum import StrEnum
from typing import Any

from bridge.model import Acknowledgement, Answer
from bridge.wire import er7

LONGEST_TEXT = 2_000  # bytes of UTF-8; ours: what a person reads on one screen, after FHIR practice of keeping 2 kB of a body
LONGEST_RETRY_AFTER_S = 3_600.0  # ours: a receiver that asks for more than an hour is asked again sooner
MOST_CONFLICTS = 3  # ours: an edit conflict that survives three tries is not one of timing


@dataclass(frozen=True, kw_only=True, slots=True)
class Row:
    """What one kind of answer means for the delivery, and why."""

    answer: Answer
    why: str


_ACCEPTED, _TRY_AGAIN, _REFUSED, _CLOSED = Answer.ACCEPTED, Answer.TRY_AGAIN, Answer.REFUSED, Answer.CLOSED

# --- HL7 v2 over MLLP: one answer a message, the application's (original mode, or MSH-15 NE with MSH-16 AL) ------

ANY, NONE, OTHER = "any", "none", "other"

# (MSA-1, ERR-3): HL7 v2 section 2.8, tables 0008 and 0357
MLLP: Mapping[tuple[str, str], Row] = {
    ("AA", ANY): Row(answer=_ACCEPTED, why="Stored and processed."),
    ("CA", ANY): Row(
        answer=_ACCEPTED,
        why="Committed to safe storage, which releases the sender from sending again. We never ask for it (MSH-15 is empty or NE): where it comes all the same, it ends the delivery, and a later answer to the same message is noted and changes nothing.",
    ),
    ("AE", ANY): Row(answer=_REFUSED, why="An error in the content; the same bytes would meet the same error."),
    ("CR", ANY): Row(answer=_REFUSED, why="Message type, version or processing ID is not taken there."),
    ("CE", ANY): Row(answer=_TRY_AGAIN, why="Could not be stored for another reason, such as room or sequence."),
    ("AR", "100"): Row(answer=_REFUSED, why="Segment sequence error: the content must change."),
    ("AR", "101"): Row(answer=_REFUSED, why="A required field is missing: the content must change."),
    ("AR", "102"): Row(answer=_REFUSED, why="Data type error: the content must change."),
    ("AR", "103"): Row(answer=_REFUSED, why="Table value not found: the content must change."),
    ("AR", "200"): Row(answer=_REFUSED, why="Message type not taken there."),
    ("AR", "201"): Row(answer=_REFUSED, why="Event not taken there."),
    ("AR", "202"): Row(answer=_REFUSED, why="Processing ID not taken there."),
    ("AR", "203"): Row(answer=_REFUSED, why="Version not taken there."),
    ("AR", "204"): Row(answer=_REFUSED, why="Unknown key, such as a patient that the receiver does not have."),
    ("AR", "205"): Row(answer=_REFUSED, why="Duplicate key: a person must look at what is there already."),
    ("AR", "206"): Row(answer=_TRY_AGAIN, why="A record is locked for now."),
    ("AR", "207"): Row(answer=_TRY_AGAIN, why="An internal error of the receiver."),
    ("AR", NONE): Row(answer=_TRY_AGAIN, why="Without a reason, AR says that the receiver is down or in trouble."),
    ("AR", OTHER): Row(
        answer=_TRY_AGAIN, why="A reason that table 0357 does not have; tried again up to the limit, then a person looks."
    ),
    (OTHER, ANY): Row(
        answer=_REFUSED,
        why="An answer to this very message in a code that table 0008 does not have: never taken for yes; a person looks.",
    ),
}
ERROR_CODES = frozenset({"0", *(error for _, error in MLLP if error.isdigit())})  # HL7 table 0357
_HARMLESS = frozenset({"I", "W"})  # ERR-4, HL7 table 0516: information and warning explain, they decide nothing


class Stray(StrEnum):
    """What came down the line and is no answer to the message in flight."""

    FOREIGN = "answers another message"
    NO_ANSWER = "is no acknowledgement"
    NOT_ASKED = "came while nothing was in flight"


def read_mllp(payload: bytes, *, control_id: str, charset: str) -> Acknowledgement | Stray:
    """Give what one framed message says about the message ``control_id`` (MSH-10 as sent).

    ``payload`` is the frame's content; ``charset`` is a Python codec, used where the answer is not UTF-8.
    Only a message with an MSH first and exactly one MSA, whose MSA-2 is ``control_id``, is an answer.
    """
    segments = _segments(payload, charset)
    acknowledging = [fields for fields in segments if fields[0] == "MSA"]
    if not segments or segments[0][0] != "MSH" or len(acknowledging) != 1:
        return Stray.NO_ANSWER
    msa = acknowledging[0]
    if _field(msa, 2) != control_id:
        return Stray.FOREIGN
    component = (_field(segments[0], 2) or "^")[0]  # MSH-2 begins with the component separator
    reasons = _error_codes(segments, component)
    return Acknowledgement(
        answer=_mllp_row(_field(msa, 1), reasons).answer,
        code=_mllp_code(_field(msa, 1), reasons),
        text=words(_mllp_words(segments, msa, component)),
    )


def _segments(payload: bytes, charset: str) -> list[list[str]]:
    try:
        payload.decode("utf-8")
    except UnicodeDecodeError:
        return er7.split(payload, charset)
    return er7.split(payload, "utf-8")


def _field(fields: list[str], number: int) -> str:
    """Give field ``number`` without outer blanks, "" where the segment is shorter."""
    return fields[number].strip() if number < len(fields) else ""


def _error_codes(segments: list[list[str]], component: str) -> list[str]:
    """Give the codes of the errors that decide something, in the answer's order; an error without a code has none."""
    deciding = [fields for fields in segments if fields[0] == "ERR" and _field(fields, 4) not in _HARMLESS]
    return [code for fields in deciding if (code := _error_code(fields, component))]


def _error_code(fields: list[str], component: str) -> str:
    """Give the error's code: ERR-3.1, or before version 2.5 ERR-1.4.1."""
    named = _field(fields, 3).split(component)[0].strip()
    if named:
        return named
    place = _field(fields, 1).split(component)
    return re.split(r"\W", place[3].strip())[0] if len(place) > 3 else ""


def _mllp_row(code: str, reasons: list[str]) -> Row:
    if code != "AR":
        return MLLP.get((code, ANY), MLLP[OTHER, ANY])
    rows = [MLLP.get((code, reason), MLLP[code, OTHER]) for reason in reasons] or [MLLP[code, NONE]]
    return next((row for row in rows if row.answer is _REFUSED), rows[0])


def _mllp_code(code: str, reasons: list[str]) -> str:
    """Give the answer's code for logs: of the receiver's own codes only those that the standard's tables have."""
    shown = code if (code, ANY) in MLLP or code == "AR" else "unknown code"
    return " ".join([shown, *[reason for reason in reasons if reason in ERROR_CODES][:1]])


def _mllp_words(segments: list[list[str]], msa: list[str], component: str) -> Iterator[str]:
    for fields in segments:
        if fields[0] == "ERR":
            yield er7.unescape(_field(fields, 8))
            yield er7.unescape(_field(fields, 7))
            yield er7.unescape(" ".join(part for part in _field(fields, 3).split(component)[:2] if part))
    yield er7.unescape(_field(msa, 3))


def words(parts: Iterable[str]) -> str:
    """Join a receiver's words, each once, without control characters, cut at LONGEST_TEXT bytes."""
    seen: dict[str, None] = {}
    for part in parts:
        plain = " ".join("".join(char if char.isprintable() else " " for char in part).split())
        if plain:
            seen.setdefault(plain)
    return "; ".join(seen).encode("utf-8", "replace")[:LONGEST_TEXT].decode("utf-8", "ignore")


# --- FHIR over HTTP ----------------------------------------------------------------------------

WHOLE, MISSING, SEVERAL, UNSUPPORTED = "200 whole", "404 missing", "412 several", "412 not supported"

# HTTP status: RFC 9110, RFC 6585, FHIR R4 http.html (transaction, conditional create)
HTTP: Mapping[str, Row] = {
    WHOLE: Row(answer=_ACCEPTED, why="200 with a transaction-response that has as many entries as were sent, each 2xx."),
    "2xx": Row(
        answer=_REFUSED,
        why="Success without that proof (another body, an entry that is not 2xx, 201, 202): nobody knows what is stored; a person looks.",
    ),
    "3xx": Row(
        answer=_CLOSED, why="A redirect is never followed: patient data and the token go nowhere but to the configured address."
    ),
    "400": Row(answer=_REFUSED, why="Malformed or not valid there."),
    "401": Row(answer=_CLOSED, why="Not signed in, even after the token was read anew and tried once more."),
    "403": Row(answer=_CLOSED, why="Signed in, but not allowed to write there."),
    MISSING: Row(
        answer=_REFUSED,
        why="404 with an OperationOutcome, to a transaction that has the server search for a patient or an order: it found none; a person looks.",
    ),
    "404": Row(answer=_CLOSED, why="No such address."),
    "405": Row(answer=_CLOSED, why="The address takes no transactions."),
    "406": Row(answer=_CLOSED, why="The server does not answer in FHIR JSON."),
    "407": Row(answer=_CLOSED, why="A proxy stands in the way and wants a sign-in."),
    "408": Row(answer=_TRY_AGAIN, why="The server did not wait long enough."),
    "409": Row(answer=_TRY_AGAIN, why=f"An edit conflict; the {MOST_CONFLICTS}rd one of the same message is refused."),
    "410": Row(answer=_CLOSED, why="The address is gone."),
    "412": Row(answer=_REFUSED, why="A condition failed and the server does not say which."),
    SEVERAL: Row(
        answer=_REFUSED, why="412 with issue code multiple-matches or duplicate: more than one record bears the identifier."
    ),
    UNSUPPORTED: Row(answer=_CLOSED, why="412 with issue code not-supported: the server takes no conditional entries."),
    "413": Row(answer=_REFUSED, why="Too large for that server."),
    "415": Row(answer=_CLOSED, why="The server takes no FHIR JSON."),
    "422": Row(answer=_REFUSED, why="Against the server's rules."),
    "425": Row(answer=_TRY_AGAIN, why="Too early."),
    "429": Row(answer=_TRY_AGAIN, why="Too many requests; Retry-After is honoured for the whole destination."),
    "4xx": Row(answer=_REFUSED, why="Any other fault of the request."),
    "501": Row(answer=_CLOSED, why="The server cannot do transactions."),
    "5xx": Row(answer=_TRY_AGAIN, why="The server is in trouble; Retry-After is honoured for the whole destination."),
    OTHER: Row(answer=_REFUSED, why="A status that HTTP does not have: never taken for yes; a person looks."),
}
_ISSUE_ROWS = {"multiple-matches": SEVERAL, "duplicate": SEVERAL, "not-supported": UNSUPPORTED}  # FHIR issue-type codes
_WAITING_STATUS = frozenset({408, 425, 429})  # RFC 9110, 8470, 6585: these and 5xx may carry Retry-After


@dataclass(frozen=True, kw_only=True, slots=True)
class HttpReply:
    """A server's reply: status, the header Retry-After ("" without), and the body, ``cut`` at the size limit or whole."""

    status: int
    body: bytes
    retry_after: str = ""
    cut: bool = False


def read_http(reply: HttpReply, *, entries: int, now: datetime, searches: bool = False) -> Acknowledgement:
    """Give what a server's reply to a transaction of ``entries`` entries means. ``now`` is aware.

    ``searches``: the transaction has conditional references, which the server must resolve (FHIR R4 http, transaction).
    """
    resource = {} if reply.cut else _resource(reply.body)
    row = HTTP[_http_key(reply.status, resource, entries, searches=searches)]
    wait = retry_after_s(reply.retry_after, now=now) if reply.status in _WAITING_STATUS or 500 <= reply.status <= 599 else None
    said = words(_issue_words(resource)) or (
        "" if row.answer is _ACCEPTED else words([reply.body[: 2 * LONGEST_TEXT].decode("utf-8", "replace")])
    )
    return Acknowledgement(
        answer=row.answer, code=f"HTTP {reply.status}", text=said, retry_after_s=wait if row.answer is _TRY_AGAIN else None
    )


def settle_conflict(acknowledgement: Acknowledgement, *, conflicts: int) -> Acknowledgement:
    """Refuse an edit conflict (409) that is the ``conflicts``-th of its message and no longer worth a try."""
    if is_conflict(acknowledgement) and conflicts >= MOST_CONFLICTS:
        return replace(acknowledgement, answer=_REFUSED)
    return acknowledgement


def is_conflict(acknowledgement: Acknowledgement) -> bool:
    """Say whether the answer was an edit conflict (409)."""
    return acknowledgement.code == "HTTP 409"


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
    if status == 412:
        codes = [issue.get("code") for issue in _objects(resource.get("issue"))]
        return next((_ISSUE_ROWS[code] for code in codes if isinstance(code, str) and code in _ISSUE_ROWS), "412")
    exact, family = str(status), f"{status // 100}xx"
    return exact if exact in HTTP else family if family in HTTP else OTHER


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


# --- no answer at all, for every kind ----------------------------------------------------------


class Silence(StrEnum):
    """How a receiver gave no answer; the values are the codes."""

    NO_CONNECTION = "no connection"
    TIMEOUT = "timeout"
    LOST = "connection lost"
    TOO_LONG = "answer too long"
    INTERRUPTED = "interrupted"
    KEPT_BACK = "kept back"
    FAULT = "fault of our own"
    NAME = "host name unknown"
    TLS = "TLS failure"
    SETUP = "cannot be sent as configured"
    UNFRAMED = "cannot be framed"


SILENCE: Mapping[Silence, Row] = {
    Silence.NO_CONNECTION: Row(
        answer=_TRY_AGAIN, why="Nobody takes the call: nothing was sent, and other lanes wait for the same door."
    ),
    Silence.TIMEOUT: Row(answer=_TRY_AGAIN, why="Sent, and no answer in time: its fate is unknown; the same bytes go again."),
    Silence.LOST: Row(
        answer=_TRY_AGAIN, why="The connection ended before an answer: its fate is unknown; the same bytes go again."
    ),
    Silence.TOO_LONG: Row(answer=_TRY_AGAIN, why="Bytes without an end and no answer in them; the connection was closed."),
    Silence.INTERRUPTED: Row(answer=_TRY_AGAIN, why="Padpost was stopped in the middle; the same bytes go again."),
    Silence.KEPT_BACK: Row(
        answer=_CLOSED,
        why="Not sent: while it waited for its turn the receiver's door closed, or sending was stopped. The try is not counted.",
    ),
    Silence.FAULT: Row(
        answer=_TRY_AGAIN, why="A defect of Padpost, whose log has the trace; tried again up to the limit, then a person looks."
    ),
    Silence.NAME: Row(answer=_CLOSED, why="The configured host name leads nowhere."),
    Silence.TLS: Row(answer=_CLOSED, why="The certificate or the encryption does not fit; nothing is sent over it."),
    Silence.SETUP: Row(answer=_CLOSED, why="A secret is not set, or the address cannot be used."),
    Silence.UNFRAMED: Row(answer=_REFUSED, why="The message holds bytes that MLLP cannot carry; a person looks."),
}


def no_answer(silence: Silence, text: str = "") -> Acknowledgement:
    """Give the acknowledgement of an attempt that got no answer; ``text`` is the system's own reason."""
    return Acknowledgement(answer=SILENCE[silence].answer, code=silence.value, text=words([text]))


# --- folder ------------------------------------------------------------------------------------


class FolderEnd(StrEnum):
    """How the writing of one file ended; the values are the codes."""

    WRITTEN = "written"
    THERE_ALREADY = "there already"
    OTHER_CONTENT = "other content there"
    BAD_NAME = "no file name"
    FULL = "no room"
    NO_FOLDER = "no such folder"
    NO_RIGHTS = "no rights"
    FAULT = "write failed"


FOLDER: Mapping[FolderEnd, Row] = {
    FolderEnd.WRITTEN: Row(answer=_ACCEPTED, why="The whole file and its name are on the disk."),
    FolderEnd.THERE_ALREADY: Row(answer=_ACCEPTED, why="An earlier try wrote the same bytes under the same name."),
    FolderEnd.OTHER_CONTENT: Row(
        answer=_REFUSED, why="A file of that name holds something else; it is left alone and a person looks."
    ),
    FolderEnd.BAD_NAME: Row(answer=_REFUSED, why="The control ID is none of ours and makes no file name."),
    FolderEnd.FULL: Row(answer=_TRY_AGAIN, why="The disk is full for now."),
    FolderEnd.NO_FOLDER: Row(answer=_CLOSED, why="The configured folder is not there; it is never made."),
    FolderEnd.NO_RIGHTS: Row(answer=_CLOSED, why="Padpost may not write there."),
    FolderEnd.FAULT: Row(answer=_TRY_AGAIN, why="The disk or the network mount failed; the temporary file is removed."),
}


def read_folder(end: FolderEnd, text: str = "") -> Acknowledgement:
    """Give the acknowledgement of a file that was, or was not, written."""
    return Acknowledgement(answer=FOLDER[end].answer, code=end.value, text=words([text]))


# --- what a person reads -----------------------------------------------------------------------


def stop_words(destination: str, acknowledgement: Acknowledgement, *, tried_for: timedelta | None = None) -> tuple[str, str]:
    """Give sentence and remedy of the stop that a refused delivery, or one tried for too long, opens.

    ``tried_for`` is set for one that was given up after that time.
    """
    if tried_for is None:
        return (
            f"{destination} turned this result away ({acknowledgement.code}).",
            "Read the receiver's own words, mend the cause where it lies, then send it again; or discard it with a reason.",
        )
    hours = max(1, round(tried_for.total_seconds() / 3_600))
    return (
        f"{destination} did not take this result for {hours} {'hour' if hours == 1 else 'hours'}; the last answer was: {acknowledgement.code}.",
        "Ask for the receiver to be checked, then send it again. It may hold the result already: the same identity keeps it from being filed twice.",
    )


def door_words(acknowledgement: Acknowledgement) -> str:
    """Give why a destination takes nothing for now: the code and our own words for it, never the receiver's."""
    code = acknowledgement.code
    rows = {f"HTTP {key[:3]}": row for key, row in HTTP.items() if row.answer is _CLOSED}
    rows |= {key.value: row for key, row in SILENCE.items()} | {key.value: row for key, row in FOLDER.items()}
    row = rows.get(code) or (HTTP["3xx"] if code.startswith("HTTP 3") else None)
    return f"{code}: {row.why}" if row else code


def describe() -> str:
    """Print the tables as docs/reference/answers.md, Markdown."""
    blocks = [
        (
            "# What a receiver's answer means\n\nPrinted from `bridge/lifecycle/answers.py`; a test compares. *accepted* ends the delivery; *try again* waits, "
            "doubling, up to the limit, then a person looks; *refused* opens a row on Rejected messages with the receiver's own words;\n"
            "*destination closed* consumes nothing: one row for the receiver, tried now and then until it opens.\n"
        ),
        _table("HL7 v2 over MLLP", ("MSA-1", "ERR-3"), [(*key, row) for key, row in MLLP.items()]),
        (
            "An answer counts only if it begins with MSH, has exactly one MSA, and MSA-2 is the control ID that was sent. Anything else on the line is\n"
            "counted and passed over. Where ERR-3 is empty, ERR-1.4 (before version 2.5) is read; errors of severity I or W decide nothing.\n"
        ),
        _table("FHIR over HTTP", ("Status",), [(key, row) for key, row in HTTP.items()]),
        f"Retry-After is honoured in seconds or as a date, up to {LONGEST_RETRY_AFTER_S / 60:.0f} minutes. A body that is not FHIR changes nothing: the status alone decides.\n",
        _table("No answer, every kind", ("What happened",), [(key.value, row) for key, row in SILENCE.items()]),
        _table("Folder", ("What happened",), [(key.value, row) for key, row in FOLDER.items()]),
    ]
    return "\n".join(blocks)


def _table(title: str, keys: tuple[str, ...], rows: Iterable[tuple[Any, ...]]) -> str:
    head = [f"## {title}\n", f"| {' | '.join((*keys, 'Means', 'Why'))} |", f"|{' --- |' * (len(keys) + 2)}"]
    lines = [f"| {' | '.join((*map(str, row[:-1]), row[-1].answer.value, row[-1].why))} |" for row in rows]
    return "\n".join([*head, *lines, ""])
