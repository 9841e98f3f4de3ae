"""Rules for an ORU^R01 of version 2.5.1 that no library checks.

Sources: HL7 v2 chapters 2 and 7 (wording stable back to 2.5.1) and the 2.5.1 tables as PyPI hl7apy 1.3.5 ships
them. The text is cut here anew, apart from ``er7``, so that a fault of the writer's tools is not repeated.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence
from datetime import datetime
from itertools import pairwise

from bridge.identity.check_digits import verhoeff_agrees
from bridge.render.loinc import has_check_digit, wants_number
from bridge.render.oru import CODECS
from bridge.render.wording import NO_TIME_NOTE, PREFACES

Segment = list[str]  # fields; [0] is the segment's name, [n] is field n, MSH included

TABLE_0078 = frozenset(
    ["<", ">", "A", "AA", "B", "D", "H", "HH", "I", "L", "LL", "MS", "N", "R", "S", "U", "VS", "W"]
)  # abnormal flags, 2.5.1
TABLE_0085 = frozenset(["C", "D", "F", "I", "N", "O", "P", "R", "S", "U", "W", "X"])  # OBX-11, 2.5.1
TABLE_0123 = frozenset(["A", "C", "F", "I", "O", "P", "R", "S", "X", "Y", "Z"])  # OBR-25, 2.5.1
TABLE_0125 = frozenset({"CWE", "NM", "SN", "ST"})  # ours: the value types that we send
COMPARATORS = frozenset({">", "<", ">=", "<=", "=", "<>"})  # SN.1, chapter 2A
# ours: what one result of ours looks like, inside the 2.5.1 structure ORU_R01
GRAMMAR = re.compile(r"MSH PID ORC OBR( NTE)*( TQ1)?( OBX( NTE)*)+ SPM")
# ours: the coding systems of a grade; table 0396: LOINC, SNOMED CT, and ``99zzz or L`` for a site's own
_SYSTEM = re.compile(r"LN|SCT|L|99[A-Za-z0-9]{1,18}")
_NUMBER = re.compile(r"[+-]?[0-9]+(\.[0-9]+)?")  # NM, chapter 2A
_STAMP = re.compile(r"[0-9]{14}[+-][0-9]{4}")  # TS, to the second with offset
_ESCAPE = re.compile(r"\\(?:[FSTRE]|X(?:[0-9A-F]{2})+)\\")  # chapter 2, use of escape sequences
_CONTROL = re.compile(r"[\x00-\x0c\x0e-\x1f\x7f]")
_CONTROL_ID = re.compile(r"[A-Z0-9]{1,20}")  # MSH-10: ST of at most 20 in 2.5.1; ours: letters and digits


def oru_faults(payload: bytes) -> Iterator[str]:
    """Give the faults of one message, MLLP framing taken off."""
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
    if not GRAMMAR.fullmatch(names):
        yield f"the segments are {names}"
        return
    yield from _header_faults(segments[0])
    yield from _patient_faults(segments[1])
    yield from _order_faults(segments)
    yield from _value_faults(segments)
    yield from _printed_faults(segments)
    yield from _set_id_faults(segments)
    yield from _specimen_faults(segments[-1])


def _cut(line: str) -> Segment:
    fields = line.split("|")
    return ["MSH", "|", *fields[1:]] if fields[0] == "MSH" else fields


def _field(segment: Segment, number: int) -> str:
    return segment[number] if number < len(segment) else ""


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


def _header_faults(msh: Segment) -> Iterator[str]:
    if not _is_time(_field(msh, 7)):
        yield f"MSH-7 {_field(msh, 7)!r} is not a time with offset"
    if _field(msh, 9) != "ORU^R01^ORU_R01":
        yield f"MSH-9 is {_field(msh, 9)!r}"
    if not _CONTROL_ID.fullmatch(_field(msh, 10)):
        yield f"MSH-10 {_field(msh, 10)!r} is not 1 to 20 letters and digits"
    if _field(msh, 11) not in {"P", "T", "D"}:  # table 0103
        yield f"MSH-11 is {_field(msh, 11)!r}"
    if _field(msh, 12) != "2.5.1":
        yield f"MSH-12 is {_field(msh, 12)!r}"
    if bool(_field(msh, 15)) != bool(_field(msh, 16)):  # chapter 2: both (enhanced) or neither (original)
        yield "only one of MSH-15 and MSH-16 is valued"


def _patient_faults(pid: Segment) -> Iterator[str]:
    cx = [*_field(pid, 3).split("^"), "", "", "", ""]
    if not (cx[0] and cx[3] and cx[4]):
        yield "PID-3 needs an identifier, its assigning authority and its type"
    if not _field(pid, 5):
        yield "PID-5 is empty"


def _order_faults(segments: Sequence[Segment]) -> Iterator[str]:
    orc, obr = segments[2], segments[3]
    notes = [_field(segment, 3) for segment in segments[4:] if segment[0] == "NTE"]
    if _field(orc, 1) != "RE":
        yield f"ORC-1 is {_field(orc, 1)!r}"
    if not _field(obr, 3):
        yield "OBR-3 is empty"
    if (_field(orc, 2), _field(orc, 3)) != (_field(obr, 2), _field(obr, 3)):
        yield "ORC-2 and ORC-3 differ from OBR-2 and OBR-3"
    yield from _code_faults("OBR-4", _field(obr, 4))
    yield from _order_time_faults(obr, notes)
    if _field(obr, 25) not in TABLE_0123:
        yield f"OBR-25 {_field(obr, 25)!r} is not in table 0123"


def _order_time_faults(obr: Segment, notes: Sequence[str]) -> Iterator[str]:
    # OBR-7: required in a report message; ours: may be empty only where a note says so
    if not _is_time(_field(obr, 7)) and not (_field(obr, 7) == "" and NO_TIME_NOTE in notes):
        yield f"OBR-7 {_field(obr, 7)!r} is not a time with offset"
    if not _is_time(_field(obr, 22)):  # required whenever OBR-25 is valued
        yield f"OBR-22 {_field(obr, 22)!r} is not a time with offset"


def _value_faults(segments: Sequence[Segment]) -> Iterator[str]:
    values = [segment for segment in segments if segment[0] == "OBX"]
    codes = [_field(obx, 3).split("^")[0] for obx in values]
    if len(set(codes)) != len(codes):
        yield "two OBX have the same OBX-3"
    for number, obx in enumerate(values, 1):
        for fault in (*_obx_type_faults(obx), *_obx_faults(obx, _field(segments[3], 25))):
            yield f"OBX {number}: {fault}"


def _printed_faults(segments: Sequence[Segment]) -> Iterator[str]:
    """Ours: the printed text of a number stands in the NTE after its OBX (decision 0005); so does that of a grade sent as text; a coded grade has it in CWE.9."""
    values = [(segment, after) for segment, after in pairwise(segments) if segment[0] == "OBX"]
    for number, (obx, after) in enumerate(values, 1):
        if _field(obx, 2) in {"NM", "SN", "ST"} and not (after[0] == "NTE" and _field(after, 3).startswith(PREFACES)):
            yield f"OBX {number}: no NTE after it holds the text as printed"


def _obx_type_faults(obx: Segment) -> Iterator[str]:
    """OBX-2 against OBX-5 and OBX-6, and against what the code in OBX-3 measures."""
    kind = _field(obx, 2)
    if kind not in TABLE_0125:
        yield f"OBX-2 {kind!r} is not a value type we send"
        return
    if kind == "CWE":
        yield from _coded_faults(_field(obx, 5).split("^"), _field(obx, 6))
    elif kind == "ST":
        yield from _text_value_faults(_field(obx, 5), _field(obx, 6))
    else:
        yield from _number_faults(kind, _field(obx, 5))
        yield from _unit_faults(_field(obx, 6))
    name = [*_field(obx, 3).split("^"), ""][1]
    wanted = wants_number(name)
    # a text has no code that says what it is, so its OBX-3 must say [Presence]; the others only may not say the contrary
    if (wanted is not False) if kind == "ST" else (wanted is (kind == "CWE")):
        yield f"OBX-2 is {kind}, which {name!r} does not measure"


def _text_value_faults(value: str, units: str) -> Iterator[str]:
    if not value or "^" in value:
        yield f"OBX-5 {value!r} is not one text"
    if value[:1] in {"<", ">"}:  # chapter 2A, ST: no comparator (said from 2.7 on; wire reference, OBX-5)
        yield "a text in OBX-5 begins with a comparator"
    if units:
        yield "a text has units in OBX-6"


def _number_faults(kind: str, value: str) -> Iterator[str]:
    match kind, value.split("^"):
        case "NM", [number] if _NUMBER.fullmatch(number):
            return
        case "SN", [comparator, number] if comparator in COMPARATORS and _NUMBER.fullmatch(number):
            return
        case _:
            wanted = "a number" if kind == "NM" else "a comparator and a number"
            yield f"OBX-5 {value!r} is not {wanted}"


def _unit_faults(units: str) -> Iterator[str]:
    match units.split("^"):
        case [code, _, "UCUM"] if code:
            return
        case _:
            yield f"OBX-6 {units!r} names no UCUM unit"


def _coded_faults(value: list[str], units: str) -> Iterator[str]:
    if len(value) != 9 or not value[8]:
        yield "CWE.9 does not hold the text as printed"
    for code, _, system in (part for part in (value[:3], value[3:6]) if len(part) == 3):
        yield from _grade_code_faults(code, system)
    if any(value[3:6]) and (not value[0] or value[2] == value[5]):
        yield "the alternate code in OBX-5 has no first one, or one of the same system"
    if units:
        yield "a coded value has units in OBX-6"


def _grade_code_faults(code: str, system: str) -> Iterator[str]:
    """One triplet of a coded grade: its system is one we send, and the check digit of LOINC or SNOMED CT is right."""
    if bool(code) != bool(system):
        yield "the code in OBX-5 names no system" if code else f"{system} in OBX-5 has no code"
    elif code and not _SYSTEM.fullmatch(system):
        yield f"{system} is not a coding system we send"
    # SNOMED CT identifiers end in a Verhoeff check digit (SNOMED CT technical guide, SCTID; from memory, a test holds it to GPS codes)
    elif (system == "LN" and not has_check_digit(code)) or (system == "SCT" and not verhoeff_agrees(code)):
        yield f"{code} has a wrong check digit"


def _obx_faults(obx: Segment, report_status: str) -> Iterator[str]:
    yield from _code_faults("OBX-3", _field(obx, 3))
    if _field(obx, 8) not in TABLE_0078:
        yield f"OBX-8 {_field(obx, 8)!r} is not in table 0078"
    status = _field(obx, 11)
    if status not in TABLE_0085:
        yield f"OBX-11 {status!r} is not in table 0085"
    if (status == "C") != (report_status == "C"):  # chapter 7, OBX-11: a correction is C in both
        yield f"OBX-11 is {status!r} where OBR-25 is {report_status!r}"
    if _field(obx, 14) and not _is_time(_field(obx, 14)):
        yield f"OBX-14 {_field(obx, 14)!r} is not a time with offset"
    if not _is_time(_field(obx, 19)):
        yield f"OBX-19 {_field(obx, 19)!r} is not a time with offset"
    if _field(obx, 14) and _field(obx, 14) == _field(obx, 19):  # chapter 7: OBX-14 is collection, OBX-19 is analysis
        yield "OBX-14 repeats the analysis time"
    if not _field(obx, 18):
        yield "OBX-18 names no analyzer"


def _code_faults(place: str, field: str) -> Iterator[str]:
    code, _, system = ([*field.split("^"), "", ""])[:3]
    if system != "LN" or not has_check_digit(code):
        yield f"{place} {field!r} does not begin with a LOINC code that has its check digit"


def _set_id_faults(segments: Sequence[Segment]) -> Iterator[str]:
    """Set ids count from 1: OBX within the report, NTE within the segment they follow, the others alone."""
    obx = note = 0
    for segment in segments:
        if segment[0] in {"PID", "OBR", "TQ1", "SPM"} and _field(segment, 1) != "1":
            yield f"{segment[0]}-1 is {_field(segment, 1)!r}"
        note = note + 1 if segment[0] == "NTE" else 0
        obx += segment[0] == "OBX"
        expected = {"OBX": obx, "NTE": note}.get(segment[0])
        if expected is not None and _field(segment, 1) != str(expected):
            yield f"{segment[0]}-1 is {_field(segment, 1)!r}, not {expected}"


def _specimen_faults(spm: Segment) -> Iterator[str]:
    if not _field(spm, 4).startswith("UR^"):  # table 0487
        yield "SPM-4 is not urine"
    if not _field(spm, 11).startswith("P^"):  # table 0369: only a patient's specimen goes into a patient's record
        yield "SPM-11 is not a patient's specimen"


def _is_time(text: str) -> bool:
    """Say whether ``text`` is a TS to the second with offset that the calendar knows."""
    if not _STAMP.fullmatch(text):
        return False
    try:
        datetime.strptime(text, "%Y%m%d%H%M%S%z")
    except ValueError:
        return False
    return True
