"""What a specification is made from, and what it is: frozen values that every form is written from.

``Subject`` goes in, ``Specification`` comes out. A part that is a table of typed rows gives its plain cells by ``table_of``,
so that no form of the document can leave a column out.
"""

from __future__ import annotations

from dataclasses import dataclass, fields
from datetime import datetime
from enum import StrEnum
from typing import Annotated, Literal

from pydantic import Field

from bridge.lifecycle.answers import NO_SITE_ANSWERS, SiteAnswers
from bridge.tables.signatures import Signature
from bridge.tables.types import DestinationTerms, Tables

NOT_SET = "not set"
FILL_IN = ("received", "who", "when")  # the columns of a record that people fill


class Door(StrEnum):
    """How a destination is reached."""

    MLLP = "mllp"
    FHIR = "fhir"
    FOLDER = "folder"
    HOOK = "hook"


# --- what goes in ------------------------------------------------------------------------------


@dataclass(frozen=True, kw_only=True, slots=True)
class Fact:
    """One thing that is set, in words. ``says`` is never empty."""

    name: str
    says: str


@dataclass(frozen=True, kw_only=True, slots=True)
class Agreement:
    """What only people know; the keys of ``agreement`` in a destination's settings. Empty: nobody wrote it down."""

    laboratory: str = ""
    accreditation: str = ""
    contacts: str = ""
    go_live: str = ""
    regime: str = ""
    analyzers: str = ""
    test_address: str = ""
    controls: str = ""
    volumes: str = ""
    downtime: str = ""
    recheck: str = ""
    security: str = ""
    changes: str = ""


@dataclass(frozen=True, kw_only=True, slots=True)
class SourceFacts:
    """One source: the analyzer behind it, the profile that reads it, and its link in words."""

    name: str
    analyzer: str
    profile: str
    link: tuple[Fact, ...]


@dataclass(frozen=True, kw_only=True, slots=True)
class Subject:
    """Everything that a specification says. ``made_at`` is aware. No secret is among it.

    ``link`` and ``pace`` are the destination's connection, and its time-outs and retries, in words. ``signature`` is that of
    ``tables``, None where nobody signed them. ``sign_in`` says how Padpost says who it is, without any secret.
    ``site_answers`` is the laboratory's own word on this receiver's answers.
    """

    site: str
    version: str
    made_at: datetime
    door: Door
    terms: DestinationTerms
    tables: Tables
    sources: tuple[SourceFacts, ...]
    link: tuple[Fact, ...]
    pace: tuple[Fact, ...]
    encrypted: bool
    agreement: Agreement
    sign_in: str = "none"
    signature: Signature | None = None
    site_answers: SiteAnswers = NO_SITE_ANSWERS


# --- what comes out ----------------------------------------------------------------------------


@dataclass(frozen=True, kw_only=True, slots=True)
class Words:
    """A paragraph."""

    text: str
    kind: Literal["words"] = "words"


@dataclass(frozen=True, kw_only=True, slots=True)
class Facts:
    """Things that are set, one a row."""

    title: str
    rows: tuple[Fact, ...]
    kind: Literal["facts"] = "facts"


@dataclass(frozen=True, kw_only=True, slots=True)
class FieldRow:
    """One field of a segment, or one element of a resource.

    ``use``: R always sent, RE sent where there is a value, C under the condition in ``meaning``, X not sent today.
    ``example`` stands in a sample of the same document; where none has one, it says so in words and ``in_sample`` is False.
    """

    place: str
    name: str
    type: str
    use: str
    length: str
    table: str
    meaning: str
    example: str
    in_sample: bool


@dataclass(frozen=True, kw_only=True, slots=True)
class FieldTable:
    """Every field or element that Padpost writes, in the order of the message."""

    title: str
    rows: tuple[FieldRow, ...]
    kind: Literal["fields"] = "fields"


@dataclass(frozen=True, kw_only=True, slots=True)
class StepRow:
    """One step of one pad in one unit system. ``sent``: yes where this is the form that this destination gets."""

    pad: str
    local: str
    step: str
    system: str
    loinc: str
    loinc_name: str
    type: str
    value: str
    unit: str
    flag: str
    reference: str
    sent: str


@dataclass(frozen=True, kw_only=True, slots=True)
class StepTable:
    """Every step of every pad of one strip type."""

    title: str
    strip_type: str
    rows: tuple[StepRow, ...]
    kind: Literal["steps"] = "steps"


@dataclass(frozen=True, kw_only=True, slots=True)
class AnswerRow:
    """What one answer means for the message that it answers."""

    answer: str
    reason: str
    means: str
    why: str


@dataclass(frozen=True, kw_only=True, slots=True)
class AnswerTable:
    """What each answer means."""

    title: str
    rows: tuple[AnswerRow, ...]
    kind: Literal["answers"] = "answers"


@dataclass(frozen=True, kw_only=True, slots=True)
class Sample:
    """One sample message, byte for byte in its lines; or an empty ``message``, and ``says`` why there is none."""

    name: str
    says: str
    message: str
    kind: Literal["sample"] = "sample"


@dataclass(frozen=True, kw_only=True, slots=True)
class RecordRow:
    """One thing to try and what must arrive; the last three are filled in by those who try it."""

    case: str
    send: str
    expected: str
    received: str = ""
    who: str = ""
    when: str = ""


@dataclass(frozen=True, kw_only=True, slots=True)
class Record:
    """A validation record to fill and keep."""

    title: str
    rows: tuple[RecordRow, ...]
    kind: Literal["record"] = "record"


Part = Annotated[Words | Facts | FieldTable | StepTable | AnswerTable | Sample | Record, Field(discriminator="kind")]


@dataclass(frozen=True, kw_only=True, slots=True)
class Block:
    """One block of the questionnaire, A to P. ``lacking`` names what is not set; each must be settled before go-live."""

    letter: str
    title: str
    parts: tuple[Part, ...]
    lacking: tuple[str, ...] = ()


@dataclass(frozen=True, kw_only=True, slots=True)
class Specification:
    """The whole document. ``digest`` is SHA-256 (hex) over the blocks but for the signature: the same digest, the same interface."""

    site: str
    destination: str
    version: str
    made_at: datetime
    digest: str
    blocks: tuple[Block, ...]


# --- for the writers ---------------------------------------------------------------------------


@dataclass(frozen=True, kw_only=True, slots=True)
class Table:
    """Plain cells."""

    title: str
    columns: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]


HEADINGS = {"loinc": "LOINC", "loinc_name": "LOINC name", "local": "local code", "says": "set to"}
_HIDDEN = frozenset({"in_sample"})


def table_of(part: Facts | FieldTable | StepTable | AnswerTable | Record) -> Table:
    """Give a part's rows as plain cells, every member a column."""
    names = [field.name for field in fields(part.rows[0]) if field.name not in _HIDDEN] if part.rows else []
    return Table(
        title=part.title,
        columns=tuple(HEADINGS.get(name, name) for name in names),
        rows=tuple(tuple(getattr(row, name) for name in names) for row in part.rows),
    )


def lacking_sentence(block: Block) -> str:
    """Say in words what a block lacks; empty if nothing."""
    if not block.lacking:
        return ""
    return f"Not set: {', '.join(block.lacking)}. Settle this before go-live."


def shown(text: str) -> str:
    """Give ``text`` with every character that cannot be seen, but line ends, named in words: nothing hides or turns the line round."""
    return "".join(char if char.isprintable() or char == "\n" else f"(U+{ord(char):04X})" for char in text)
