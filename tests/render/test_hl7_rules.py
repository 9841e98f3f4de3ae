"""Each of our rules for an HL7 message against a message that breaks that rule alone.

The sound message is one that was written by hand (golden/). hl7apy is shown the broken ones too: where it finds
nothing, the rule is one that no library checks (wire reference, section 0), which is why it is ours.
"""

from __future__ import annotations

from collections.abc import Callable

import pytest

from bridge.model import Format
from bridge.render.hl7_rules import hl7_faults
from bridge.render.oracles import oracle_faults
from tests.render.written import golden

SOUND = golden("abnormal_stat.hl7")
NAME_AT = SOUND.index(b"Silva Ana")
GLUCOSE, NITRITE, GRAVITY, PH = 0, 1, 2, 3  # the order of the OBX in the sound message

Change = Callable[[bytes], bytes]


def put(name: str, field: int, value: str, *, at: int = 0) -> Change:
    """Give a change of one field of the ``at``-th such segment."""

    def change(payload: bytes) -> bytes:
        lines = payload.decode().split("\r")
        row = [number for number, line in enumerate(lines) if line.startswith(f"{name}|")][at]
        cells = lines[row].split("|")
        place = field - 1 if name == "MSH" else field
        cells += [""] * (place + 1 - len(cells))
        assert cells[place] != value
        cells[place] = value
        lines[row] = "|".join(cells)
        return "\r".join(lines).encode()

    return change


def swap(old: bytes, new: bytes) -> Change:
    """Give a change of the first ``old`` into ``new``."""

    def change(payload: bytes) -> bytes:
        assert old in payload
        return payload.replace(old, new, 1)

    return change


def both(*changes: Change) -> Change:
    """Give several changes as one."""

    def change(payload: bytes) -> bytes:
        for each in changes:
            payload = each(payload)
        return payload

    return change


def text_value(text: str) -> Change:
    """Give the change of the first value into a grade as text, with the note that holds what was printed."""
    note = swap(b"\rOBX|2|", b"\rNTE|1|L|As printed by the analyzer: 2+\rOBX|2|")
    return both(put("OBX", 2, "ST"), put("OBX", 5, text), note)


NITRITE_NAME = "50558-6^Nitrite [Presence] in Urine by Automated test strip^LN^T-NIT^Nitrite^L"
ANALYSIS = "20261125081530+0000"

# (what is broken, the one fault that must be found)
BROKEN: dict[str, tuple[Change, str]] = {
    # characters and structure
    "no charset": (put("MSH", 18, ""), "MSH-18 is '', which is not a character set we send (table 0211)"),
    "charset of another name": (put("MSH", 18, "UTF-8"), "MSH-18 is 'UTF-8', which is not a character set we send (table 0211)"),
    "bytes of another charset": (
        both(put("MSH", 18, "ASCII"), swap(b"Silva Ana", "Sílva Ana".encode())),
        f"byte {NAME_AT + 1 - len('UNICODE UTF-8') + len('ASCII')} is not ASCII, which MSH-18 declares",
    ),
    "byte that is no UTF-8": (swap(b"Silva", b"S\xedlva"), f"byte {NAME_AT + 1} is not UNICODE UTF-8, which MSH-18 declares"),
    "other separators": (swap(b"MSH|^~\\&|", b"MSH|^~\\&#|"), "the message does not begin with MSH and the usual separators"),
    "no last carriage return": (lambda payload: payload[:-1], "the last segment has no carriage return"),
    "line feed": (swap(b"Silva Ana", b"Silva\nAna"), f"a raw control character stands at {NAME_AT + 5}"),
    "end block of MLLP": (swap(b"Silva Ana", b"Silva\x1cAna"), f"a raw control character stands at {NAME_AT + 5}"),
    "lone backslash": (swap(b"turbid \\T\\", b"turbid \\"), "a backslash is not part of an escape sequence"),
    "unknown escape": (swap(b"\\T\\", b"\\Q\\"), "a backslash is not part of an escape sequence"),
    "repetition": (swap(b"Silva Ana", b"Silva~Ana"), "an unescaped ~ makes a repetition, which we never send"),
    "sub-component": (swap(b"\\T\\", b"&"), "an unescaped & makes a sub-component, which we never send"),
    "segment out of place": (
        swap(b"PID|", b"PV1|"),
        "the segments are MSH PV1 ORC OBR NTE NTE TQ1 OBX OBX OBX NTE OBX NTE OBX NTE OBX SPM",
    ),
    # MSH
    "MSH-7 without offset": (put("MSH", 7, "20261125081610"), "MSH-7 '20261125081610' is not a time with offset"),
    "MSH-9": (put("MSH", 9, "ORU^R30^ORU_R30"), "MSH-9 is 'ORU^R30^ORU_R30'"),
    "MSH-10 empty": (put("MSH", 10, ""), "MSH-10 '' is not 1 to 20 letters and digits"),
    "MSH-10 too long": (put("MSH", 10, "A" * 21), f"MSH-10 '{'A' * 21}' is not 1 to 20 letters and digits"),
    "MSH-11": (put("MSH", 11, "X"), "MSH-11 is 'X'"),
    "MSH-12": (put("MSH", 12, "2.3"), "MSH-12 is '2.3'"),
    "MSH-15 without MSH-16": (put("MSH", 15, "AL"), "only one of MSH-15 and MSH-16 is valued"),
    "MSH-16 without MSH-15": (put("MSH", 16, "AL"), "only one of MSH-15 and MSH-16 is valued"),
    # PID
    "PID-3 without identifier": (
        put("PID", 3, "^^^CLINIC^MR"),
        "PID-3 needs an identifier, its assigning authority and its type",
    ),
    "PID-3 without authority": (put("PID", 3, "1002003^^^^MR"), "PID-3 needs an identifier, its assigning authority and its type"),
    "PID-3 without type": (put("PID", 3, "1002003^^^CLINIC"), "PID-3 needs an identifier, its assigning authority and its type"),
    "PID-5 empty": (put("PID", 5, ""), "PID-5 is empty"),
    # ORC and OBR
    "ORC-1": (put("ORC", 1, "NW"), "ORC-1 is 'NW'"),
    "filler numbers empty": (both(put("ORC", 3, ""), put("OBR", 3, "")), "OBR-3 is empty"),
    "filler numbers differ": (put("ORC", 3, "TESTAR43^PADPOST"), "ORC-2 and ORC-3 differ from OBR-2 and OBR-3"),
    "placer numbers differ": (put("ORC", 2, "1"), "ORC-2 and ORC-3 differ from OBR-2 and OBR-3"),
    "OBR-4 check digit": (
        put("OBR", 4, "50556-1^Urinalysis^LN"),
        "OBR-4 '50556-1^Urinalysis^LN' does not begin with a LOINC code that has its check digit",
    ),
    "OBR-7 empty without a note": (put("OBR", 7, ""), "OBR-7 '' is not a time with offset"),
    "OBR-7 without offset": (put("OBR", 7, "20261125081530"), "OBR-7 '20261125081530' is not a time with offset"),
    "OBR-7 that no calendar has": (put("OBR", 7, "20260230081530+0000"), "OBR-7 '20260230081530+0000' is not a time with offset"),
    "OBR-22 empty beside OBR-25": (put("OBR", 22, ""), "OBR-22 '' is not a time with offset"),
    "OBR-22 in words": (put("OBR", 22, "now"), "OBR-22 'now' is not a time with offset"),
    "OBR-25 empty": (put("OBR", 25, ""), "OBR-25 '' is not in table 0123"),
    "OBR-25 of another table": (put("OBR", 25, "W"), "OBR-25 'W' is not in table 0123"),
    # OBX: type, value and unit
    "OBX-2 empty": (put("OBX", 2, ""), "OBX 1: OBX-2 '' is not a value type we send"),
    "OBX-2 of a type that we never send": (put("OBX", 2, "TX"), "OBX 1: OBX-2 'TX' is not a value type we send"),
    "NM that is no number": (put("OBX", 5, "abc", at=PH), "OBX 4: OBX-5 'abc' is not a number"),
    "NM with a comparator": (put("OBX", 5, ">9.0", at=PH), "OBX 4: OBX-5 '>9.0' is not a number"),
    "NM with an exponent": (put("OBX", 5, "9E0", at=PH), "OBX 4: OBX-5 '9E0' is not a number"),
    "NM with a decimal comma": (put("OBX", 5, "9,0", at=PH), "OBX 4: OBX-5 '9,0' is not a number"),
    "NM in other digits": (put("OBX", 5, "٩", at=PH), "OBX 4: OBX-5 '٩' is not a number"),
    "NM empty": (put("OBX", 5, "", at=PH), "OBX 4: OBX-5 '' is not a number"),
    "NM with two components": (put("OBX", 5, ">^9.0", at=PH), "OBX 4: OBX-5 '>^9.0' is not a number"),
    "SN with an unknown comparator": (
        put("OBX", 5, "=>^1.035", at=GRAVITY),
        "OBX 3: OBX-5 '=>^1.035' is not a comparator and a number",
    ),
    "SN without its comparator": (
        put("OBX", 5, "^1.035", at=GRAVITY),
        "OBX 3: OBX-5 '^1.035' is not a comparator and a number",
    ),
    "SN without its number": (put("OBX", 5, ">=^", at=GRAVITY), "OBX 3: OBX-5 '>=^' is not a comparator and a number"),
    "SN in one piece": (put("OBX", 5, ">=1.035", at=GRAVITY), "OBX 3: OBX-5 '>=1.035' is not a comparator and a number"),
    "number without a unit": (put("OBX", 6, "", at=PH), "OBX 4: OBX-6 '' names no UCUM unit"),
    "unit of another system": (put("OBX", 6, "pH^pH^L", at=PH), "OBX 4: OBX-6 'pH^pH^L' names no UCUM unit"),
    "coded value with units": (put("OBX", 6, "mg/dL^mg/dL^UCUM"), "OBX 1: a coded value has units in OBX-6"),
    "CWE without the printed text": (put("OBX", 5, "LA11842-4^2+^LN"), "OBX 1: CWE.9 does not hold the text as printed"),
    "CWE code without a system": (put("OBX", 5, "LA11842-4^2+^^^^^^^2+"), "OBX 1: the code in OBX-5 names no system"),
    "CWE answer check digit": (put("OBX", 5, "LA11842-5^2+^LN^^^^^^2+"), "OBX 1: LA11842-5 has a wrong check digit"),
    "CWE code of a system that we never send": (
        put("OBX", 5, "GR2^2+^SNM3^^^^^^2+"),
        "OBX 1: SNM3 is not a coding system we send",
    ),
    "CWE system without a code": (put("OBX", 5, "^2+^LN^^^^^^2+"), "OBX 1: LN in OBX-5 has no code"),
    "CWE alternate of the same system": (
        put("OBX", 5, "LA11842-4^2+^LN^LA11843-2^3+^LN^^^2+"),
        "OBX 1: the alternate code in OBX-5 has no first one, or one of the same system",
    ),
    "CWE alternate without a first code": (
        put("OBX", 5, "^2+^^LA11842-4^2+^LN^^^2+"),
        "OBX 1: the alternate code in OBX-5 has no first one, or one of the same system",
    ),
    "CWE concept check digit": (
        put("OBX", 5, "260348002^Present ++ out of ++++^SCT^LA11842-4^2+^LN^^^2+"),
        "OBX 1: 260348002 has a wrong check digit",
    ),
    "text without the printed text": (
        both(put("OBX", 2, "ST"), put("OBX", 5, "2+")),
        "OBX 1: no NTE after it holds the text as printed",
    ),
    "text in two components": (text_value("2+^two"), "OBX 1: OBX-5 '2+^two' is not one text"),
    "text that is empty": (text_value(""), "OBX 1: OBX-5 '' is not one text"),
    "text with a comparator": (text_value(">=1000"), "OBX 1: a text in OBX-5 begins with a comparator"),
    "text with a unit": (both(text_value("2+"), put("OBX", 6, "mg/dL^mg/dL^UCUM")), "OBX 1: a text has units in OBX-6"),
    "text under a [Mass/volume] code": (
        both(text_value("2+"), put("OBX", 3, "53328-1^Glucose [Mass/volume] in Urine by Automated test strip^LN")),
        "OBX 1: OBX-2 is ST, which 'Glucose [Mass/volume] in Urine by Automated test strip' does not measure",
    ),
    "text under a code that does not say what it measures": (
        both(text_value("2+"), put("OBX", 3, "50555-2^Glucose^LN")),
        "OBX 1: OBX-2 is ST, which 'Glucose' does not measure",
    ),
    "number under a [Presence] code": (
        both(put("OBX", 2, "NM"), put("OBX", 5, "2"), put("OBX", 6, "1^1^UCUM"), swap(b"\rOBX|2|", b"\rNTE|1|L|As printed by the analyzer: 2\rOBX|2|")),
        "OBX 1: OBX-2 is NM, which 'Glucose [Presence] in Urine by Automated test strip' does not measure",
    ),
    "grade under a [Mass/volume] code": (
        put("OBX", 3, "53328-1^Glucose [Mass/volume] in Urine by Automated test strip^LN"),
        "OBX 1: OBX-2 is CWE, which 'Glucose [Mass/volume] in Urine by Automated test strip' does not measure",
    ),
    "number without its printed text": (
        swap(b"NTE|1|L|As printed by the analyzer: 9.0\r", b""),
        "OBX 4: no NTE after it holds the text as printed",
    ),
    # OBX: code, flag, status, times, device
    "OBX-3 check digit": (
        put("OBX", 3, "50555-3^Glucose [Presence] in Urine by Automated test strip^LN"),
        "OBX 1: OBX-3 '50555-3^Glucose [Presence] in Urine by Automated test strip^LN' does not begin with a LOINC code that has its check digit",
    ),
    "OBX-3 begins with the local code": (
        put("OBX", 3, "T-GLU^Glucose^L"),
        "OBX 1: OBX-3 'T-GLU^Glucose^L' does not begin with a LOINC code that has its check digit",
    ),
    "OBX-3 twice": (put("OBX", 3, NITRITE_NAME), "two OBX have the same OBX-3"),
    "OBX-8 of a later version": (put("OBX", 8, "POS"), "OBX 1: OBX-8 'POS' is not in table 0078"),
    "OBX-8 empty": (put("OBX", 8, ""), "OBX 1: OBX-8 '' is not in table 0078"),
    "OBX-11 empty": (put("OBX", 11, "", at=NITRITE), "OBX 2: OBX-11 '' is not in table 0085"),
    "OBX-11 of another table": (put("OBX", 11, "A", at=NITRITE), "OBX 2: OBX-11 'A' is not in table 0085"),
    "correction in OBX alone": (put("OBX", 11, "C", at=NITRITE), "OBX 2: OBX-11 is 'C' where OBR-25 is 'F'"),
    "OBX-14 without offset": (put("OBX", 14, "20261125"), "OBX 1: OBX-14 '20261125' is not a time with offset"),
    "OBX-14 is analysis time": (put("OBX", 14, ANALYSIS), "OBX 1: OBX-14 repeats the analysis time"),
    "OBX-18 empty in one": (put("OBX", 18, "", at=PH), "OBX-18 is empty in some OBX only"),
    "OBX-19 empty": (put("OBX", 19, "", at=PH), "OBX 4: OBX-19 '' is not a time with offset"),
    # set ids and specimen
    "OBX-1 skips": (put("OBX", 1, "3", at=NITRITE), "OBX-1 is '3', not 2"),
    "NTE-1 does not begin again": (put("NTE", 1, "2", at=2), "NTE-1 is '2', not 1"),
    "OBR-1": (put("OBR", 1, "2"), "OBR-1 is '2', not 1"),
    "PID-1": (put("PID", 1, ""), "PID-1 is ''"),
    "SPM-4": (put("SPM", 4, "SER^Serum^HL70487"), "SPM-4 is not urine"),
    "SPM-11 is a control": (put("SPM", 11, "Q^Control^HL70369"), "SPM-11 is not a patient's specimen"),
}  # fmt: skip

ORDERED, CONTROL = golden("oul_ordered.hl7"), golden("oul_control.hl7")
SINGLE, POINT_OF_CARE = golden("single_orders.hl7"), golden("r30_collected.hl7")
SPM = b"SPM|1|U-4711||UR^Urine^HL70487|||||||P^Patient^HL70369\r"
MATERIAL = b"INV|CM-2^CM-2^L|OK^OK Status^HL70383|CO^Control^HL70384\r"

# (what is broken, in which sound message of which format, the one fault that must be found)
BROKEN_STRUCTURES: dict[str, tuple[Format, bytes, Change, str]] = {
    "R30 with a specimen": (
        Format.ORU_R30, POINT_OF_CARE, lambda payload: payload + SPM,
        "the segments are MSH PID ORC OBR NTE NTE TQ1 OBX OBX OBX NTE SPM",
    ),
    "R30 with two orders": (
        Format.ORU_R30, POINT_OF_CARE, swap(b"OBX|2|", b"ORC|NW\rOBR|2\rOBX|2|"),
        "the segments are MSH PID ORC OBR NTE NTE TQ1 OBX ORC OBR OBX OBX NTE",
    ),
    "R30 of another event": (Format.ORU_R30, POINT_OF_CARE, put("MSH", 9, "ORU^R31^ORU_R30"), "MSH-9 is 'ORU^R31^ORU_R30'"),
    "R30 whose order is there already": (Format.ORU_R30, POINT_OF_CARE, put("ORC", 1, "RE"), "ORC-1 is 'RE'"),
    "R30 whose last number lacks its text": (
        Format.ORU_R30, POINT_OF_CARE, swap(b"NTE|1|L|As printed by the analyzer: >=1.035\r", b""),
        "OBX 3: no NTE after it holds the text as printed",
    ),
    "R01 with a lot": (
        Format.ORU_R01, SINGLE, swap(b"SPM|1|", b"SID||L55\rSPM|1|"),
        "the segments are MSH PID ORC OBR NTE NTE TQ1 OBX SID SPM ORC OBR NTE NTE TQ1 OBX NTE SPM ORC OBR NTE NTE TQ1 OBX NTE SPM",
    ),
    "two orders of one number": (
        Format.ORU_R01, SINGLE,
        both(put("ORC", 3, "TESTAR42-nitrite^PADPOST", at=1), put("OBR", 3, "TESTAR42-nitrite^PADPOST", at=1)),
        "two OBR have the same OBR-3",
    ),
    "a second order whose numbers differ": (
        Format.ORU_R01, SINGLE, put("ORC", 2, "ORD-8", at=1), "order 2: ORC-2 and ORC-3 differ from OBR-2 and OBR-3"
    ),
    "a second order without a time": (Format.ORU_R01, SINGLE, put("OBR", 22, "", at=1), "order 2: OBR-22 '' is not a time with offset"),
    "a correction in one order alone": (Format.ORU_R01, SINGLE, put("OBX", 11, "C", at=1), "OBX 2: OBX-11 is 'C' where OBR-25 is 'F'"),
    "orders that do not count on": (Format.ORU_R01, SINGLE, put("OBR", 1, "1", at=1), "OBR-1 is '1', not 2"),
    "values that count on": (Format.ORU_R01, SINGLE, put("OBX", 1, "2", at=1), "OBX-1 is '2', not 1"),
    "an order whose orderer is said once": (Format.ORU_R01, SINGLE, put("OBR", 16, "4711", at=2), "order 3: ORC-12 differs from OBR-16"),
    "a birth date in words": (Format.OUL_R22, ORDERED, put("PID", 7, "July"), "PID-7 'July' is not a day"),
    "a birth date that no calendar has": (Format.OUL_R22, ORDERED, put("PID", 7, "19610732"), "PID-7 '19610732' is not a day"),
    "a sex of another table": (Format.OUL_R22, ORDERED, put("PID", 8, "female"), "PID-8 'female' is not in table 0001"),
    "ORC before OBR in OUL": (
        Format.OUL_R22, ORDERED, both(swap(b"\rOBR|", b"\rORX|"), swap(b"\rORC|", b"\rOBR|"), swap(b"\rORX|", b"\rORC|")),
        "the segments are MSH PID SPM ORC OBR NTE NTE TQ1 OBX SID OBX SID OBX SID NTE",
    ),
    "material in a patient's message": (
        Format.OUL_R22, ORDERED, swap(b"OBR|", b"SAC|||U-4711\r" + MATERIAL + b"OBR|"),
        "the segments are MSH PID SPM SAC INV OBR ORC NTE NTE TQ1 OBX SID OBX SID OBX SID NTE",
    ),
    "a control under a patient": (
        Format.OUL_R22, ORDERED, put("SPM", 11, "Q^Control specimen^HL70369"), "SPM-11 is not a patient's specimen"
    ),
    "a patient's specimen without a patient": (
        Format.OUL_R22, CONTROL, both(put("SPM", 11, "P^Patient^HL70369"), swap(MATERIAL, b"")),
        "SPM-11 is 'P' in a message of no patient",
    ),
    "no container": (
        Format.OUL_R22, CONTROL, swap(b"SAC|||CM-2\r", b""), "the segments are MSH SPM INV OBR ORC OBX SID OBX SID"
    ),
    "material before its container": (
        Format.OUL_R22, CONTROL, swap(b"SAC|||CM-2\r" + MATERIAL, MATERIAL + b"SAC|||CM-2\r"),
        "the segments are MSH SPM INV SAC OBR ORC OBX SID OBX SID",
    ),
    "a container without a number": (Format.OUL_R22, CONTROL, put("SAC", 3, ""), "SAC-3 is empty"),
    "material of no control": (
        Format.OUL_R22, CONTROL, put("SPM", 11, "F^Filler organization proficiency^HL70369"),
        "INV tells of control material, and SPM-11 is not Q",
    ),
    "material without a name": (Format.OUL_R22, CONTROL, put("INV", 1, "^"), "INV-1 is empty"),
    "material of an unknown status": (Format.OUL_R22, CONTROL, put("INV", 2, "GOOD"), "INV-2 'GOOD' is not in table 0383"),
    "material of another kind": (Format.OUL_R22, CONTROL, put("INV", 3, "DI^Diluent^HL70384"), "INV-3 is 'DI^Diluent^HL70384'"),
}  # fmt: skip


@pytest.mark.parametrize("what", BROKEN_STRUCTURES)
def test_a_structure_that_breaks_one_rule_has_that_fault_alone(what: str) -> None:
    """As below, for what the other structures and single orders add."""
    fmt, sound, change, fault = BROKEN_STRUCTURES[what]
    assert list(hl7_faults(fmt, sound)) == []
    assert list(hl7_faults(fmt, change(sound))) == [fault]


def test_a_message_of_one_format_is_none_of_another() -> None:
    """Each golden message passes its own rules and no other's, but for the plain result under the US guide's name for it."""
    given = {
        Format.ORU_R01: SOUND,
        Format.ORU_R01_US: golden("us_ordered.hl7"),
        Format.ORU_R30: POINT_OF_CARE,
        Format.OUL_R22: ORDERED,
    }
    passes = {(of, fmt) for of, payload in given.items() for fmt in given if not list(hl7_faults(fmt, payload))}
    assert passes == {(fmt, fmt) for fmt in given}


# Those of the wire reference, section 0, that "no library tried checks".
UNCHECKED = (
    "OBR-7 empty without a note", "OBR-22 empty beside OBR-25", "OBR-25 empty", "OBX-2 empty", "SN with an unknown comparator",
    "OBX-14 is analysis time", "OBX-3 check digit", "CWE answer check digit", "grade under a [Mass/volume] code",
    "number without a unit", "coded value with units", "filler numbers differ", "OBX-1 skips", "correction in OBX alone", "OBX-3 twice",
    "number without its printed text", "SPM-11 is a control", "MSH-15 without MSH-16", "NM with two components",
)  # fmt: skip


@pytest.mark.parametrize("name", ["normal.hl7", "abnormal_stat.hl7", "corrected_latin1.hl7"])
def test_a_sound_message_has_no_fault(name: str) -> None:
    """No false alarm: a rule that cries wolf would shut a destination."""
    assert list(hl7_faults(Format.ORU_R01, golden(name))) == []


@pytest.mark.parametrize("name", ["text_grades.hl7", "local_grades.hl7", "snomed_grades.hl7"])
def test_a_grade_in_another_form_has_no_fault(name: str) -> None:
    """Each form that a destination may choose is sound, and so is the sound message with its first grade as text."""
    assert list(hl7_faults(Format.ORU_R01, golden(name))) == []
    assert list(hl7_faults(Format.ORU_R01, text_value("2+")(SOUND))) == []


@pytest.mark.parametrize("what", BROKEN)
def test_a_message_that_breaks_one_rule_has_that_fault_alone(what: str) -> None:
    """The rule finds it, says where, and no other rule is set off."""
    change, fault = BROKEN[what]
    broken = change(SOUND)
    assert broken != SOUND
    assert list(hl7_faults(Format.ORU_R01, broken)) == [fault]


@pytest.mark.parametrize("what", UNCHECKED)
def test_hl7apy_does_not_find_these(what: str) -> None:
    """Why the rule is ours. If a newer hl7apy finds it, this test says so, and the rule may go."""
    assert oracle_faults(Format.ORU_R01, BROKEN[what][0](SOUND)) == ()


def test_an_empty_observation_time_is_right_where_a_note_says_so() -> None:
    """OBR-7 is required in a report message; ours stays empty only beside the note that explains it (option ``observed_at: empty``)."""
    noted = both(put("OBR", 7, ""), put("NTE", 3, "Collection time is not known and is left empty."))
    assert list(hl7_faults(Format.ORU_R01, noted(SOUND))) == []


@pytest.mark.parametrize("payload", [b"", b"\r", b"MSH", b"hello", b"MSH|^~\\&|\r", bytes(range(256)), SOUND[20:]])
def test_anything_else_is_a_fault_and_never_an_error(payload: bytes) -> None:
    """The rules judge whatever they are given."""
    assert len(list(hl7_faults(Format.ORU_R01, payload))) >= 1


@pytest.mark.parametrize("cut", range(0, len(SOUND), 7))
def test_a_message_cut_short_is_a_fault(cut: int) -> None:
    """Every shorter message lacks at least its last segment or its carriage return."""
    assert len(list(hl7_faults(Format.ORU_R01, SOUND[:cut]))) >= 1
