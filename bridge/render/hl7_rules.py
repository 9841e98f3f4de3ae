"""Rules for our HL7 v2.5.1 messages that no library checks: structure, header, patient, orders, specimen.

Sources: HL7 v2 chapters 2, 4, 7 and 13 (wording stable back to 2.5.1) and the 2.5.1 tables as PyPI hl7apy 1.3.5 ships
them. The text is cut here anew, apart from ``er7``, so that a fault of the writer's tools is not repeated. What one OBX
must be is in ``value_rules.py``, what the US guide asks for in ``us_rules.py``.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence
from datetime import date
from itertools import pairwise

from bridge.model import Format
from bridge.render.segments import CODECS
from bridge.render.us_rules import us_faults
from bridge.render.value_rules import Segment, code_faults, field, is_time, value_faults
from bridge.render.wording import NO_TIME_NOTE, PREFACES
from bridge.tables.additions import URINE_TYPES

TABLE_0123 = frozenset(["A", "C", "F", "I", "O", "P", "R", "S", "X", "Y", "Z"])  # OBR-25, 2.5.1
TABLE_0001 = frozenset({"A", "F", "M", "N", "O", "U"})  # PID-8, 2.5.1
TABLE_0383 = frozenset({"CE", "CW", "EE", "EW", "NE", "NW", "OE", "OK", "OW", "QE", "QW"})  # INV-2, 2.5.1
# MSH-9 and ORC-1 (table 0119) of each format
EVENTS = {
    Format.ORU_R01: ("ORU^R01^ORU_R01", "RE"),
    Format.ORU_R01_US: ("ORU^R01^ORU_R01", "RE"),
    Format.ORU_R30: ("ORU^R30^ORU_R30", "NW"),
    Format.OUL_R22: ("OUL^R22^OUL_R22", "RE"),
}
_ORU = re.compile(r"MSH PID( ORC OBR( NTE)*( TQ1)?( OBX( NTE)*)+ SPM)+")
# ours: what one result of ours looks like, inside the 2.5.1 structures; of no patient means without PID and with SAC, which INV needs before it
GRAMMARS = {
    Format.ORU_R01: _ORU,
    Format.ORU_R01_US: _ORU,
    Format.ORU_R30: re.compile(r"MSH PID ORC OBR( NTE)*( TQ1)?( OBX( NTE)*)+"),
    Format.OUL_R22: re.compile(r"MSH( PID SPM| SPM SAC( INV)?)( OBR ORC( NTE)*( TQ1)?( OBX( SID)?( NTE)*)+)+"),
}
NO_PATIENT = frozenset({"Q", "F", "R", "O"})  # ours: those of SPM-11, table 0369, that we send without a patient
_ESCAPE = re.compile(r"\\(?:[FSTRE]|X(?:[0-9A-F]{2})+)\\")  # chapter 2, use of escape sequences
_CONTROL = re.compile(r"[\x00-\x0c\x0e-\x1f\x7f]")
_CONTROL_ID = re.compile(r"[A-Z0-9]{1,20}")  # MSH-10: ST of at most 20 in 2.5.1; ours: letters and digits
_DAY = re.compile(r"[0-9]{8}")  # PID-7: TS to the day


def hl7_faults(fmt: Format, payload: bytes) -> Iterator[str]:
    """Give the faults of one message of this format, MLLP framing taken off."""
    charset = payload.split(b"\r", 1)[0].split(b"|")[17:18]
    name = charset[0].decode("latin-1") if charset else ""
    if name not in CODECS:
        yield f"MSH-18 is {name!r}, which is not a character set we send (table 0211)"
        return
    try:
        text = payload.decode(CODECS[name])
    except UnicodeDecodeError as error:
        yield f"byte {error.start} is not {name}, which MSH-18 declares"
        return
    yield from _text_faults(text)
    segments = [_cut(line) for line in text.split("\r") if line]
    names = " ".join(segment[0] for segment in segments)
    if not GRAMMARS[fmt].fullmatch(names):
        yield f"the segments are {names}"
        return
    yield from _header_faults(segments[0], EVENTS[fmt][0])
    for pid in _named(segments, "PID"):
        yield from _patient_faults(pid)
    yield from _order_faults(segments, EVENTS[fmt][1])
    yield from _value_faults(segments)
    yield from _printed_faults(segments)
    yield from _set_id_faults(segments)
    yield from _specimen_faults(segments)
    if fmt is Format.ORU_R01_US:
        yield from us_faults(segments)
    elif any(field(obx, 29) for obx in _named(segments, "OBX")):
        yield "OBX-29 is valued, which 2.5.1 does not have"


def _cut(line: str) -> Segment:
    fields = line.split("|")
    return ["MSH", "|", *fields[1:]] if fields[0] == "MSH" else fields


def _named(segments: Sequence[Segment], name: str) -> list[Segment]:
    return [segment for segment in segments if segment[0] == name]


def _text_faults(text: str) -> Iterator[str]:
    """Separators, line ends, control characters and escapes (chapter 2, message construction)."""
    if not text.startswith("MSH|^~\\&|"):
        yield "the message does not begin with MSH and the usual separators"
    if not text.endswith("\r"):
        yield "the last segment has no carriage return"
    if found := _CONTROL.search(text):
        yield f"a raw control character stands at {found.start()}"
    body = text.partition("^~\\&")[2]
    if "\\" in _ESCAPE.sub("", body):
        yield "a backslash is not part of an escape sequence"
    for mark, what in (("~", "repetition"), ("&", "sub-component")):
        if mark in body:
            yield f"an unescaped {mark} makes a {what}, which we never send"


def _header_faults(msh: Segment, event: str) -> Iterator[str]:
    if not is_time(field(msh, 7)):
        yield f"MSH-7 {field(msh, 7)!r} is not a time with offset"
    if field(msh, 9) != event:
        yield f"MSH-9 is {field(msh, 9)!r}"
    if not _CONTROL_ID.fullmatch(field(msh, 10)):
        yield f"MSH-10 {field(msh, 10)!r} is not 1 to 20 letters and digits"
    if field(msh, 11) not in {"P", "T", "D"}:  # table 0103
        yield f"MSH-11 is {field(msh, 11)!r}"
    if field(msh, 12) != "2.5.1":
        yield f"MSH-12 is {field(msh, 12)!r}"
    if bool(field(msh, 15)) != bool(field(msh, 16)):  # chapter 2: both (enhanced) or neither (original)
        yield "only one of MSH-15 and MSH-16 is valued"


def _patient_faults(pid: Segment) -> Iterator[str]:
    cx = [*field(pid, 3).split("^"), "", "", "", ""]
    if not (cx[0] and cx[3] and cx[4]):
        yield "PID-3 needs an identifier, its assigning authority and its type"
    if not field(pid, 5):
        yield "PID-5 is empty"
    if field(pid, 7) and not _is_day(field(pid, 7)):
        yield f"PID-7 {field(pid, 7)!r} is not a day"
    if field(pid, 8) and field(pid, 8) not in TABLE_0001:
        yield f"PID-8 {field(pid, 8)!r} is not in table 0001"


def _is_day(text: str) -> bool:
    try:
        return bool(_DAY.fullmatch(text)) and bool(date.fromisoformat(text))
    except ValueError:
        return False


def _order_faults(segments: Sequence[Segment], control: str) -> Iterator[str]:
    """Every ORC and OBR, which stand beside each other in one order or the other."""
    fillers = [field(obr, 3) for obr in _named(segments, "OBR")]
    if len(set(fillers)) != len(fillers):
        yield "two OBR have the same OBR-3"
    for number, (orc, obr) in enumerate(zip(_named(segments, "ORC"), _named(segments, "OBR"), strict=True), 1):
        said = f"order {number}: " if len(fillers) > 1 else ""
        notes = _notes(segments, max(segments.index(orc), segments.index(obr)))
        for fault in (*_pair_faults(orc, obr, control), *_request_faults(obr, notes)):
            yield f"{said}{fault}"


def _notes(segments: Sequence[Segment], after: int) -> list[str]:
    """Give NTE-3 of the notes right behind a place."""
    notes = []
    for segment in segments[after + 1 :]:
        if segment[0] != "NTE":
            break
        notes.append(field(segment, 3))
    return notes


def _pair_faults(orc: Segment, obr: Segment, control: str) -> Iterator[str]:
    if field(orc, 1) != control:
        yield f"ORC-1 is {field(orc, 1)!r}"
    if not field(obr, 3):
        yield "OBR-3 is empty"
    if (field(orc, 2), field(orc, 3)) != (field(obr, 2), field(obr, 3)):
        yield "ORC-2 and ORC-3 differ from OBR-2 and OBR-3"
    if field(orc, 12) != field(obr, 16):  # chapter 4: both name who ordered
        yield "ORC-12 differs from OBR-16"


def _request_faults(obr: Segment, notes: Sequence[str]) -> Iterator[str]:
    yield from code_faults("OBR-4", field(obr, 4))
    # OBR-7: required in a report message; ours: may be empty only where a note says so
    if not is_time(field(obr, 7)) and not (field(obr, 7) == "" and NO_TIME_NOTE in notes):
        yield f"OBR-7 {field(obr, 7)!r} is not a time with offset"
    if not is_time(field(obr, 22)):  # required whenever OBR-25 is valued
        yield f"OBR-22 {field(obr, 22)!r} is not a time with offset"
    if field(obr, 25) not in TABLE_0123:
        yield f"OBR-25 {field(obr, 25)!r} is not in table 0123"


def _value_faults(segments: Sequence[Segment]) -> Iterator[str]:
    values = _named(segments, "OBX")
    codes = [field(obx, 3).split("^")[0] for obx in values]
    if len(set(codes)) != len(codes):
        yield "two OBX have the same OBX-3"
    if len({bool(field(obx, 18)) for obx in values}) > 1:  # ours: all name the analyzer, or none does
        yield "OBX-18 is empty in some OBX only"
    number, status = 0, ""
    for segment in segments:
        if segment[0] == "OBR":
            status = field(segment, 25)
        elif segment[0] == "OBX":
            number += 1
            for fault in value_faults(segment, status):
                yield f"OBX {number}: {fault}"


def _printed_faults(segments: Sequence[Segment]) -> Iterator[str]:
    """Ours: the printed text of a number stands in the NTE after its OBX (decision 0005); so does that of a grade sent as text; a coded grade has it in CWE.9."""
    seen = [*(segment for segment in segments if segment[0] != "SID"), ["end"]]
    values = [(segment, after) for segment, after in pairwise(seen) if segment[0] == "OBX"]
    for number, (obx, after) in enumerate(values, 1):
        if field(obx, 2) in {"NM", "SN", "ST"} and not (after[0] == "NTE" and field(after, 3).startswith(PREFACES)):
            yield f"OBX {number}: no NTE after it holds the text as printed"


def _set_id_faults(segments: Sequence[Segment]) -> Iterator[str]:
    """Set ids count from 1: OBR within the message, OBX within its OBR, NTE within the segment they follow, the others alone."""
    counts = {"OBR": 0, "OBX": 0, "NTE": 0}
    for segment in segments:
        name = segment[0]
        if name in {"PID", "TQ1", "SPM"} and field(segment, 1) != "1":
            yield f"{name}-1 is {field(segment, 1)!r}"
        if name != "NTE":
            counts["NTE"] = 0
        if name == "OBR":
            counts["OBX"] = 0
        if name in counts:
            counts[name] += 1
            if field(segment, 1) != str(counts[name]):
                yield f"{name}-1 is {field(segment, 1)!r}, not {counts[name]}"


def _specimen_faults(segments: Sequence[Segment]) -> Iterator[str]:
    """SPM, and SAC and INV, which only a message of no patient has."""
    is_patient = bool(_named(segments, "PID"))
    for spm in _named(segments, "SPM"):
        role = field(spm, 11).split("^")[0]
        if field(spm, 4).split("^")[0] not in URINE_TYPES:  # table 0487
            yield "SPM-4 is not urine"
        if is_patient and role != "P":  # table 0369: only a patient's specimen goes into a patient's record
            yield "SPM-11 is not a patient's specimen"
        if not is_patient and role not in NO_PATIENT:
            yield f"SPM-11 is {role!r} in a message of no patient"
        for inv in _named(segments, "INV"):
            yield from _material_faults(inv, role)
    for sac in _named(segments, "SAC"):
        if not field(sac, 3):
            yield "SAC-3 is empty"


def _material_faults(inv: Segment, role: str) -> Iterator[str]:
    if role != "Q":
        yield "INV tells of control material, and SPM-11 is not Q"
    if not field(inv, 1).strip("^"):
        yield "INV-1 is empty"
    if field(inv, 2).split("^")[0] not in TABLE_0383:
        yield f"INV-2 {field(inv, 2)!r} is not in table 0383"
    if field(inv, 3).split("^")[0] != "CO":  # table 0384
        yield f"INV-3 is {field(inv, 3)!r}"
