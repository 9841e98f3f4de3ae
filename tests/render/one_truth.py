"""One strip, two renderings: what may differ between the mapping's conversion of our ORU^R01 and our Bundle, each with its reason.

Every entry asks something still of the values that it names, so that it cannot hide a wrong one. Not named here, and so equal in
every message: the codes and their systems, the values with their digits, comparators and units, coded and text grades,
interpretation, status, the report's effective time and time of issue, the result's number, the patient's number, the specimen's type.

``python -m tests.render.one_truth`` prints the lists and counts of docs/explanation/one-truth.md.
"""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from urllib.parse import unquote

from bridge.model import Coded, CodedResult, Format
from bridge.render import compile_plan
from bridge.render.samples import samples
from tests.render.every_sample import EVERY_PLAN, ORDERS, terms_for
from tests.render.leaf_by_leaf import Found, Leaf, Leaves, bundle_resources, differences, leaves
from tests.render.results_for_tests import MADE_AT
from tests.render.tables_for_tests import tables_of
from tests.render.test_every_fixture import EXPECTED, strips
from tests.render.v2_to_fhir import Number, Row, convert

Pair = tuple[Format, Format]

# What the interface specification tells a receiver: the URIs of the test site's authority, of its own codes of grades, and of our codes of pads.
AGREED = {"CLINIC": "urn:oid:2.999.1", "99QLB": "urn:oid:2.999.7", "L": "urn:padpost:local"}


@dataclass(frozen=True, kw_only=True, slots=True)
class Side:
    """The leaves of one side, also by pattern."""

    leaves: Leaves
    by_pattern: Mapping[str, Sequence[Leaf]]

    def values(self, pattern: str, resource: str) -> list[str]:
        """Give the texts at a pattern: of the same resource if it is of that type, else of every one."""
        kind = resource.partition("[")[0]
        same = re.match(r"\w+", pattern).group() == kind  # type: ignore[union-attr]
        return [_text(leaf.value) for leaf in self.by_pattern.get(pattern, ()) if not same or leaf.resource == resource]


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


def _text(value: object) -> str:
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
    """Say whether a number is the bound that OBX-7 has on its side: low-high, >low, <high (HL7 2.5.1 chapter 7, OBX-7)."""
    place = "low" if ".low." in found.leaf.pattern else "high"
    for said in case.mapped.values("Observation.referenceRange[].text", found.leaf.resource):
        bounds = re.fullmatch(r"(?P<low>[\d.]+)-(?P<high>[\d.]+)", said) or re.fullmatch(
            rf"[{'>' if place == 'low' else '<'}](?P<{place}>[\d.]+)", said
        )
        if bounds and bounds[place] == text:
            return True
    return False


def _is_open_range(text: str, found: Found, case: Case) -> bool:
    """Say whether our words ``<=5 mg/dL`` are OBX-7's ``<5`` with the value's unit, the bound itself counted in."""
    assert found.mapped is not None
    sign, digits = found.mapped.value[:1], found.mapped.value[1:]
    units = case.mapped.values("Observation.valueQuantity.unit", found.leaf.resource)
    return text in {f"{sign}={digits} {unit}" for unit in units}


def _is_pair(text: str, found: Found, case: Case) -> bool:
    return (found.mapped and found.mapped.value, text) == ("message", "transaction")


def _is_analysis(text: str, found: Found, case: Case) -> bool:
    return "SPM-17" in case.fields or text in case.ours.values("Observation.effectiveDateTime", found.leaf.resource)


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
    Difference(path="Observation.code.text", side="ours", rule=is_mapped("Observation.code.coding[].display"), reason=FOR_READERS),
    Difference(path="Observation.category[].coding[].code", side="ours", rule=is_one_of("laboratory"), reason=CATEGORY),
    Difference(path="Observation.category[].coding[].display", side="ours", rule=is_one_of("Laboratory"), reason=CATEGORY),
    Difference(path="Observation.category[].coding[].system", side="ours", rule=is_one_of("http://terminology.hl7.org/CodeSystem/observation-category"), reason=CATEGORY),
    Difference(path="Observation.effectiveDateTime", side="ours", rule=while_unknown(is_mapped("DiagnosticReport.effectiveDateTime")), reason="OBX-14 means collection and is empty where that is unknown. By the option `observed_at: analysis` an Observation shows the time of analysis, as OBR-7 does, with the note that says so; where collection is known both say the same."),
    Difference(path="Observation.extension[].valueDateTime", side="mapping", rule=Rule(said="equals our `Observation.effectiveDateTime`, unless collection is known", holds=_is_analysis), reason="R4 has no element for the time of analysis (OBX-19); the map takes an extension. It is our effectiveDateTime while collection is unknown; where collection is known, our Bundle does not say when the strip was read."),
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
    Difference(path="Observation.device->Device.type.text", side="ours", rule=is_one_of("Urine strip analyzer"), reason=DEVICE),
    Difference(path="Observation.method.coding[].display", side="mapping", rule=is_ours("Observation.method.text"), reason=METHOD),
    Difference(path="Observation.method.text", side="ours", rule=is_mapped("Observation.method.coding[].display"), reason=METHOD),
    Difference(path="Observation.referenceRange[].text", side="both", rule=Rule(said="is OBX-7's bound, counted in, with the value's unit", holds=_is_open_range), reason="HL7 writes a range of one bound as `<5` (chapter 7, OBX-7), which does not say whether 5 itself is in it. Our FHIR text says it: `<=5 mg/dL`."),
    *(
        Difference(path=f"Observation.referenceRange[].{place}.{each}", side="ours", rule=BOUND if each == "value" else UNIT[each], reason=RANGES)
        for place in ("low", "high")
        for each in ("value", "unit", "system", "code")
    ),
    Difference(path="Observation.note[].text", side="ours", rule=is_field("OBR/NTE-3"), reason="The message map has no target for a note on the order. Ours stand on each value, so that no reader misses them. The note on a value (OBX, NTE) is equal on both sides."),
)  # fmt: skip

PLACES = {"mapping": "only in the mapping's", "ours": "only in ours", "both": "another value"}

# What the message has and the mapping does not bring over: a component without a row that takes it, or a row that cannot be applied.
NOT_APPLIED: Mapping[str, str] = {
    "MSH-1.1": "separators, not content",
    "MSH-2.1": "separators, not content",
    "MSH-3.1": "MessageHeader, see below",
    "MSH-4.1": "MessageHeader, see below; our performer where no operator is known",
    "MSH-5.1": "MessageHeader, see below",
    "MSH-6.1": "MessageHeader, see below",
    "MSH-9.1": "MessageHeader, see below",
    "MSH-9.2": "MessageHeader, see below",
    "MSH-9.3": "MessageHeader, see below",
    "MSH-11.1": "MessageHeader, see below",
    "MSH-12.1": "no row: the version of HL7 v2",
    "MSH-18.1": "undecided in the map; JSON is UTF-8",
    "PID-1.1": "no row: a set ID",
    "PID-5.7": "name type U has no target",
    "ORC-1.1": "no row in the map to DiagnosticReport: an order's control code",
    "ORC-3.2": "undecided in the map (EI.2, the namespace); our identifier has a system instead",
    "OBR-1.1": "no row: a set ID",
    "OBR-3.1": "taken from ORC-3, which holds the same (its rows ask for an empty ORC-3)",
    "OBR-3.2": "as OBR-3.1",
    "OBR/NTE-1.1": "no target in the message map for a note on the order",
    "OBR/NTE-2.1": "no target in the message map for a note on the order",
    "OBR/NTE-3.1": "no target in the message map for a note on the order; our Observations carry it",
    "TQ1-1.1": "no target in the message map for TQ1",
    "TQ1-9.1": "no target in the message map for TQ1: a STAT is not said in FHIR, on either side",
    "TQ1-9.2": "as TQ1-9.1",
    "TQ1-9.3": "as TQ1-9.1",
    "OBX-1.1": "no row: a set ID; the order is that of DiagnosticReport.result",
    "OBX-2.1": "no target: it decides which value[x] OBX-5 becomes",
    "OBX/NTE-1.1": "no row: a set ID",
    "OBX/NTE-2.1": "no row: where the note comes from",
    "SPM-1.1": "no row: a set ID",
    "SPM-11.1": "no row: the specimen's role is not mapped, so a control must never be sent among patients",
    "SPM-11.2": "as SPM-11.1",
    "SPM-11.3": "as SPM-11.1",
    "message ORU_R01 ORU_R01.MSH -> MessageHeader[1]": "heads a FHIR message; a transaction has none, its way is HTTP's",
    "message ORU_R01 ORU_R01.MSH -> Provenance[1]": "we send no Provenance; the map MSH[Provenance-Source] is not kept here",
    "message ORU_R01 ORU_R01.MSH -> Provenance[2]": "as above, MSH[Provenance-Transformation]",
    "OBX[Observation] OBX-19 -> extension[2].url": "the row, as kept, assigns no URL",
    "datatype EI[Identifier-Extension] EI.2 -> extension??-assigningauthority.nameSpaceID": "undecided in the map",
    "datatype XPN[HumanName] XPN.7 -> [1].use": "name type U has no target",
}

# Conditions of rows for fields that we send, of which none is true of any of our messages.
_VALUE_TYPE = "our OBX-2 is NM, SN, ST or CWE"
_SIMPLE_SN = "our SN is a comparator and one number"
_NO_ORDER = "nobody ordered these strips: ORC-2 is empty, and there is no request to tell of"
NEVER_TRUE: Mapping[str, str] = {
    **{f'IF OBX-2 EQUALS "{each}"': _VALUE_TYPE for each in ("CE", "CF", "CNE", "DR", "IS", "NA", "NR", "RP", "TM", "VR")},
    'IF OBX-2 EQUALS "ED" AND IF OBX-5.4 EQUALS "Base64"': _VALUE_TYPE,
    'IF OBX-2 IN ("DTM", "DT")': _VALUE_TYPE,
    'IF (OBX-2 EQUALS "SN" AND OBX-5.1 EQUALS "<>"': _SIMPLE_SN,
    'IF OBX-2 EQUALS "SN" AND OBX-5.1 NOT EQUALS "<>" AND OBX-5.3 EQUALS "+"': _SIMPLE_SN,
    'IF OBX-2 EQUALS "SN" AND OBX-5.1 NOT EQUALS "<>" AND OBX-5.3 EQUALS "-"': _SIMPLE_SN,
    'IF OBX-2 EQUALS "SN" AND OBX-5.1 NOT EQUALS "<>" AND OBX-5.3 IN (":", "/")': _SIMPLE_SN,
    "If SN.3 OR SN.4 VALUED": _SIMPLE_SN,
    'IF (OBX-5 LST.count GREATER THAN 1 AND OBX-2 IS NOT "NA") AND OBX-29 NOT IN ("QST", "SCI")': "our OBX-5 does not repeat",
    "IF OBR-8 VALUED": "a strip is read at one moment",
    "IF SPM-17.2 VALUED": "a specimen is collected at one moment",
    'IF OBX-11 IS "N"': "our OBX-11 is F or C",
    'IF OBX-11 IS "X"': "our OBX-11 is F or C",
    "If CWE.2 IS NOT VALUED": "our units have code and text",
    "ORC-3 empty or no ORC": "our ORC-3 is always there",
    "If a ServiceRequest needs to be created for the receiver.": _NO_ORDER,
    "IF ORC VALUED; If a ServiceRequest needs to be created for the receiver.": _NO_ORDER,
    "IF PID-33 AND PID-34 VALUED": "we send neither",
    "narrative condition, see source map": "CX.4 is a system that both sides agreed on; an SN is taken by an earlier row",
}

PAIRS: Mapping[Pair, tuple[Difference, ...]] = {(Format.ORU_R01, Format.FHIR): DIFFERENCES}


# --- every message


@dataclass(kw_only=True, slots=True)
class Tally:
    """What the comparison of many messages gave."""

    messages: int = 0
    leaves: int = 0
    equal: int = 0
    sides: Counter[str] = field(default_factory=Counter)
    named: dict[Difference, int] = field(default_factory=dict)
    unnamed: list[str] = field(default_factory=list)
    not_applied: set[str] = field(default_factory=set)
    applied: set[Row] = field(default_factory=set)
    untrue: set[Row] = field(default_factory=set)

    def add(self, oru: bytes, bundle: bytes, meant: Sequence[Difference], *, name: str) -> None:
        """Compare one result's two messages."""
        converted = convert(oru, AGREED)
        mapped, ours = leaves(converted.resources), leaves(bundle_resources(bundle))
        found = differences(mapped, ours)
        self.messages += 1
        self.leaves += len(mapped.keys() | ours.keys())
        self.equal += len(mapped.keys() | ours.keys()) - len(found)
        self.not_applied |= converted.left | {row.label for row in converted.passed}
        self.applied |= converted.applied
        self.untrue |= converted.untrue
        self.sides.update(each.side for each in found)
        case = Case(mapped=_side(mapped), ours=_side(ours), fields=converted.fields)
        for each in found:
            self._judge(each, case, meant, name)

    def _judge(self, found: Found, case: Case, meant: Sequence[Difference], name: str) -> None:
        for each in meant:
            if (each.path, each.side) == (found.leaf.pattern, found.side) and each.rule.holds(
                _text(found.leaf.value), found, case
            ):
                self.named[each] = self.named.get(each, 0) + 1
                return
        sides = [leaf.text if leaf else "nothing" for leaf in (found.mapped, found.ours)]
        self.unnamed.append(f"{name}: {'.'.join(found.leaf.path)}: the mapping gives {sides[0]}, we give {sides[1]}")


def _side(found: Leaves) -> Side:
    by_pattern: dict[str, list[Leaf]] = {}
    for leaf in found.values():
        by_pattern.setdefault(leaf.pattern, []).append(leaf)
    return Side(leaves=found, by_pattern=by_pattern)


def every_result() -> Iterator[tuple[str, str, CodedResult]]:
    """Give (what it is, order of value forms, result) of every capture, worked example and sample that becomes a message."""
    for what, profile, _ in EXPECTED:
        coded = [each.result for each in strips(what, profile) if isinstance(each, Coded)]
        yield from ((f"{what} of {profile}", order, result) for order in ORDERS for result in coded)
    for order, profile, strip in EVERY_PLAN:  # the texts that FHIR can carry; HL7 in UTF-8 carries them too
        for sample in samples(terms_for(Format.FHIR, order), profile, strip, tables_of(profile)):
            yield f"{sample.result_id} of {profile}, {strip}", order, sample


def compared(pair: Pair) -> Tally:
    """Compare both renderings of every result."""
    tally = Tally()
    for number, (what, order, result) in enumerate(every_result()):
        tables = tables_of(result.profile)
        plans = [compile_plan(terms_for(fmt, order), result.profile, result.strip_type, tables) for fmt in pair]
        oru, bundle = (plan.render(result, control_id=f"TRUTH{number}", made_at=MADE_AT).payload for plan in plans)
        tally.add(oru, bundle, PAIRS[pair], name=f"{what}, {order}")
    return tally


def page_lists(meant: Sequence[Difference]) -> str:
    """Give the lists of docs/explanation/one-truth.md: the differences under their reasons, and what the mapping does not bring over."""
    lines: list[str] = []
    for reason in dict.fromkeys(each.reason for each in meant):
        lines += [f"{reason}", ""]
        lines += [f"- `{each.path}`, {PLACES[each.side]}: {each.rule.said}" for each in meant if each.reason == reason]
        lines += [""]
    lines += ["## What the mapping does not bring over", "", "| component or row | why |", "| --- | --- |"]
    lines += [f"| {name if ' ' not in name else f'`{name}`'} | {reason} |" for name, reason in NOT_APPLIED.items()]
    return "\n".join(lines)


def counts(tally: Tally) -> str:
    """Give the counts of a comparison in one line."""
    return (
        f"{tally.messages:,} messages with {tally.leaves:,} leaves: {tally.equal:,} equal, {tally.sides['both']:,} on both sides with "
        f"other values, {tally.sides['mapping']:,} only in the mapping's, {tally.sides['ours']:,} only in ours; "
        f"differences under {len(tally.named)} names, {len(tally.unnamed)} without a name"
    )


if __name__ == "__main__":
    for each_pair, each_meant in PAIRS.items():
        print(page_lists(each_meant), f"\n{' and '.join(each_pair)}: {counts(compared(each_pair))}", sep="\n")
