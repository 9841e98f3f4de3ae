"""Rules for one OBX that no library checks: value type, value, unit, code, flag, status, times.

Sources: HL7 v2 chapters 2 and 7 (wording stable back to 2.5.1) and the 2.5.1 tables as PyPI hl7apy 1.3.5 ships them.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from datetime import datetime

from bridge.identity.check_digits import verhoeff_agrees
from bridge.render.loinc import has_check_digit, wants_number

Segment = list[str]  # fields; [0] is the segment's name, [n] is field n, MSH included

TABLE_0078 = frozenset(
    ["<", ">", "A", "AA", "B", "D", "H", "HH", "I", "L", "LL", "MS", "N", "R", "S", "U", "VS", "W"]
)  # abnormal flags, 2.5.1
CORRECTING = frozenset({"C", "W", "D"})  # of table 0085: a corrected value, one posted as wrong, one deleted
TABLE_0085 = frozenset(["C", "D", "F", "I", "N", "O", "P", "R", "S", "U", "W", "X"])  # OBX-11, 2.5.1
TABLE_0125 = frozenset({"CWE", "NM", "SN", "ST"})  # ours: the value types that we send
COMPARATORS = frozenset({">", "<", ">=", "<=", "=", "<>"})  # SN.1, chapter 2A
# ours: the coding systems of a grade; table 0396: LOINC, SNOMED CT, and ``99zzz or L`` for a site's own
_SYSTEM = re.compile(r"LN|SCT|L|99[A-Za-z0-9]{1,18}")
_NUMBER = re.compile(r"[+-]?[0-9]+(\.[0-9]+)?")  # NM, chapter 2A
_STAMP = re.compile(r"[0-9]{14}[+-][0-9]{4}")  # TS, to the second with offset


def field(segment: Segment, number: int) -> str:
    """Give field ``number``, empty where the segment is shorter."""
    return segment[number] if number < len(segment) else ""


def value_faults(obx: Segment, report_status: str) -> Iterator[str]:
    """Give the faults of one OBX. ``report_status`` is OBR-25 of its order."""
    yield from _type_faults(obx)
    yield from _obx_faults(obx, report_status)


def _type_faults(obx: Segment) -> Iterator[str]:
    """OBX-2 against OBX-5 and OBX-6, and against what the code in OBX-3 measures."""
    kind = field(obx, 2)
    if kind not in TABLE_0125:
        yield f"OBX-2 {kind!r} is not a value type we send"
        return
    if kind == "CWE":
        yield from _coded_faults(field(obx, 5).split("^"), field(obx, 6))
    elif kind == "ST":
        yield from _text_value_faults(field(obx, 5), field(obx, 6))
    else:
        yield from _number_faults(kind, field(obx, 5))
        yield from _unit_faults(field(obx, 6))
    name = [*field(obx, 3).split("^"), ""][1]
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
        case [code, _, "UCUM"] | [_, _, "L", code, _, "UCUM"] if code:  # alone, or behind the site's own text
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
    yield from code_faults("OBX-3", field(obx, 3))
    if field(obx, 8) not in TABLE_0078:
        yield f"OBX-8 {field(obx, 8)!r} is not in table 0078"
    status = field(obx, 11)
    if status not in TABLE_0085:
        yield f"OBX-11 {status!r} is not in table 0085"
    if (status in CORRECTING) != (
        report_status == "C"
    ):  # chapter 7, OBX-11: a correction is C in both; a withdrawal corrects the report
        yield f"OBX-11 is {status!r} where OBR-25 is {report_status!r}"
    if field(obx, 14) and not is_time(field(obx, 14)):
        yield f"OBX-14 {field(obx, 14)!r} is not a time with offset"
    if not is_time(field(obx, 19)):
        yield f"OBX-19 {field(obx, 19)!r} is not a time with offset"
    if field(obx, 14) and field(obx, 14) == field(obx, 19):  # chapter 7: OBX-14 is collection, OBX-19 is analysis
        yield "OBX-14 repeats the analysis time"


def code_faults(place: str, coded: str) -> Iterator[str]:
    """Give the fault of a field that must begin with a LOINC code."""
    code, _, system = ([*coded.split("^"), "", ""])[:3]
    if system != "LN" or not has_check_digit(code):
        yield f"{place} {coded!r} does not begin with a LOINC code that has its check digit"


def is_time(text: str) -> bool:
    """Say whether ``text`` is a TS to the second with offset that the calendar knows."""
    if not _STAMP.fullmatch(text):
        return False
    try:
        datetime.strptime(text, "%Y%m%d%H%M%S%z")
    except ValueError:
        return False
    return True
