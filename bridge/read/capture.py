"""One capture's bytes to its strips: unframed, cut and read by the profile's layout."""

from __future__ import annotations

import hashlib
from collections.abc import Iterable, Iterator

from bridge.errors import RejectError
from bridge.making import maker
from bridge.model import LIVE, Capture, Finding, Place, Reading, Severity, Unreadable, Way
from bridge.read.delimited import DelimitedReader
from bridge.read.hl7_result import Hl7ResultReader, charset_of
from bridge.read.json_reading import JsonReader
from bridge.read.lis2 import Lis2Reader
from bridge.read.sheet import Broken, Envelope, Piece, Sheet, Strip
from bridge.read.slip import SlipReader
from bridge.tables.documents import FIELD_NAMES
from bridge.tables.types import Framing, JsonLayout, Profile
from bridge.wire.lis01 import unframe
from bridge.wire.text import plain

_made = maker(Reading)

MOST_FAULTS = 200  # ours: a capture with more is not a day's work but a wrong file; the rest is told in stretches

# What a person entered, in the texts that the profile knows: ``documents.FormDocument``, whatever the layout of what comes by other ways
FORM = JsonLayout(fields=frozenset({*FIELD_NAMES, "entered_by", "unit"}))
FORM_CHARSET = "utf-8"  # RFC 8259 section 8.1

_SEND_AGAIN = "Send it again; if it comes again, check that this source has the right profile."


def read_capture(capture: Capture, profile: Profile, *, analyzer: str) -> tuple[Reading | Unreadable, ...]:
    """Give every strip of a capture, read or not, in order; at least one, and never an exception for what the bytes are."""
    if capture.way is Way.FORM:
        sheet = Sheet(plain(capture.payload), FORM_CHARSET)
        pieces = JsonReader(sheet, FORM).pieces()
    else:
        charset = profile.charset if profile.hl7 is None else charset_of(capture.payload, profile.charset)
        sheet = Sheet((unframe if profile.framing is Framing.LIS01 else plain)(capture.payload), charset)
        pieces = cut(sheet, profile, torn=capture.torn, whole=capture.way.says_its_end)
    found = [piece for piece in bounded(pieces) if not isinstance(piece, Envelope)]
    if not found:
        return (_nothing(capture, sheet, analyzer),)
    return tuple(
        _unreadable(piece, sheet, index, analyzer)
        if isinstance(piece, Broken)
        else _reading(piece, sheet, index, analyzer, profile=profile.name)
        for index, piece in enumerate(found)
    )


def cut(sheet: Sheet, profile: Profile, *, torn: bool, whole: bool = False) -> Iterator[Piece]:
    """Give the text's pieces in order: together they are the whole text. ``whole``: the way in said itself where the text ends."""
    if profile.lis2 is not None:
        return Lis2Reader(sheet, profile.lis2).pieces()
    if profile.delimited is not None:
        return DelimitedReader(sheet, profile.delimited).pieces()
    if profile.hl7 is not None:
        return Hl7ResultReader(sheet, profile.hl7, whole=whole and not torn).pieces()
    if profile.json is not None:
        return JsonReader(sheet, profile.json).pieces()
    assert profile.slip is not None
    return SlipReader(sheet, profile.slip, torn=torn).pieces()


def bounded(pieces: Iterable[Piece]) -> Iterator[Piece]:
    """Give the pieces; after ``MOST_FAULTS`` broken ones, broken neighbours become one."""
    broken = 0
    waiting: Broken | None = None
    for piece in pieces:
        if isinstance(piece, Broken):
            broken += 1
        if isinstance(piece, Strip) or broken <= MOST_FAULTS:
            if waiting is not None:
                yield waiting
                waiting = None
            yield piece
        elif isinstance(piece, Broken):
            waiting = piece if waiting is None else _joined(waiting, piece)
    if waiting is not None:
        yield waiting


def _joined(first: Broken, second: Broken) -> Broken:
    """Give two broken pieces as one; its record is the digest chain of theirs, so that it stays small."""
    fault = RejectError(
        "read.many",
        f"More than {MOST_FAULTS} strips of this capture cannot be read; this is a run of further ones.",
        remedy="Check that the right file came to the right source.",
        start=first.fault.start,
        end=second.fault.end,
    )
    return Broken(first.start, second.end, hashlib.sha256(first.record + second.record).digest(), fault)


def _nothing(capture: Capture, sheet: Sheet, analyzer: str) -> Unreadable:
    if capture.torn:
        rule, sentence = "read.torn", "The transmission stopped before anything of a strip had come."
    elif not capture.payload:
        rule, sentence = "read.empty", "Nothing came: the capture has no byte."
    elif not sheet.bytes:
        rule, sentence = "read.frame", "No whole frame came: every frame was damaged or missing."
    else:
        rule, sentence = "read.empty", "The capture holds no strip."
    place = Place(start=0, end=len(capture.payload))
    return Unreadable(
        index=0,
        place=place,
        analyzer=analyzer,
        record_digest=capture.digest,
        finding=_finding(rule, sentence, _SEND_AGAIN, place),
    )


def _unreadable(piece: Broken, sheet: Sheet, index: int, analyzer: str) -> Unreadable:
    fault = piece.fault
    place = None if fault.start is None or fault.end is None else Place(start=fault.start, end=fault.end)
    return Unreadable(
        index=index,
        place=sheet.place(piece.start, piece.end),
        analyzer=analyzer,
        record_digest=hashlib.sha256(piece.record).hexdigest(),
        finding=_finding(fault.rule, fault.sentence, fault.remedy, place),
    )


def _finding(rule: str, sentence: str, remedy: str, place: Place | None) -> Finding:
    return Finding(rule=rule, severity=Severity.REJECT, sentence=sentence, remedy=remedy, place=place)


def _digest(piece: Strip) -> str:
    """Give what the same record is known again by. What a record says as a test is not the same said live: the one is no copy of the other."""
    kind = piece.fields.get("processing_id")
    said = b"" if kind is None or kind.text == LIVE else kind.text.encode() + b"\0"
    return hashlib.sha256(said + piece.record).hexdigest()


def _reading(piece: Strip, sheet: Sheet, index: int, analyzer: str, *, profile: str) -> Reading:
    return _made(
        index=index,
        place=sheet.place(piece.start, piece.end),
        analyzer=analyzer,
        profile=profile,
        record_digest=_digest(piece),
        comments=tuple(piece.comments),
        pads=tuple(piece.pads),
        **piece.fields,
    )
