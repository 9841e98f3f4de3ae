"""HL7 v2 over MLLP: what MSA-1 and ERR-3 mean, and which bytes are an answer at all."""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from enum import StrEnum

from bridge.lifecycle.answers.row import OTHER, Row, words
from bridge.lifecycle.answers.site import NO_SITE_ANSWERS, SiteAnswers
from bridge.model import Acknowledgement, Answer
from bridge.wire import er7

ANY, NONE = "any", "none"

# (MSA-1, ERR-3): HL7 v2 section 2.8, tables 0008 and 0357
MLLP: Mapping[tuple[str, str], Row] = {
    ("AA", ANY): Row(answer=Answer.ACCEPTED, why="Stored and processed."),
    ("CA", ANY): Row(
        answer=Answer.ACCEPTED,
        why="Committed to safe storage, which releases the sender from sending again. Original mode does not ask for it: where it comes all the same, it ends the delivery, and a later answer to the same message is noted and changes nothing. For enhanced mode see below.",
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


class Asked(StrEnum):
    """What a message asks to be answered: in original mode once; in enhanced mode when it is kept (MSH-15 AL), and then by MSH-16.

    The values of enhanced mode are MSH-16's, HL7 table 0155: AL always, NE never, ER errors only, SU success only.
    """

    ORIGINAL = ""
    ALWAYS = "AL"
    NEVER = "NE"
    ERRORS = "ER"
    SUCCESS = "SU"


_KEPT = "Committed to safe storage, which releases us from sending again"
# CA in enhanced mode, by what MSH-16 asks for after it: HL7 2.5.1 section 2.9.3
ENHANCED: Mapping[Asked, Row] = {
    Asked.ALWAYS: Row(
        answer=Answer.COMMITTED, why=f"{_KEPT}; AA, AE or AR comes later. It is waited for up to a limit, then a person looks."
    ),
    Asked.SUCCESS: Row(
        answer=Answer.COMMITTED,
        why=f"{_KEPT}; AA comes later if all is well. It is waited for up to a limit, then a person looks.",
    ),
    Asked.ERRORS: Row(
        answer=Answer.COMMITTED,
        why=f"{_KEPT}; AE or AR comes later if something is wrong. Silence up to a limit is a yes; a no that comes later still opens a stop.",
    ),
    Asked.NEVER: Row(
        answer=Answer.ACCEPTED, why=f"{_KEPT}; no other answer was asked for. A no that comes all the same opens a stop."
    ),
}
ERROR_CODES = frozenset({"0", *(error for _, error in MLLP if error.isdigit())})  # HL7 table 0357
_APPLICATION = frozenset({"AA", "AE", "AR"})  # HL7 table 0008; the other three are of accepting the message for keeping
_HARMLESS = frozenset({"I", "W"})  # ERR-4, HL7 table 0516: information and warning explain, they decide nothing


class Stray(StrEnum):
    """What came down the line and is no answer to the message in flight."""

    FOREIGN = "answers another message"
    NO_ANSWER = "is no acknowledgement"
    NOT_ASKED = "came while nothing was in flight"


@dataclass(frozen=True, kw_only=True, slots=True)
class Said:
    """One acknowledgement as it came: whose it is (MSA-2), its code (MSA-1), its errors' codes, and its words.

    ``control_id`` is MSA-2. ``msh`` is its own header, field by field: MSH-10 and MSH-15 matter where it wants to be acknowledged itself.
    """

    control_id: str
    code: str
    errors: tuple[str, ...]
    text: str
    msh: tuple[str, ...]

    @property
    def is_application(self) -> bool:
        """Say whether it is the application's answer (AA, AE, AR), and not the word that the message is kept."""
        return self.code in _APPLICATION


def said_by(payload: bytes, *, charset: str) -> Said | Stray:
    """Give what one framed message says, of whichever message; a stray where it is no acknowledgement.

    ``payload`` is the frame's content; ``charset`` is a Python codec, used where the answer is not UTF-8.
    Only a message with an MSH first and exactly one MSA is one.
    """
    segments = _segments(payload, charset)
    acknowledging = [fields for fields in segments if fields[0] == "MSA"]
    if not segments or segments[0][0] != "MSH" or len(acknowledging) != 1:
        return Stray.NO_ANSWER
    msa = acknowledging[0]
    component = (_field(segments[0], 2) or "^")[0]  # MSH-2 begins with the component separator
    return Said(
        control_id=_field(msa, 2),
        code=_field(msa, 1),
        errors=tuple(_error_codes(segments, component)),
        text=words(_mllp_words(segments, msa, component)),
        msh=tuple(segments[0]),
    )


def read_mllp(
    payload: bytes, *, control_id: str, charset: str, asked: Asked = Asked.ORIGINAL, site: SiteAnswers = NO_SITE_ANSWERS
) -> Acknowledgement | Stray:
    """Give what one framed message says about the message ``control_id`` (MSH-10 as sent), which asked for ``asked``."""
    said = said_by(payload, charset=charset)
    if isinstance(said, Stray):
        return said
    return meaning(said, asked=asked, site=site) if said.control_id == control_id else Stray.FOREIGN


def meaning(said: Said, *, asked: Asked, site: SiteAnswers = NO_SITE_ANSWERS) -> Acknowledgement:
    """Give what an acknowledgement means for the message that it answers, by the tables and the site's own word."""
    row = ENHANCED[asked] if said.code == "CA" and asked in ENHANCED else _mllp_row(said.code, said.errors)
    code = _mllp_code(said.code, said.errors)
    return Acknowledgement(answer=site.answer(code, row.answer), code=code, text=said.text)


def wants_commit(said: Said) -> bool:
    """Say whether an answer asks to be acknowledged itself: its MSH-15, HL7 table 0155 (AL always, ER errors only, SU success only)."""
    wish = _field(list(said.msh), 15)
    return wish in ("AL", "SU" if said.code == "AA" else "ER")


def committing(said: Said, *, code: str, control_id: str, at: datetime) -> bytes:
    """Give our accept acknowledgement (``CA`` kept, ``CE`` not kept) of an application's answer, unframed, in UTF-8.

    ``control_id`` is its own MSH-10; ``at`` is aware. Sender and receiver change places; processing ID and version are theirs.
    """
    msh = [*said.msh, *[""] * 16]
    separator, marks = msh[1] or "|", msh[2] or "^~\\&"
    component = marks[0]
    event = ([*msh[9].split(component), "", ""])[1]
    kind = component.join(part for part in ("ACK", event, "ACK" if event else "") if part)
    stamp = at.astimezone(UTC).strftime("%Y%m%d%H%M%S+0000")
    header = ["MSH", marks, msh[5], msh[6], msh[3], msh[4], stamp, "", kind, control_id, msh[11] or "P", msh[12] or "2.5.1"]
    return "\r".join([separator.join(header), separator.join(["MSA", code, msh[10].strip()]), ""]).encode()


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


def _mllp_row(code: str, reasons: Sequence[str]) -> Row:
    if code != "AR":
        return MLLP.get((code, ANY), MLLP[OTHER, ANY])
    rows = [MLLP.get((code, reason), MLLP[code, OTHER]) for reason in reasons] or [MLLP[code, NONE]]
    return next((row for row in rows if row.answer is Answer.REFUSED), rows[0])


def _mllp_code(code: str, reasons: Sequence[str]) -> str:
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
