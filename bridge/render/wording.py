"""The fixed sentences that messages carry, so that a receiver's reader knows what a value is not."""

from __future__ import annotations

from datetime import datetime

from bridge.added import Addable, listed
from bridge.model import CodedPad, CodedResult, Flag, Grade, Property, ReadBy, ValueForm

ANALYSIS_TIME_NOTE = "Collection time is not known; the time given is that of the analysis."
NO_TIME_NOTE = "Collection time is not known and is left empty."
PRINTED = "As printed by the analyzer: "
WRITTEN = "As written for the strip read by eye: "
COMPUTED = "Computed by Padpost from the numbers that the strip's scales declare for: "
PREFACES = (PRINTED, WRITTEN, COMPUTED)  # one of them stands before the text that a value was understood from
SPECIMEN = "Specimen number as printed: "  # where a structure has no specimen segment
OWN_SPECIMEN_NOTE = "No specimen number was printed; the one in SPM-2 is the result's own."
UNNAMED_MATERIAL = "Control material, no number printed"
# Where the code does not say how the strip was read: no code of an automated strip method (PRODUCT section 6: "marked"), or none of a strip.
METHODS = {
    "strip": "Test strip read by an analyzer; the code is the one for a strip",
    "none": "Test strip read by an analyzer; the code names no method",
}
METHOD_FREE_BY_EYE = "Test strip read by eye; the code names no method"
# A colour or a clarity is seen, not read off a pad, and its LOINC codes have no method.
SEEN = {
    ReadBy.ANALYZER: "Seen by the analyzer or by eye; the code names no method",
    ReadBy.EYE: "Seen by eye; the code names no method",
}
# A ratio that no analyzer printed.
RATIOS = {
    "strip": "Computed by Padpost from two pads of one test strip",
    "none": "Computed by Padpost from two pads of one test strip; the code names no method",
}
DEVICES = {ReadBy.ANALYZER: "Urine strip analyzer", ReadBy.EYE: "Urine strips read by eye"}
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


def method(pad: CodedPad, form: ValueForm) -> str:
    """Give what a message says of how the value was come by, where its code does not say so; empty where it does."""
    if pad.computed_from:
        return RATIOS.get(form.method, RATIOS["strip"])
    if form.prop is Property.TYPE and form.method == "none":
        return SEEN[pad.read_by]
    if pad.read_by is ReadBy.EYE:
        return METHOD_FREE_BY_EYE if form.method == "none" else ""
    return METHODS.get(form.method, "")


def preface(pad: CodedPad) -> str:
    """Give what stands before the text that the value was understood or computed from."""
    if pad.computed_from:
        return COMPUTED
    return WRITTEN if pad.read_by is ReadBy.EYE else PRINTED


def added(result: CodedResult) -> tuple[str, ...]:
    """Give what a report says of what was added to the strip: what, and by whom."""
    by_person: dict[str, list[Addable]] = {}
    for each in result.additions:
        if each.word:
            by_person.setdefault(each.by, []).append(each.what)
    return tuple(f"Added by hand by {name}: {listed(whats)}." for name, whats in by_person.items())


def observed(result: CodedResult, observed_at: str) -> tuple[datetime | None, tuple[str, ...]]:
    """Give the clinically relevant time and the notes that explain it.

    ``observed_at`` is the destination's option: ``analysis`` or ``empty``. A known collection time needs no note.
    """
    if result.collected_at is not None:
        return result.collected_at, ()
    if observed_at == "analysis":
        return result.analyzed_at, (ANALYSIS_TIME_NOTE,)
    return None, (NO_TIME_NOTE,)
