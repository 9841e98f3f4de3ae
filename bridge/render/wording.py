"""The fixed sentences that messages carry, so that a receiver's reader knows what a value is not."""

from __future__ import annotations

from datetime import datetime

from bridge.model import CodedResult, Flag, Grade

ANALYSIS_TIME_NOTE = "Collection time is not known; the time given is that of the analysis."
NO_TIME_NOTE = "Collection time is not known and is left empty."
PRINTED = "As printed by the analyzer: "
SPECIMEN = "Specimen number as printed: "  # where a structure has no specimen segment
OWN_SPECIMEN_NOTE = "No specimen number was printed; the one in SPM-2 is the result's own."
UNNAMED_MATERIAL = "Control material, no number printed"
# Where the catalogue has no code of an automated strip method (PRODUCT section 6: "marked").
METHODS = {
    "strip": "Test strip read by an analyzer; the code is the one for a strip",
    "none": "Test strip read by an analyzer; the code names no method",
}
# Displays of CodeSystem v3-ObservationInterpretation (FHIR R4 core package 4.0.1).
FLAGS = {
    Flag.NORMAL: "Normal",
    Flag.ABNORMAL: "Abnormal",
    Flag.HIGH: "High",
    Flag.LOW: "Low",
    Flag.CRITICAL: "Critical abnormal",
    Flag.CRITICAL_HIGH: "Critical high",
    Flag.CRITICAL_LOW: "Critical low",
}
# Grades of a [Presence] code that say that something was found or not, as FHIR's interpretation has it: POS is "a presence finding ...
# based on the established threshold of the performed test", NEG its contrary (v3-ObservationInterpretation, R4). Trace and normal are neither.
FOUND = {
    Grade.NEGATIVE: ("NEG", "Negative"),
    **dict.fromkeys((Grade.PLUS_1, Grade.PLUS_2, Grade.PLUS_3, Grade.PLUS_4, Grade.POSITIVE), ("POS", "Positive")),
}


def observed(result: CodedResult, observed_at: str) -> tuple[datetime | None, tuple[str, ...]]:
    """Give the clinically relevant time and the notes that explain it.

    ``observed_at`` is the destination's option: ``analysis`` or ``empty``. A known collection time needs no note.
    """
    if result.collected_at is not None:
        return result.collected_at, ()
    if observed_at == "analysis":
        return result.analyzed_at, (ANALYSIS_TIME_NOTE,)
    return None, (NO_TIME_NOTE,)
