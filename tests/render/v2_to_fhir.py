"""An ORU^R01 turned into FHIR by HL7's published v2-to-FHIR mapping, apart from our renderers.

The bytes are read by python-hl7 (second_decoder.py). What goes where is said by the mapping's rows (data/README.md): the message
map names the resources and how they point to each other, the segment maps name the element of each field, the data type maps
that of each component, the concept maps the codes. Written here are only the meaning of the rows' conditions, the change of
HL7 times into FHIR's, and what the rows leave to the two sides: the URIs of code systems and authorities.
R4's own JSON Schema says which elements repeat, and refuses an element that R4 does not have.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any, cast

from tests.render.second_decoder import parts
from tests.render.v2_map import Look, Number, Row, element, fhir_time, field_ref, is_true, maps, numbered, sayable, steps_of

# A name of HL7 table 0396 -> its URI (FHIR R4, terminologies-systems); a table HL7nnnn is CodeSystem/v2-nnnn (terminology.hl7.org).
SYSTEMS = {"LN": "http://loinc.org", "SCT": "http://snomed.info/sct", "UCUM": "http://unitsofmeasure.org"}
HL7_TABLE = re.compile(r"HL7(\d{4})")
# Where a segment stands in ORU_R01 (HL7 2.5.1; wire facts: MSH PID ORC OBR [NTE] [TQ1] {OBX [NTE]} SPM); an NTE belongs to what is before it.
_ORDER = "ORU_R01.PATIENT_RESULT.ORDER_OBSERVATION"
PLACES = {
    "MSH": "ORU_R01.MSH",
    "PID": "ORU_R01.PATIENT_RESULT.PATIENT.PID",
    "ORC": f"{_ORDER}.COMMON_ORDER.ORC",
    "OBR": f"{_ORDER}.OBR",
    "TQ1": f"{_ORDER}.TIMING_QTY.TQ1",
    "OBX": f"{_ORDER}.OBSERVATION.OBX",
    "SPM": f"{_ORDER}.SPECIMEN.SPM",
}
NOTES = {"OBR": f"{_ORDER}.NTE", "OBX": f"{_ORDER}.OBSERVATION.NTE"}
# The message map writes this name beside the target Observation[2].note; the map for an Observation's note stands in the same folder.
MISNAMED = {"NTE[ServiceRequest]": "NTE[Observation]"}
# What heads a FHIR message; its rows go through data type maps of its own, which are not kept here (left_out.py).
ENVELOPE = "MSH[MessageHeader]"
TIMES = {"dateTime", "DateTime", "instant", "date"}

Field = list[list[str]]


class Many(dict[Any, Any]):
    """An element that repeats, its occurrences by what made them."""


@dataclass(frozen=True, kw_only=True, slots=True)
class Target:
    """An element of one resource: the steps down to it, and what tells its occurrence from others of a repeating element."""

    resource: str
    steps: tuple[tuple[str, str], ...]
    occurrence: tuple[Any, ...]

    def down(self, path: str) -> Target:
        """Give the element at ``path`` below this one."""
        return Target(resource=self.resource, steps=self.steps + steps_of(path), occurrence=self.occurrence)


@dataclass(kw_only=True, slots=True)
class Converted:
    """What the mapping made of one message, and how.

    ``resources``: trees by name ("Patient", "Observation[0]"). ``applied`` and ``untrue`` are rows met whose condition was true or not;
    ``passed`` are rows met that could not be applied. ``left`` are components with a value (OBX-2.1) that no row took.
    ``fields`` are the values by field name, such as ``MSH-4``, and those of one OBX as ``Observation[0] OBX-16``.
    """

    resources: dict[str, dict[str, Any]] = field(default_factory=dict)
    applied: set[Row] = field(default_factory=set)
    untrue: set[Row] = field(default_factory=set)
    passed: set[Row] = field(default_factory=set)
    left: set[str] = field(default_factory=set)
    fields: dict[str, list[str]] = field(default_factory=dict)


def convert(payload: bytes, agreed: Mapping[str, str]) -> Converted:
    """Apply the mapping to one ORU^R01 of one order. ``agreed`` gives the URIs of the names that the two sides agreed on."""
    conversion = _Conversion(agreed=agreed)
    for ordinal, (name, fields) in enumerate(parts(payload)):
        conversion.take(ordinal, name, fields)
    conversion.link()
    return conversion.done


def plain(tree: Any) -> Any:
    """Give the tree with its repeating elements as lists."""
    if isinstance(tree, Many):
        return [plain(each) for each in tree.values()]
    return {name: plain(each) for name, each in tree.items()} if isinstance(tree, dict) else tree


@dataclass(kw_only=True, slots=True)
class _Conversion:
    agreed: Mapping[str, str]
    done: Converted = field(default_factory=Converted)
    segments: dict[str, list[Field]] = field(default_factory=dict)  # the newest of each name: what conditions look at
    links: list[tuple[Target, str]] = field(default_factory=list)
    pads: int = 0
    notes_of: str = ""

    def take(self, ordinal: int, name: str, fields: list[Field]) -> None:
        """Apply every map of one segment."""
        self.segments[name] = fields
        place = NOTES[self.notes_of] if name == "NTE" else PLACES[name]
        self.notes_of = name if name in NOTES else self.notes_of
        self.pads += name == "OBX"
        taken: set[tuple[int, int, int]] = set()
        for row in maps()["message ORU_R01"]:
            if row.source == place and row.status == "mapped" and self._goes(row, self._look):
                self._map_segment(row, ordinal, fields, taken)
        self._note_left(place.rpartition(".")[2] if name != "NTE" else f"{self.notes_of}/NTE", fields, taken)

    def link(self) -> None:
        """Let the resources point to each other, as the message map's references say; then the trees are done."""
        for target, name in self.links:
            if name in self.done.resources and target.resource in self.done.resources:
                self._put(target, {"->Patient": self.done.resources[name]} if name == "Patient" else f"-> {name}")
        self.done.resources = {name: plain(tree) for name, tree in self.done.resources.items()}

    def _map_segment(self, said: Row, ordinal: int, fields: list[Field], taken: set[tuple[int, int, int]]) -> None:
        name = MISNAMED.get(said.datatype, said.datatype)
        if name not in maps() or name == ENVELOPE:
            self.done.applied.discard(said)
            self.done.passed.add(said)
            return
        resource = self._named(said.path.split(".")[0])
        self.done.resources.setdefault(resource, {})
        for number, row in numbered(name):
            if number == 0:
                self._whole(row, resource)
                continue
            for repetition, components in enumerate(fields[number] if number < len(fields) else []):
                if any(components) and self._goes(row, self._look):
                    target = Target(
                        resource=resource,
                        steps=steps_of(row.path) if sayable(row) else (),
                        occurrence=(ordinal, row.source, repetition),
                    )
                    used = self._apply(row, target, components)
                    taken.update((number, repetition, component) for component in used)
        for reference in re.split(r"[;\n]\s*", said.assignment) if said.assignment else []:
            left, _, right = reference.strip().partition("=")
            owner, _, path = left.partition(".")
            made = self._named(right.partition(".")[0])
            self.links.append(
                (Target(resource=self._named(owner), steps=steps_of(path.removesuffix(".reference")), occurrence=(made,)), made)
            )

    def _whole(self, row: Row, resource: str) -> None:
        """Apply a row of the segment as such."""
        self.done.applied.add(row)
        self._put(Target(resource=resource, steps=steps_of(row.path), occurrence=(row.source,)), row.constant)

    def _named(self, target: str) -> str:
        """Give our name of a resource in the map: Observation[2] is the newest OBX's.

        Specimen[1] of the OBR and Specimen[n] of the SPM are one: a message of ours has one of each, of the same urine.
        """
        kind = target.partition("[")[0]
        return f"Observation[{self.pads - 1}]" if kind == "Observation" else kind

    def _look(self, ref: str) -> str:
        """Give the text of a field or component that a condition names; "" where it has none."""
        name, number, component = field_ref(ref)
        fields = self.segments.get(name, [])
        value = fields[number][0] if number < len(fields) and fields[number] else []
        if component:
            return value[component - 1] if component <= len(value) else ""
        return "^".join(value).rstrip("^")

    def _goes(self, row: Row, look: Look) -> bool:
        true = is_true(row, look, self.agreed)
        (self.done.applied if true else self.done.untrue).add(row)
        return true

    def _apply(self, row: Row, target: Target, components: list[str]) -> set[int]:
        """Apply one row to one value; give the numbers of the components that it took."""
        first = components[0]
        if row.constant and sayable(row):
            self._put(target, row.constant)
        elif row.datatype and sayable(row) and f"datatype {row.datatype}" in maps():
            return self._spread(row, target, components)
        elif row.kind == "Reference(ServiceRequest)":
            pass  # the message map's reference makes it
        elif row.datatype == "FN[HumanName]":  # FN.1 is the surname (HL7 2.5.1 chapter 2A, FN)
            self._put(target, first)
        elif not sayable(row) or row.datatype or row.kind == "uri":
            return self._pass(row)
        elif row.vocabulary:
            if not (concept := self._concept(row.vocabulary, first)):
                return self._pass(row)
            self._put(target, concept.path)
        else:
            self._put(target, fhir_time(first) if row.kind in TIMES else first)
        return {1} if first else set()

    def _pass(self, row: Row) -> set[int]:
        self.done.applied.discard(row)
        self.done.passed.add(row)
        return set()

    def _spread(self, field_row: Row, target: Target, components: list[str]) -> set[int]:
        """Apply a data type map to the components of one value."""
        used: set[int] = set()
        kind = field_row.datatype.partition("[")[0]

        def look(ref: str) -> str:
            number = int(re.sub(r"\D", "", ref.removeprefix(kind)))
            return components[number - 1] if number <= len(components) else ""

        concept = self._concept(field_row.vocabulary, components[0]) if field_row.vocabulary else None
        for row in maps()[f"datatype {field_row.datatype}"]:
            number = int(row.source.partition(".")[2] or 1)
            text = components[number - 1] if number <= len(components) else ""
            if not row.source:  # a row of the data type as such
                text = "".join(components)
            if concept and row.path in {"coding[1].code", "coding[1].display", "coding[1].system"}:
                values = {"code": concept.path, "display": concept.kind, "system": concept.vocabulary}
                self._put(target.down(row.path), values[row.path.partition(".")[2]])
                self.done.applied.add(row)
                used.add(number)
            elif text and self._goes(row, look):
                used |= {number} if self._component(row, target, text) else set()
        return used

    def _component(self, row: Row, target: Target, text: str) -> bool:
        """Apply one row of a data type map to one component; say whether it took it."""
        if not sayable(row):
            return bool(self._pass(row))
        inner = row.path.removeprefix("[1].").removeprefix("Quantity.")
        below = target if inner == "$value" else target.down(inner)
        if row.kind == "uri" and not row.constant and not row.datatype:
            if not (uri := self._uri(text)):
                return bool(self._pass(row))
            self._put(below, uri)
            return True
        if row.kind == "url":
            self._put(below, self.agreed[text])
            return True
        if row.kind == "decimal":
            self._put(below, Number(text))
            return True
        return bool(self._apply(row, below, [text]))

    def _uri(self, name: str) -> str:
        if table := HL7_TABLE.fullmatch(name):
            return f"http://terminology.hl7.org/CodeSystem/v2-{table[1]}"
        return SYSTEMS.get(name) or self.agreed.get(name, "")

    def _concept(self, name: str, code: str) -> Row | None:
        return next((row for row in maps()[f"concept {name}"] if row.source == code and row.status == "mapped"), None)

    def _put(self, target: Target, value: Any) -> None:
        """Set an element. Raises ValueError if it is there already with another value, or if R4 does not have it."""
        node: dict[Any, Any] = self.done.resources[target.resource]
        kind, occurrence = target.resource.partition("[")[0], target.occurrence
        for step, (name, index) in enumerate(target.steps):
            last, key = step == len(target.steps) - 1, cast("Any", name)
            if name.startswith("->"):
                node, kind = node.setdefault(name, {}), name[2:]
                continue
            repeats, inner = element(kind, name)
            if repeats:
                node, key = node.setdefault(name, Many()), (*occurrence, index)
                occurrence = ()
            if last and inner == "Identifier":  # ST[Identifier]: a string for an Identifier is its value
                node.setdefault(key, {})["value"] = value
            elif last:
                if node.setdefault(key, value) != value:
                    raise ValueError(f"{target} is {node[key]!r} already, not {value!r}")
            else:
                node, kind = node.setdefault(key, {}), inner

    def _note_left(self, name: str, fields: list[Field], taken: set[tuple[int, int, int]]) -> None:
        for number, repetitions in enumerate(fields):
            for repetition, components in enumerate(repetitions):
                for component, text in enumerate(components, 1):
                    if number and text:
                        self.done.fields.setdefault(f"{name}-{number}", []).append(text)
                        if name == "OBX":
                            self.done.fields.setdefault(f"Observation[{self.pads - 1}] OBX-{number}", []).append(text)
                        if (number, repetition, component) not in taken:
                            self.done.left.add(f"{name}-{number}.{component}")
