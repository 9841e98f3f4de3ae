"""What an HL7 v2 message asks of its receiver, and the acknowledgement that answers it (HL7 v2.5.1 chapter 2.9, 2.15.5, 2.15.8).

The answer is made of bytes: what it repeats of the message (control ID, names, separators) stands in it exactly as it came.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime

from bridge.wire import er7

LONGEST_HEADER = 4_096  # ours, bytes: an MSH has a few hundred; what is repeated in an answer stays short
MSH_3, MSH_7, MSH_9, MSH_10, MSH_11, MSH_12, MSH_15, MSH_16 = 3, 7, 9, 10, 11, 12, 15, 16  # 2.15.9
_CONTROL = re.compile(rb"[\x00-\x1f\x7f]")  # what is repeated in an answer must not end its segment or its frame
_ANSWER_EVENTS = {
    b"R30": b"R33",
    b"R31": b"R33",
    b"R32": b"R33",
}  # 2.5.1 chapter 7.3.4: point-of-care results are answered ACK^R33
ERROR_TEXTS = {  # HL7 table 0357
    "100": "Segment sequence error",
    "101": "Required field missing",
    "102": "Data type error",
    "103": "Table value not found",
    "200": "Unsupported message type",
    "202": "Unsupported processing id",
    "203": "Unsupported version id",
    "207": "Application internal error",
}


@dataclass(frozen=True, slots=True)
class Header:
    """An MSH segment: its separators, and its fields as they came; index n is MSH-n."""

    signs: er7.Signs
    fields: tuple[bytes, ...]

    def field(self, number: int) -> bytes:
        """Give a field; empty where it is missing or an explicit null."""
        found = self.fields[number] if number < len(self.fields) else b""
        return b"" if found == b'""' else found

    def component(self, number: int, component: int) -> str:
        """Give a component from 1 as text; empty where it is missing."""
        parts = self.field(number).split(self.signs.component.encode("ascii"))
        return parts[component - 1].decode("latin-1") if component <= len(parts) else ""

    @property
    def is_enhanced(self) -> bool:
        """Say whether enhanced acknowledgement is asked for: MSH-15 or MSH-16 is valued (2.9.3)."""
        return bool(self.field(MSH_15) or self.field(MSH_16))

    def wants(self, number: int, *, good: bool) -> bool:
        """Say whether MSH-15 or MSH-16 asks for the acknowledgement of a good or a bad outcome (HL7 table 0155)."""
        return self.field(number).decode("latin-1") in {"AL", "SU" if good else "ER"}


def header_of(message: bytes) -> Header | None:
    """Give the MSH that a message begins with; None if it begins with none that can be answered."""
    first = re.split(rb"[\r\n]", message[: LONGEST_HEADER + 1], maxsplit=1)[0]
    signs = er7.signs_of(first)
    if signs is None or len(first) > LONGEST_HEADER or _CONTROL.search(first):
        return None
    name, *fields = first.split(signs.field.encode("ascii"))
    return Header(signs, (name, signs.field.encode("ascii"), *fields))


@dataclass(frozen=True, kw_only=True, slots=True)
class Objection:
    """One ERR segment. ``code`` is of table 0357; ``place`` a location as ERR-2 has it, or empty; ``words`` hold nothing of a patient.

    ``rule`` is our own id of the reason, for ERR-5.
    """

    code: str
    words: str
    place: str = ""
    rule: str = ""


def acknowledge(header: Header, code: str, *, control_id: str, made_at: datetime, objections: Sequence[Objection] = ()) -> bytes:
    """Give the acknowledgement ``code`` (HL7 table 0008) of the message with this header; segments ended by CR, no framing.

    Version, processing ID, character set and separators are the message's own; its sender and receiver change places.
    ERR is as 2.5 has it; to an older message it is left out, and the words stand in MSA-3 alone.
    """
    signs = header.signs
    bar, hat = signs.field.encode("ascii"), signs.component.encode("ascii")
    event = header.component(MSH_9, 2).encode("latin-1")
    kind = hat.join((b"ACK", _ANSWER_EVENTS.get(event, event), b"ACK")) if event else b"ACK"
    marks = f"{signs.component}{signs.repetition}{signs.escape}{signs.subcomponent}".encode("ascii")
    times = made_at.strftime("%Y%m%d%H%M%S%z").encode("ascii")
    msh = [b"MSH", marks, header.field(5), header.field(6), header.field(3), header.field(4), times, b"", kind]
    msh += [
        control_id.encode("ascii"),
        header.field(MSH_11),
        header.field(MSH_12),
        b"",
        b"",
        b"",
        b"",
        b"",
        header.field(er7.MSH_18),
    ]
    words = " ".join(objection.words for objection in objections)
    msa = [b"MSA", code.encode("ascii"), header.field(MSH_10), *([_plain(words, signs)] if words else [])]
    segments = [msh, msa]
    if _has_new_errors(header):
        segments += [_err(objection, signs) for objection in objections]
    return b"".join(bar.join(fields).rstrip(bar) + b"\r" for fields in segments)


def _has_new_errors(header: Header) -> bool:
    """Say whether the message's version has ERR-2 to ERR-8: 2.5 and later."""
    found = re.fullmatch(r"2\.([0-9])(?:\..*)?", header.component(MSH_12, 1))
    return found is not None and int(found[1]) >= 5


def _err(objection: Objection, signs: er7.Signs) -> list[bytes]:
    hat = signs.component.encode("ascii")
    code = hat.join(_plain(part, signs) for part in (objection.code, ERROR_TEXTS[objection.code], "HL70357"))
    place = hat.join(_plain(part, signs) for part in objection.place.split("^"))
    own = hat.join((_plain(objection.rule, signs), _plain(objection.words, signs), b"L")) if objection.rule else b""
    words = _plain(objection.words, signs)
    return [b"ERR", b"", place, code, b"E", own, b"", b"", words]


def _plain(text: str, signs: er7.Signs) -> bytes:
    """Give text of ours so that no sign of it is structure, whatever the separators are, in ASCII."""
    taken = {signs.field, signs.component, signs.repetition, signs.escape, signs.subcomponent}
    return "".join("-" if sign in taken or not 0x20 <= ord(sign) < 0x7F else sign for sign in text).encode("ascii")


def place_of(message: bytes, offset: int) -> str:
    """Give where the byte at ``offset`` stands, as ERR-2 has it: segment, its count, field, repetition, component (2.15.5.2).

    Only the segment and its count where the byte stands in its name; empty where the message has no MSH.
    """
    header = header_of(message)
    if header is None:
        return ""
    start = max(message.rfind(b"\r", 0, offset), message.rfind(b"\n", 0, offset)) + 1
    name = message[start : start + 3]
    count = sum(line[:3] == name for line in re.split(rb"[\r\n]", message[:start])) + 1
    before = message[start:offset]
    bar, hat, tilde = (sign.encode("ascii") for sign in (header.signs.field, header.signs.component, header.signs.repetition))
    field = before.count(bar) + (name == b"MSH")
    segment = f"{_plain(name.decode('latin-1'), er7.STANDARD).decode('ascii')}^{count}"
    if not before.count(bar):
        return segment
    inside = before.rpartition(bar)[2]
    repetition = inside.rpartition(tilde)[2]
    return f"{segment}^{field}^{inside.count(tilde) + 1}^{repetition.count(hat) + 1}"
