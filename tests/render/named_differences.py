"""What may differ between the mapping's conversion of our ORU^R01 and our Bundle, each with its reason.

Every entry asks something still of the values that it names, so that it cannot hide a wrong one. Not named here, and so equal in
every message: the codes and their systems, the values with their digits, comparators and units, coded and text grades,
interpretation, status, the report's effective time and time of issue, the result's number, the patient's number, the specimen's type.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from urllib.parse import unquote

from tests.render.leaf_by_leaf import Found, Leaf, Leaves, markdown_text
from tests.render.v2_map import Number


@dataclass(frozen=True, kw_only=True, slots=True)
class Side:
    """The leaves of one side, also by pattern."""

    leaves: Leaves
    by_pattern: Mapping[str, Sequence[Leaf]]

    def values(self, pattern: str, resource: str) -> list[str]:
        """Give the texts at a pattern: of the same resource if it is of that type, else of every one."""
        found = self.by_pattern.get(pattern, ())
        own = [leaf for leaf in found if leaf.resource == resource]
        if found and not own and found[0].kind == resource.partition("[")[0]:
            return []
        return [text_of(leaf.value) for leaf in own or found]


@dataclass(frozen=True, kw_only=True, slots=True)
class Case:
    """One message seen from both sides."""

    mapped: Side
    ours: Side
    fields: Mapping[str, Sequence[str]]

    def field(self, name: str, resource: str) -> Sequence[str]:
        """Give the values of a field: of an Observation's own OBX, else of all segments."""
        own = name.startswith("OBX") and resource.startswith("Observation")
        return self.fields.get(f"{resource} {name}" if own else name, ())


@dataclass(frozen=True, kw_only=True, slots=True)
class Rule:
    """What is still asked of a value that differs: in words, and as a check of (our text, or the mapping's where we have none; the difference; all)."""

    said: str
    holds: Callable[[str, Found, Case], bool]


@dataclass(frozen=True, kw_only=True, slots=True)
class Difference:
    """A difference that is meant. ``side`` says who has the element: ``mapping``, ``ours``, or ``both`` with other values."""

    path: str
    side: str
    rule: Rule
    reason: str


def text_of(value: object) -> str:
    return value.digits if isinstance(value, Number) else str(value)


# --- rules


def is_mapped(*patterns: str) -> Rule:
    """Ask that our value stands in the conversion at one of these places."""
    said = " or ".join(f"`{each}`" for each in patterns)
    return Rule(
        said=f"equals the mapping's {said}",
        holds=lambda text, found, case: any(text in case.mapped.values(each, found.leaf.resource) for each in patterns),
    )


def is_ours(*patterns: str) -> Rule:
    """Ask that the conversion's value stands in our Bundle at one of these places."""
    said = " or ".join(f"`{each}`" for each in patterns)
    return Rule(
        said=f"equals our {said}",
        holds=lambda text, found, case: any(text in case.ours.values(each, found.leaf.resource) for each in patterns),
    )


def is_field(*names: str) -> Rule:
    """Ask that our value stands in one of these fields of the ORU."""
    return Rule(
        said=f"equals {' or '.join(names)}",
        holds=lambda text, found, case: any(text in case.field(each, found.leaf.resource) for each in names),
    )


def is_one_of(*values: str) -> Rule:
    """Ask for one of these texts."""
    return Rule(said=f"is {' or '.join(f'`{each}`' for each in values)}", holds=lambda text, found, case: text in values)


def comes_from(name: str, said: str, pattern: str) -> Rule:
    """Ask that our value is made of a field: ``pattern`` is an expression with {} where the field stands."""
    return Rule(
        said=said,
        holds=lambda text, found, case: any(
            re.fullmatch(pattern.replace("{}", re.escape(each)), text, re.DOTALL)
            for each in case.field(name, found.leaf.resource)
        ),
    )


def while_unknown(rule: Rule) -> Rule:
    """Ask the same, and that the time of collection is not known (SPM-17 empty)."""
    return Rule(
        said=f"{rule.said}, and SPM-17 is empty",
        holds=lambda text, found, case: "SPM-17" not in case.fields and rule.holds(text, found, case),
    )


def _is_bound(text: str, found: Found, case: Case) -> bool:
    """Say whether a number is the bound that OBX-7 has on its side: low-high, >low or >=low, <high or <=high (decision 0005)."""
    place = "low" if ".low." in found.leaf.pattern else "high"
    for said in case.mapped.values("Observation.referenceRange[].text", found.leaf.resource):
        bounds = re.fullmatch(r"(?P<low>[\d.]+)-(?P<high>[\d.]+)", said) or re.fullmatch(
            rf"{'>' if place == 'low' else '<'}=?(?P<{place}>[\d.]+)", said
        )
        if bounds and bounds[place] == text:
            return True
    return False


def _is_open_range(text: str, found: Found, case: Case) -> bool:
    """Say whether our words ``<=5 mg/dL`` are OBX-7's ``<=5`` with the value's unit."""
    assert found.mapped is not None
    units = case.mapped.values("Observation.valueQuantity.unit", found.leaf.resource)
    return text in {f"{found.mapped.value} {unit}" for unit in units}


def _is_pair(text: str, found: Found, case: Case) -> bool:
    return (found.mapped and found.mapped.value, text) == ("message", "transaction")


def _is_analysis(text: str, found: Found, case: Case) -> bool:
    """Say whether the time of analysis is our time of the value, or stands in a note of ours; or collection is known."""
    notes = case.ours.values("Observation.note[].text", found.leaf.resource)
    return (
        "SPM-17" in case.fields
        or text in case.ours.values("Observation.effectiveDateTime", found.leaf.resource)
        or any(note.endswith(f"Analysis time: {text}") for note in notes)
    )


def _is_order_note(text: str, found: Found, case: Case) -> bool:
    """Say whether a note of ours is one on the order, or one with the time of analysis (OBX-19) after it."""
    times = case.mapped.values("Observation.extension[].valueDateTime", found.leaf.resource)
    return any(
        markdown_text(text) in {note, *(f"{note} Analysis time: {time}" for time in times)}
        for note in case.fields.get("OBR/NTE-3", ())
    )


def _is_read_so(text: str, found: Found, case: Case) -> bool:
    """Say whether our markdown reads as the mapping's text."""
    return found.mapped is not None and markdown_text(text) == found.mapped.value


def _goes_with_flag(text: str, found: Found, case: Case) -> bool:
    """Say whether POS stands beside A or AA, NEG beside N, with its display and system."""
    flags = case.mapped.values("Observation.interpretation[].coding[].code", found.leaf.resource)
    word, display = ("NEG", "Negative") if "N" in flags else ("POS", "Positive")
    wanted = {"code": word, "display": display, "system": "http://terminology.hl7.org/CodeSystem/v3-ObservationInterpretation"}
    return set(flags) <= {"N", "A", "AA"} and text == wanted[found.leaf.pattern.rpartition(".")[2]]


def _is_pad_name(text: str, found: Found, case: Case) -> bool:
    """Say whether our text of a code is one of the displays; a pad's name has no place in an ORU without local codes."""
    displays = case.mapped.values("Observation.code.coding[].display", found.leaf.resource)
    return text in displays or len(displays) == 1


def _names_a_resource(text: str, found: Found, case: Case) -> bool:
    kind, query, identifier = text.rpartition("identifier=")
    system, _, value = unquote(identifier).partition("|")
    known = {
        leaf.value
        for pattern in case.ours.by_pattern
        for leaf in case.ours.by_pattern[pattern]
        if pattern.endswith("identifier[].value")
    }
    return bool(query) and kind in {"", *(f"{each}?" for each in KINDS)} and system == "urn:padpost:result" and value in known


KINDS = ("Device", "Specimen", "Observation", "DiagnosticReport")
BOUND = Rule(said="is the bound that OBX-7 has on that side, digit by digit", holds=_is_bound)
UNIT = {each: is_mapped(f"Observation.valueQuantity.{each}") for each in ("unit", "system", "code")}
PATIENT = {each: is_mapped(f"Patient.identifier[].{each}") for each in ("value", "system")}
SHOWN_NAME = is_mapped("Patient.name[].family")
RESULT_SYSTEM = is_one_of("urn:padpost:result")
PERFORMER = is_field("OBX-16", "MSH-4")
PERFORMER_TYPE = is_one_of("Practitioner", "Organization")
PATIENT_NAME = is_ours("Observation.subject.display", "DiagnosticReport.subject.display")

TRANSACTION = "We send a REST transaction: each resource is created once, or replaced by its identifier. The mapping makes a FHIR message, which has no requests."
NUMBER_TYPE = (
    "The mapping marks whose number it is by a type. We name the number's system instead, which a receiver can search by."
)
OUR_SYSTEM = "The map leaves the namespace (EI.2) undecided. Our identifiers carry our system, by which a resource is found again and never doubled."
PRACTITIONER = "OBX-16 is the operator's number at the analyzer, of no known authority. We show it as the performer's name and make no Practitioner of it."
LOGICAL = "We never create a patient: subject is a logical reference to the record's own patient. A name is shown beside it and is no Patient data."
CATEGORY = "US Core and the HL7 Europe laboratory guide require it. The ORU says it nowhere: OBR-24 and OBX-29 are not sent."
RANGES = "The map's comment allows low and high where OBX-7 can be parsed. We know the bounds as numbers."
FOR_READERS = "The text of a code for a reader; the map has no source for it where no original text is sent."
DEVICE = "One analyzer is one Device at the receiver, found by our own identifier; its name at the site is its deviceName."

WHOSE = "The map takes SPM-2.1 for the placer's number. Whose number the analyzer printed is not known."
METHOD = "OBX-17 is a CE in 2.5.1, which has no original text, so its second component holds the words. FHIR has `text` for words without a code."

DIFFERENCES: tuple[Difference, ...] = (
    Difference(path="Bundle.type", side="both", rule=Rule(said="is `message` against `transaction`", holds=_is_pair), reason=TRANSACTION),
    Difference(
        path="Bundle.entry[].fullUrl",
        side="ours",
        rule=Rule(said="is a UUID", holds=lambda text, found, case: bool(re.fullmatch(r"urn:uuid:[0-9a-f-]{36}", text))),
        reason=TRANSACTION,
    ),
    Difference(path="Bundle.entry[].request.method", side="ours", rule=is_one_of("POST", "PUT"), reason=TRANSACTION),
    Difference(
        path="Bundle.entry[].request.url",
        side="ours",
        rule=Rule(
            said="is a type, or a query for an identifier of the Bundle",
            holds=lambda text, found, case: text in KINDS or _names_a_resource(text, found, case),
        ),
        reason=TRANSACTION,
    ),
    Difference(
        path="Bundle.entry[].request.ifNoneExist",
        side="ours",
        rule=Rule(said="is a query for an identifier of the Bundle", holds=_names_a_resource),
        reason=TRANSACTION,
    ),
    Difference(path="Bundle.identifier.system", side="ours", rule=RESULT_SYSTEM, reason="HL7 v2 gives a control ID no namespace. With one, our number is told from another sender's."),
    # the patient
    Difference(path="Patient.identifier[].value", side="mapping", rule=is_ours("Observation.subject->Patient.identifier[].value"), reason=LOGICAL),
    Difference(path="Patient.identifier[].system", side="mapping", rule=is_ours("Observation.subject->Patient.identifier[].system"), reason=LOGICAL),
    Difference(path="Patient.name[].family", side="mapping", rule=PATIENT_NAME, reason=LOGICAL),
    Difference(path="Observation.subject->Patient.name[].family", side="mapping", rule=PATIENT_NAME, reason=LOGICAL),
    Difference(path="Observation.subject.display", side="ours", rule=SHOWN_NAME, reason=LOGICAL),
    Difference(path="DiagnosticReport.subject.display", side="ours", rule=SHOWN_NAME, reason=LOGICAL),
    *(
        Difference(path=f"{kind}.subject->Patient.identifier[].{each}", side="ours", rule=PATIENT[each], reason="The message map points only Observations to the patient; a report and a specimen without one would belong to nobody.")
        for kind in ("DiagnosticReport", "Specimen")
        for each in ("value", "system")
    ),
    *(
        Difference(path=f"{path}.type.coding[].code", side="mapping", rule=is_field("PID-3"), reason="PID-3.5 says which kind of number it is. A logical reference is resolved by system and value; the site's patient system is of one kind.")
        for path in ("Patient.identifier[]", "Observation.subject->Patient.identifier[]")
    ),
    # the report
    Difference(path="DiagnosticReport.identifier[].type.coding[].code", side="mapping", rule=is_one_of("FILL"), reason=NUMBER_TYPE),
    Difference(path="DiagnosticReport.identifier[].type.coding[].system", side="mapping", rule=is_one_of("http://terminology.hl7.org/CodeSystem/v2-0203"), reason=NUMBER_TYPE),
    Difference(path="DiagnosticReport.identifier[].system", side="ours", rule=RESULT_SYSTEM, reason=OUR_SYSTEM),
    Difference(path="DiagnosticReport.code.text", side="ours", rule=is_mapped("DiagnosticReport.code.coding[].display"), reason=FOR_READERS),
    Difference(path="DiagnosticReport.category[].coding[].code", side="ours", rule=is_one_of("LAB"), reason=CATEGORY),
    Difference(path="DiagnosticReport.category[].coding[].display", side="ours", rule=is_one_of("Laboratory"), reason=CATEGORY),
    Difference(path="DiagnosticReport.category[].coding[].system", side="ours", rule=is_one_of("http://terminology.hl7.org/CodeSystem/v2-0074"), reason=CATEGORY),
    Difference(path="DiagnosticReport.performer[].display", side="ours", rule=PERFORMER, reason="OBR-34 is not sent; the operator of the values (OBX-16), or else the sending facility (MSH-4), is the report's too."),
    Difference(path="DiagnosticReport.performer[].type", side="ours", rule=PERFORMER_TYPE, reason=PRACTITIONER),
    # the specimen
    Difference(path="Specimen.identifier[].value", side="ours", rule=comes_from("ORC-3", "is the filler number with `.specimen`", r"{}\.specimen"), reason="A specimen without a printed number needs an identifier too, or a resend would double it. A printed number is an identifier beside it, as in the mapping."),
    Difference(path="Specimen.identifier[].system", side="ours", rule=RESULT_SYSTEM, reason=OUR_SYSTEM),
    Difference(path="Specimen.identifier[].type.coding[].code", side="mapping", rule=is_one_of("PGN"), reason=WHOSE),
    Difference(path="Specimen.identifier[].type.coding[].system", side="mapping", rule=is_one_of("http://terminology.hl7.org/CodeSystem/v2-0203"), reason=WHOSE),
    Difference(path="Specimen.type.text", side="ours", rule=is_mapped("Specimen.type.coding[].display"), reason=FOR_READERS),
    Difference(path="Specimen.collection.collectedDateTime", side="mapping", rule=while_unknown(is_ours("DiagnosticReport.effectiveDateTime")), reason="The map takes OBR-7 for the time of collection. Where that is unknown, OBR-7 is the time of analysis and a note says so; our Specimen then states no time of collection. Where it is known both say the same."),
    # each value
    Difference(path="Observation.identifier[].value", side="ours", rule=comes_from("ORC-3", "is the filler number, `-` and the pad's name", r"{}-[a-z0-9_]+"), reason="OBX-21 is not sent: in HL7 v2 a value is known by OBX-3 within its OBR. In FHIR each Observation is found again by an identifier."),
    Difference(path="Observation.identifier[].system", side="ours", rule=RESULT_SYSTEM, reason=OUR_SYSTEM),
    Difference(path="Observation.code.text", side="ours", rule=Rule(said="equals the mapping's `Observation.code.coding[].display`, of which the pad's name is the second where local codes are sent", holds=_is_pad_name), reason=FOR_READERS),
    Difference(path="Observation.category[].coding[].code", side="ours", rule=is_one_of("laboratory"), reason=CATEGORY),
    Difference(path="Observation.category[].coding[].display", side="ours", rule=is_one_of("Laboratory"), reason=CATEGORY),
    Difference(path="Observation.category[].coding[].system", side="ours", rule=is_one_of("http://terminology.hl7.org/CodeSystem/observation-category"), reason=CATEGORY),
    Difference(path="Observation.effectiveDateTime", side="ours", rule=while_unknown(is_mapped("DiagnosticReport.effectiveDateTime")), reason="OBX-14 means collection and is empty where that is unknown. By the option `observed_at: analysis` an Observation shows the time of analysis, as OBR-7 does, with the note that says so; where collection is known both say the same."),
    Difference(path="Observation.extension[].valueDateTime", side="mapping", rule=Rule(said="equals our `Observation.effectiveDateTime` or ends a note of ours, unless collection is known", holds=_is_analysis), reason="R4 has no element for the time of analysis (OBX-19); the map takes an extension. It is our effectiveDateTime while collection is unknown (by `observed_at: empty` it is in a note); where collection is known, our Bundle does not say when the strip was read."),
    Difference(path="Observation.issued", side="ours", rule=is_mapped("DiagnosticReport.issued"), reason="The map has no source for it on a value. It is the report's."),
    Difference(path="Observation.specimen", side="ours", rule=is_mapped("DiagnosticReport.specimen[]"), reason="The message map says in a comment that all Observations of an OBR point to its specimen, and has no row for it."),
    Difference(path="Observation.performer[].display", side="ours", rule=PERFORMER, reason=PRACTITIONER),
    Difference(path="Observation.performer[].type", side="ours", rule=PERFORMER_TYPE, reason=PRACTITIONER),
    Difference(path="Observation.performer[]->PractitionerRole.practitioner->Practitioner.identifier[].value", side="mapping", rule=is_ours("Observation.performer[].display"), reason=PRACTITIONER),
    Difference(path="Observation.performer[]->PractitionerRole.code[].coding[].code", side="mapping", rule=is_one_of("responsibleObserver"), reason=PRACTITIONER),
    Difference(path="Observation.performer[]->PractitionerRole.code[].coding[].system", side="mapping", rule=is_one_of("http://terminology.hl7.org/CodeSystem/practitioner-role"), reason=PRACTITIONER),
    Difference(path="Observation.device->Device.identifier[].value", side="mapping", rule=is_ours("Observation.device->Device.deviceName[].name"), reason=DEVICE),
    Difference(path="Observation.device->Device.identifier[].value", side="ours", rule=comes_from("OBX-18", "is `analyzer.` and OBX-18", r"analyzer\.{}"), reason=DEVICE),
    Difference(path="Observation.device->Device.identifier[].system", side="ours", rule=RESULT_SYSTEM, reason=OUR_SYSTEM),
    Difference(path="Observation.device->Device.deviceName[].name", side="ours", rule=is_field("OBX-18"), reason=DEVICE),
    Difference(path="Observation.device->Device.deviceName[].type", side="ours", rule=is_one_of("user-friendly-name"), reason=DEVICE),
    Difference(path="Observation.device->Device.type.text", side="ours", rule=is_one_of("Urine strip analyzer", "Urine strips read by eye"), reason=DEVICE),
    Difference(path="Observation.derivedFrom[]", side="ours", rule=Rule(said="points to an Observation of the same Bundle", holds=lambda text, found, case: bool(re.fullmatch(r"-> Observation\[\d+\]", text))), reason="HL7 v2 has no field for what a value was computed from; OBX-17 and the NTE say it in words."),
    Difference(path="Observation.method.coding[].display", side="mapping", rule=is_ours("Observation.method.text"), reason=METHOD),
    Difference(path="Observation.method.text", side="ours", rule=is_mapped("Observation.method.coding[].display"), reason=METHOD),
    Difference(path="Observation.referenceRange[].text", side="both", rule=Rule(said="is OBX-7's bound with the value's unit", holds=_is_open_range), reason="OBX-7 is in the unit of OBX-6 and does not repeat it. Our FHIR text stands alone: `<=5 mg/dL`."),
    *(
        Difference(path=f"Observation.interpretation[].coding[].{each}", side="ours", rule=Rule(said="is POS beside A or AA, NEG beside N", holds=_goes_with_flag), reason="Table 0078 of 2.5.1 has no POS and NEG. FHIR has them, and our Bundle says them beside the flag of a pad read as found or not found.")
        for each in ("code", "display", "system")
    ),
    Difference(path="Observation.note[].text", side="both", rule=Rule(said="reads the same once markdown's backslashes are taken away", holds=_is_read_so), reason="NTE-3 is text and Annotation.text is markdown. The map copies it as it is; we escape it, so that what an analyzer printed is shown as printed."),
    *(
        Difference(path=f"Observation.referenceRange[].{place}.{each}", side="ours", rule=BOUND if each == "value" else UNIT[each], reason=RANGES)
        for place in ("low", "high")
        for each in ("value", "unit", "system", "code")
    ),
    Difference(path="Observation.note[].text", side="ours", rule=Rule(said="equals OBR/NTE-3, or OBR/NTE-3 with the time of OBX-19 after it", holds=_is_order_note), reason="The message map has no target for a note on the order. Ours stand on each value, so that no reader misses them. The note on a value (OBX, NTE) is equal on both sides."),
)  # fmt: skip

PLACES = {"mapping": "only in the mapping's", "ours": "only in ours", "both": "another value"}
