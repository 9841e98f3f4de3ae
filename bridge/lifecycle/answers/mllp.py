"""HL7 v2 over MLLP: what MSA-1 and ERR-3 mean, and which bytes are an answer at all."""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping
from enum import StrEnum

from bridge.lifecycle.answers.row import OTHER, Row, words
from bridge.model import Acknowledgement, Answer
from bridge.wire import er7

ANY, NONE = "any", "none"

# (MSA-1, ERR-3): HL7 v2 section 2.8, tables 0008 and 0357
MLLP: Mapping[tuple[str, str], Row] = {
    ("AA", ANY): Row(answer=Answer.ACCEPTED, why="Stored and processed."),
    ("CA", ANY): Row(
        answer=Answer.ACCEPTED,
        why="Committed to safe storage, which releases the sender from sending again. We never ask for it (MSH-15 is empty or NE): where it comes all the same, it ends the delivery, and a later answer to the same message is noted and changes nothing.",
    ),
    ("AE", ANY): Row(answer=Answer.REFUSED, why="An error in the content; the same bytes would meet the same error."),
    ("CR", ANY): Row(answer=Answer.REFUSED, why="Message type, version or processing ID is not taken there."),
    ("CE", ANY): Row(answer=Answer.TRY_AGAIN, why="Could not be stored for another reason, such as room or sequence."),
    ("AR", "100"): Row(answer=Answer.REFUSED, why="Segment sequence error: the content must change."),
    ("AR", "101"): Row(answer=Answer.REFUSED, why="A required field is missing: the content must change."),
    ("AR", "102"): Row(answer=Answer.REFUSED, why="Data type error: the content must change."),
    ("AR", "103"): Row(answer=Answer.REFUSED, why="Table value not found: the content must change."),
    ("AR", "200"): Row(answer=Answer.REFUSED, why="Message type not taken there."),
    ("AR", "201"): Row(answer=Answer.REFUSED, why="Event not taken there."),
    ("AR", "202"): Row(answer=Answer.REFUSED, why="Processing ID not taken there."),
    ("AR", "203"): Row(answer=Answer.REFUSED, why="Version not taken there."),
    ("AR", "204"): Row(answer=Answer.REFUSED, why="Unknown key, such as a patient that the receiver does not have."),
    ("AR", "205"): Row(answer=Answer.REFUSED, why="Duplicate key: a person must look at what is there already."),
    ("AR", "206"): Row(answer=Answer.TRY_AGAIN, why="A record is locked for now."),
    ("AR", "207"): Row(answer=Answer.TRY_AGAIN, why="An internal error of the receiver."),
    ("AR", NONE): Row(answer=Answer.TRY_AGAIN, why="Without a reason, AR says that the receiver is down or in trouble."),
    ("AR", OTHER): Row(
        answer=Answer.TRY_AGAIN, why="A reason that table 0357 does not have; tried again up to the limit, then a person looks."
    ),
    (OTHER, ANY): Row(
        answer=Answer.REFUSED,
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
    return next((row for row in rows if row.answer is Answer.REFUSED), rows[0])


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
