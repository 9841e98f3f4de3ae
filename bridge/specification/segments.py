"""The segments and fields of our ORU^R01, each with what a receiver must know of it.

Data types and tables are those of HL7 2.5.1; a test compares them with PyPI hl7apy 1.3.5. Use: R always sent, RE sent
where there is a value, C under the condition named, X not sent today. The length is the longest that Padpost writes.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from bridge.render.wording import PRINTED
from bridge.specification.messages import Shown
from bridge.specification.types import FieldRow
from bridge.tables.types import DestinationTerms
from bridge.wire.er7 import codec

STRUCTURE = "MSH PID ORC OBR [{NTE}] [TQ1] {OBX [{NTE}]} SPM"  # the part of ORU_R01 of 2.5.1 that we send
OPEN = "no limit of ours"
NO_TABLE = "none"
STAMP = "19"  # YYYYMMDDHHMMSS+ZZZZ
SEEN = "none: no sample here has a value"
UNSET = "none: not set for this destination"
NOT_TODAY = "none: not sent today"

# field, name, data type, use, length, HL7 table, meaning, what to say where no sample has a value
ROWS: tuple[tuple[str, str, str, str, str, str, str, str], ...] = (
    ("MSH-1", "Field separator", "ST", "R", "1", NO_TABLE, "Always |.", SEEN),
    ("MSH-2", "Encoding characters", "ST", "R", "4", NO_TABLE, "Always ^~\\&.", SEEN),
    ("MSH-3", "Sending application", "HD", "RE", OPEN, "0361", "As agreed: sending_application.", UNSET),
    ("MSH-4", "Sending facility", "HD", "RE", OPEN, "0362", "As agreed: sending_facility.", UNSET),
    ("MSH-5", "Receiving application", "HD", "RE", OPEN, "0361", "As agreed: receiving_application.", UNSET),
    ("MSH-6", "Receiving facility", "HD", "RE", OPEN, "0362", "As agreed: receiving_facility.", UNSET),
    ("MSH-7", "Date/time of message", "TS", "R", STAMP, NO_TABLE, "When the message was made; it stays the same on every try.", SEEN),
    ("MSH-9", "Message type", "MSG", "R", "15", NO_TABLE, "Always ORU^R01^ORU_R01.", SEEN),
    ("MSH-10", "Message control ID", "ST", "R", "20", NO_TABLE, "Capital letters and digits; the same on every try of the same message. MSA-2 must return it.", SEEN),
    ("MSH-11", "Processing ID", "PT", "R", "1", NO_TABLE, "P, T or D of table 0103, as set for this destination.", SEEN),
    ("MSH-12", "Version ID", "VID", "R", "5", NO_TABLE, "Always 2.5.1.", SEEN),
    ("MSH-18", "Character set", "ID", "R", "13", "0211", "The character set of the whole message.", SEEN),
    ("PID-1", "Set ID", "SI", "R", "1", NO_TABLE, "Always 1.", SEEN),
    ("PID-3", "Patient identifier list", "CX", "R", OPEN, NO_TABLE, "One identifier: .1 the ID, .4 its authority, .5 its type of table 0203. No other identifier is sent.", SEEN),
    ("PID-5", "Patient name", "XPN", "R", OPEN, NO_TABLE, "As the analyzer printed it, in .1, with name type U (unspecified, table 0200) in .7; .1 is empty where none was printed. Not for matching.", SEEN),
    ("ORC-1", "Order control", "ID", "R", "2", "0119", "Always RE: results to follow.", SEEN),
    ("ORC-3", "Filler order number", "EI", "R", OPEN, NO_TABLE, "The same as OBR-3.", SEEN),
    ("OBR-1", "Set ID", "SI", "R", "1", NO_TABLE, "Always 1.", SEEN),
    ("OBR-3", "Filler order number", "EI", "R", OPEN, NO_TABLE, ".1 the result's own number, at most 20 capital letters and digits, never used twice; .2 the sending application.", SEEN),
    ("OBR-4", "Universal service identifier", "CE", "R", OPEN, NO_TABLE, "The LOINC panel code.", SEEN),
    ("OBR-7", "Observation date/time", "TS", "RE", STAMP, NO_TABLE, "Collection time if it is known; else the analysis time or nothing, as set for this destination, and an NTE says which.", "none: left empty as set for this destination"),
    ("OBR-22", "Results report/status change", "TS", "R", STAMP, NO_TABLE, "When the message was made.", SEEN),
    ("OBR-25", "Result status", "ID", "R", "1", "0123", "F today.", SEEN),
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
    ("OBX-7", "References range", "ST", "RE", OPEN, NO_TABLE, "The reference expectation, in the value's own unit.", SEEN),
    ("OBX-8", "Abnormal flags", "IS", "R", "1", "0078", "N, A, H or L; AA, HH or LL on the pads of a critical rule that the laboratory has switched on and that is met: a note then names the rule.", SEEN),
    ("OBX-11", "Observation result status", "ID", "R", "1", "0085", "F today.", SEEN),
    ("OBX-14", "Date/time of the observation", "TS", "X", STAMP, NO_TABLE, "Collection time. No analyzer tells it today, so it is empty.", NOT_TODAY),
    ("OBX-16", "Responsible observer", "XCN", "RE", OPEN, NO_TABLE, "The operator's number as printed, in .1.", SEEN),
    ("OBX-17", "Observation method", "CE", "C", OPEN, NO_TABLE, "Condition: LOINC has no code of an automated strip for this pad; says in words which kind of code it is.", "none: every code here is one of an automated strip"),
    ("OBX-18", "Equipment instance identifier", "EI", "R", OPEN, NO_TABLE, "The analyzer's name, in .1.", SEEN),
    ("OBX-19", "Date/time of the analysis", "TS", "R", STAMP, NO_TABLE, "When the analyzer read the strip, by its own clock.", SEEN),
    ("SPM-1", "Set ID", "SI", "R", "1", NO_TABLE, "Always 1.", SEEN),
    ("SPM-2", "Specimen ID", "EIP", "RE", OPEN, NO_TABLE, "The specimen's number as printed, in .1.", SEEN),
    ("SPM-4", "Specimen type", "CWE", "R", "17", "0487", "Always UR: urine.", SEEN),
    ("SPM-11", "Specimen role", "CWE", "R", "18", "0369", "Always P: a patient's specimen.", SEEN),
    ("SPM-17", "Specimen collection date/time", "DR", "X", STAMP, NO_TABLE, "As OBX-14.", NOT_TODAY),
)  # fmt: skip


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
        for place, name, kind, use, length, table, meaning, none in ROWS
    )


def _values(text: str) -> Iterator[tuple[str, str]]:
    """Give (place, value) of every field that has a value."""
    for line in text.split("\r"):
        name, *fields = line.split("|")
        if name == "MSH":
            fields.insert(0, "|")
        yield from ((f"{name}-{number}", value) for number, value in enumerate(fields, 1) if value)
