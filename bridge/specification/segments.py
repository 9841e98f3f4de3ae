"""The segments and fields of our HL7 messages, each with what a receiver must know of it, for one destination's format and options.

Data types and tables are those of HL7 2.5.1; a test compares them with PyPI hl7apy 1.3.5. Use: R always sent, RE sent
where there is a value, C under the condition named, X not sent today. The length is the longest that Padpost writes.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence

from bridge.model import Format
from bridge.render.segments import KINDS
from bridge.render.wording import PRINTED, SPECIMEN
from bridge.specification.messages import Shown
from bridge.specification.types import FieldRow
from bridge.tables.types import DestinationTerms, Laboratory, Orders
from bridge.wire.er7 import codec

OPEN = "no limit of ours"
NO_TABLE = "none"
STAMP = "19"  # YYYYMMDDHHMMSS+ZZZZ
TAKEN_BACK = {"W": "posted in error", "D": "posted in error, to be deleted"}
SEEN = "none: no sample here has a value"
UNSET = "none: not set for this destination"
NOT_TODAY = "none: not sent today"

NO_PATIENT = "Condition: control or comparison strip."
A_PATIENT = "Condition: a patient's strip. The whole segment is absent else."

# field, name, data type, use, length, HL7 table, meaning, what to say where no sample has a value
ROWS: tuple[tuple[str, str, str, str, str, str, str, str], ...] = (
    ("MSH-1", "Field separator", "ST", "R", "1", NO_TABLE, "Always |.", SEEN),
    ("MSH-2", "Encoding characters", "ST", "R", "4", NO_TABLE, "Always ^~\\&.", SEEN),
    ("MSH-3", "Sending application", "HD", "RE", OPEN, "0361", "As agreed: sending_application.", UNSET),
    ("MSH-4", "Sending facility", "HD", "RE", OPEN, "0362", "As agreed: sending_facility.", UNSET),
    ("MSH-5", "Receiving application", "HD", "RE", OPEN, "0361", "As agreed: receiving_application.", UNSET),
    ("MSH-6", "Receiving facility", "HD", "RE", OPEN, "0362", "As agreed: receiving_facility.", UNSET),
    ("MSH-7", "Date/time of message", "TS", "R", STAMP, NO_TABLE, "When the message was made; it stays the same on every try.", SEEN),
    ("MSH-9", "Message type", "MSG", "R", "15", NO_TABLE, "Always the same.", SEEN),
    ("MSH-10", "Message control ID", "ST", "R", "20", NO_TABLE, "Capital letters and digits; the same on every try of the same message. MSA-2 must return it.", SEEN),
    ("MSH-11", "Processing ID", "PT", "R", "1", NO_TABLE, "P, T or D of table 0103, as set for this destination.", SEEN),
    ("MSH-12", "Version ID", "VID", "R", "5", NO_TABLE, "Always 2.5.1.", SEEN),
    ("MSH-15", "Accept acknowledgment type", "ID", "R", "2", "0155", "Always NE: no answer of the transport.", SEEN),
    ("MSH-16", "Application acknowledgment type", "ID", "R", "2", "0155", "Always AL: the application answers every message.", SEEN),
    ("MSH-18", "Character set", "ID", "R", "13", "0211", "The character set of the whole message.", SEEN),
    ("MSH-21", "Message profile identifier", "EI", "R", OPEN, NO_TABLE, "As agreed: message_profile. Padpost itself claims no profile.", SEEN),
    ("PID-1", "Set ID", "SI", "R", "1", NO_TABLE, "Always 1.", SEEN),
    ("PID-3", "Patient identifier list", "CX", "R", OPEN, NO_TABLE, "One identifier: .1 the ID, .4 its authority, .5 its type of table 0203. No other identifier is sent.", SEEN),
    ("PID-5", "Patient name", "XPN", "R", OPEN, NO_TABLE, "As the analyzer printed it, in .1, with name type U (unspecified, table 0200) in .7; .1 is empty where none was printed. Not for matching.", SEEN),
    ("PID-7", "Date/time of birth", "TS", "RE", "8", NO_TABLE, "To the day, where the analyzer tells it.", SEEN),
    ("PID-8", "Administrative sex", "IS", "RE", "1", "0001", "F, M or O, where the analyzer tells it.", SEEN),
    ("SAC-3", "Container identifier", "EI", "C", OPEN, NO_TABLE, f"{NO_PATIENT} The material's number as printed; else the result's own, .2 the sending application.", SEEN),
    ("INV-1", "Substance identifier", "CE", "C", OPEN, "0451", "Condition: control material. Its number as printed, as a local code; else words in .2.", SEEN),
    ("INV-2", "Substance status", "CE", "C", "21", "0383", "As INV-1. Always OK: the analyzer told no error of the material. Padpost judges no control.", SEEN),
    ("INV-3", "Substance type", "CE", "C", "18", "0384", "As INV-1. Always CO: control.", SEEN),
    ("ORC-1", "Order control", "ID", "R", "2", "0119", "Always RE: results to follow.", SEEN),
    ("ORC-2", "Placer order number", "EI", "RE", OPEN, NO_TABLE, "The same as OBR-2.", SEEN),
    ("ORC-3", "Filler order number", "EI", "R", OPEN, NO_TABLE, "The same as OBR-3.", SEEN),
    ("ORC-12", "Ordering provider", "XCN", "R", OPEN, NO_TABLE, "As set: .1 number, .2 family name, .3 given name, .9 who assigned the number. No analyzer tells who ordered.", SEEN),
    ("OBR-1", "Set ID", "SI", "R", "4", NO_TABLE, "Always 1.", SEEN),
    ("OBR-2", "Placer order number", "EI", "RE", OPEN, NO_TABLE, "The order number as the strip bears it, .2 as set: order_authority.", SEEN),
    ("OBR-3", "Filler order number", "EI", "R", OPEN, NO_TABLE, ".1 the result's own number, at most 20 capital letters and digits, never used twice; .2 the sending application.", SEEN),
    ("OBR-4", "Universal service identifier", "CE", "R", OPEN, NO_TABLE, "The LOINC panel code.", SEEN),
    ("OBR-7", "Observation date/time", "TS", "RE", STAMP, NO_TABLE, "Collection time if it is known; else the analysis time or nothing, as set for this destination, and an NTE says which.", "none: left empty as set for this destination"),
    ("OBR-16", "Ordering provider", "XCN", "R", OPEN, NO_TABLE, "The same as ORC-12.", SEEN),
    ("OBR-22", "Results report/status change", "TS", "R", STAMP, NO_TABLE, "When the message was made.", SEEN),
    ("OBR-25", "Result status", "ID", "R", "1", "0123", "F; C of a corrected report, also of one whose values are withdrawn.", SEEN),
    ("NTE-1", "Set ID", "SI", "R", "4", NO_TABLE, "Counts from 1 within the segment that the notes follow.", SEEN),
    ("NTE-2", "Source of comment", "ID", "R", "1", "0105", "Always L: filler.", SEEN),
    ("NTE-3", "Comment", "FT", "R", OPEN, NO_TABLE, f"After OBR: what the times mean, and comments from the analyzer. After OBX: '{PRINTED.strip()}' and the text of a number, or of a grade sent as text, as it was printed.", SEEN),
    ("TQ1-1", "Set ID", "SI", "C", "1", NO_TABLE, "Condition: the strip was run as urgent. The whole segment is absent else.", SEEN),
    ("TQ1-9", "Priority", "CWE", "C", "15", "0485", "Condition: as TQ1-1. Always S: STAT.", SEEN),
    ("OBX-1", "Set ID", "SI", "R", "4", NO_TABLE, "Counts from 1.", SEEN),
    ("OBX-2", "Value type", "ID", "R", "3", "0125", "CWE for a grade (ST where this destination takes grades as text), NM for a number, SN for a number with a comparator.", SEEN),
    ("OBX-3", "Observation identifier", "CE", "R", OPEN, NO_TABLE, "LOINC first; the local code as second triplet where set for this destination.", SEEN),
    ("OBX-5", "Observation value", "varies", "R", OPEN, NO_TABLE, "See the value formats. A coded grade has the text as printed in CWE.9.", SEEN),
    ("OBX-6", "Units", "CE", "C", OPEN, NO_TABLE, "Condition: OBX-2 is NM or SN. UCUM.", SEEN),
    ("OBX-7", "References range", "ST", "RE", OPEN, NO_TABLE, "The reference expectation, in the value's own unit; a bound alone as <=high, or <high where it is not in the range.", SEEN),
    ("OBX-8", "Abnormal flags", "IS", "R", "1", "0078", "N, A, H or L; AA, HH or LL on the pads of a critical rule that the laboratory has switched on and that is met: a note then names the rule.", SEEN),
    ("OBX-11", "Observation result status", "ID", "R", "1", "0085", "", SEEN),
    ("OBX-14", "Date/time of the observation", "TS", "X", STAMP, NO_TABLE, "Collection time. No analyzer tells it today, so it is empty.", NOT_TODAY),
    ("OBX-16", "Responsible observer", "XCN", "RE", OPEN, NO_TABLE, "The operator's number as printed, in .1.", SEEN),
    ("OBX-17", "Observation method", "CE", "C", OPEN, NO_TABLE, "Condition: the code does not say how the value was come by. Says in words which kind of code it is, or that Padpost computed a ratio.", "none: every code here is one of an automated strip"),
    ("OBX-18", "Equipment instance identifier", "EI", "R", OPEN, NO_TABLE, "The analyzer's name, in .1.", SEEN),
    ("OBX-19", "Date/time of the analysis", "TS", "R", STAMP, NO_TABLE, "When the analyzer read the strip, by its own clock.", SEEN),
    ("OBX-23", "Performing organization name", "XON", "R", OPEN, NO_TABLE, "As set: .1 name; .6 who numbered it, .7 XX of table 0203 and .10 number, where there is one.", SEEN),
    ("OBX-24", "Performing organization address", "XAD", "R", OPEN, NO_TABLE, "As set: .1 street, .3 city, .4 state, .5 postal code, .6 country (table 0399).", SEEN),
    ("OBX-25", "Performing organization medical director", "XCN", "R", OPEN, NO_TABLE, "As set, the whole name in .2.", SEEN),
    ("SID-2", "Substance lot number", "ST", "RE", OPEN, NO_TABLE, "The strip's lot as printed. The segment stands between OBX and its NTE, and is absent where no lot was printed.", SEEN),
    ("SPM-1", "Set ID", "SI", "R", "1", NO_TABLE, "Always 1.", SEEN),
    ("SPM-2", "Specimen ID", "EIP", "RE", OPEN, NO_TABLE, "The specimen's number as printed, in .1.", SEEN),
    ("SPM-4", "Specimen type", "CWE", "R", "17", "0487", "UR: urine; URC or URT where a technician said how it was collected, and this destination takes that.", SEEN),
    ("SPM-11", "Specimen role", "CWE", "R", "41", "0369", "Always P: a patient's specimen.", SEEN),
    ("SPM-17", "Specimen collection date/time", "DR", "X", STAMP, NO_TABLE, "As OBX-14.", NOT_TODAY),
)  # fmt: skip


# OBX-29 is none of the fields of 2.5.1, whose tables the rows above are compared with.
PRE_ADOPTED = (
    "OBX-29", "Observation type", "ID", "R", "4", "0936", "Always RSLT: a result. Pre-adopted from 2.8, as the US guide has it.", SEEN,
)  # fmt: skip

# what a format says differently: field -> use and meaning
SAID: Mapping[Format, Mapping[str, tuple[str, str]]] = {
    Format.ORU_R01: {},
    Format.ORU_R01_US: {
        "PID-8": ("R", "F, M or O, where the analyzer tells it; else U: unknown."),
        "SPM-2": ("R", "The specimen's number as printed, in .1; else the result's own number, in .2, and an NTE after OBR says so."),
    },
    Format.ORU_R30: {
        "ORC-1": ("R", "Always NW: the receiver creates the order."),
        "NTE-3": ("R", f"After OBR: what the times mean, comments from the analyzer, and '{SPECIMEN.strip()}' with the specimen's number: ORU_R30 has no SPM. After OBX: '{PRINTED.strip()}' and the text of a number, or of a grade sent as text."),
        "OBR-2": ("RE", "The order number as the strip bears it, .2 as set: order_authority. The receiver should look for that order first."),
    },
    Format.OUL_R22: {},
}  # fmt: skip
CONTROLS_SAID: Mapping[str, tuple[str, str]] = {
    "PID-1": ("C", f"{A_PATIENT} Always 1."),
    "PID-3": ("C", "As PID-1. One identifier: .1 the ID, .4 its authority, .5 its type of table 0203. No other identifier is sent."),
    "PID-5": ("C", "As PID-1. As the analyzer printed it, in .1, with name type U (unspecified, table 0200) in .7; .1 is empty where none was printed. Not for matching."),
    "NTE-1": ("C", "Condition: there is a note. Counts from 1 within the segment that the notes follow."),
    "NTE-2": ("C", "As NTE-1. Always L: filler."),
    "NTE-3": ("C", f"As NTE-1. After OBR: what the times mean, and comments from the analyzer. After OBX: '{PRINTED.strip()}' and the text of a number, or of a grade sent as text, as it was printed."),
    "ORC-12": ("C", "Condition: a patient's strip. As set: .1 number, .2 family name, .3 given name, .9 who assigned the number."),
    "OBR-16": ("C", "The same as ORC-12."),
    "SPM-11": ("R", "P: a patient's specimen; Q: control; R: replicate, a comparison strip."),
}  # fmt: skip
SINGLE_SAID: Mapping[str, tuple[str, str]] = {
    "OBR-1": ("R", "Counts from 1: each pad is an order."),
    "OBR-3": ("R", ".1 the result's own number, a hyphen and the pad's key: never used twice, the same on every version; .2 the sending application."),
    "OBR-4": ("R", "The pad's own code, the same as OBX-3."),
    "OBX-1": ("R", "Always 1: one pad below each OBR."),
}  # fmt: skip


def structure(terms: DestinationTerms) -> str:
    """Give the part of the format's 2.5.1 structure that we send, in HL7's brackets."""
    several = terms.orders is Orders.SINGLE
    begin, end = ("{", "}") if several else ("", "")
    value = "OBX [{NTE}]" if several else "{OBX [{NTE}]}"
    match terms.format:
        case Format.OUL_R22:
            head = "MSH [PID] SPM [SAC [INV]]" if terms.non_patient else "MSH PID SPM"
            return f"{head} {begin}OBR ORC [{{NTE}}] [TQ1] {value.replace('OBX', 'OBX [SID]')}{end}"
        case Format.ORU_R30:
            return f"MSH PID ORC OBR [{{NTE}}] [TQ1] {value}"
        case _:
            return f"MSH PID {begin}ORC OBR [{{NTE}}] [TQ1] {value} SPM{end}"


def rows_of(terms: DestinationTerms) -> tuple[tuple[str, str, str, str, str, str, str, str], ...]:
    """Give the rows of the fields that this destination can be sent, in the order of its segments."""
    controls = terms.format is Format.OUL_R22 and terms.non_patient
    said = {
        **SAID[terms.format],
        **(CONTROLS_SAID if controls else {}),
        **(SINGLE_SAID if terms.orders is Orders.SINGLE else {}),
        "MSH-9": ("R", f"Always {KINDS[terms.format]}."),
        "OBX-11": ("R", f"F; C corrected; {terms.withdrawal} {TAKEN_BACK[terms.withdrawal]}."),
    }
    order = structure(terms).translate(str.maketrans("", "", "[]{}")).split()
    absent = _absent(terms)
    rows = [
        (place, name, kind, said.get(place, (use,))[0], length, table, said.get(place, (use, meaning))[1], none)
        for place, name, kind, use, length, table, meaning, none in (*ROWS, PRE_ADOPTED)
        if place not in absent and place.partition("-")[0] in order
    ]
    return tuple(sorted(rows, key=lambda row: order.index(row[0].partition("-")[0])))


def _absent(terms: DestinationTerms) -> set[str]:
    """Give the fields that this destination's options leave out."""
    is_us = terms.format is Format.ORU_R01_US
    lab = terms.laboratory or Laboratory(
        name="", number="", authority="", street="", city="", state="", postal_code="", country="", director=""
    )
    address = f"{lab.street}{lab.city}{lab.state}{lab.postal_code}{lab.country}"
    kept = {
        ("MSH-15", "MSH-16", "OBX-29"): is_us,
        ("MSH-21",): bool(terms.message_profile),
        ("ORC-12", "OBR-16"): terms.provider is not None,
        ("OBX-16",): terms.operator,
        ("OBX-18",): terms.equipment,
        ("OBX-23",): bool(lab.name),
        ("OBX-24",): bool(address),
        ("OBX-25",): bool(lab.director),
    }
    return {place for places, keep in kept.items() if not keep for place in places}


def segment_rows(shown: Sequence[Shown], terms: DestinationTerms) -> tuple[FieldRow, ...]:
    """Give the table, each field with the first value that a sample has."""
    found: dict[str, str] = {}
    for each in shown:
        for place, value in _values(each.payload.decode(codec(terms.charset))):
            found.setdefault(place, value)
    return tuple(
        FieldRow(
            place=place,
            name=name,
            type=kind,
            use=use,
            length=length,
            table=table,
            meaning=meaning,
            example=found.get(place, none),
            in_sample=place in found,
        )
        for place, name, kind, use, length, table, meaning, none in rows_of(terms)
    )


def _values(text: str) -> Iterator[tuple[str, str]]:
    """Give (place, value) of every field that has a value."""
    for line in text.split("\r"):
        name, *fields = line.split("|")
        if name == "MSH":
            fields.insert(0, "|")
        yield from ((f"{name}-{number}", value) for number, value in enumerate(fields, 1) if value)
