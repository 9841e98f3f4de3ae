"""HL7's published v2-to-FHIR mapping as values: its rows, what their conditions mean, and what its paths name in R4.

The rows' origin is in data/README.md. A condition that is said in words is read here by hand, and one that is not understood fails.
"""

from __future__ import annotations

import csv
import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from functools import cache
from pathlib import Path

from tests.render.fhir_check import r4_definitions

DATA = Path(__file__).parent / "data"
_STEP = re.compile(r"(?P<name>[A-Za-z]+)(?:\[(?P<index>\d+|n)\])?")
_CLAUSE = re.compile(
    r"""(?:IF\ )?\(?(?P<refs>\S+(?:\ OR\ \S+)*?)\ (?:IS\ )?(?P<no>NOT\ )?
    (?:(?P<valued>VALUED)|(?:EQUALS\ |=\ )?"(?P<word>[^"]*)"|IN\ \((?P<words>[^)]*)\)|LENGTH\ GREATER\ THAN\ (?P<length>\d+))\)?""",
    re.VERBOSE | re.IGNORECASE,
)
_DTM = re.compile(r"(\d{4})(\d\d)?(\d\d)?(?:(\d\d)(\d\d)(\d\d)?)?(?:([+-]\d\d)(\d\d))?")

Look = Callable[[str], str]


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class Row:
    """One row of a map: ``source`` goes to ``path`` of the map's FHIR type where ``condition`` is true."""

    map: str
    source: str
    condition: str
    path: str
    status: str
    kind: str
    datatype: str
    vocabulary: str
    assignment: str

    @property
    def constant(self) -> str:
        """Give the text that the row assigns, "" if none. Raises ValueError for an expression: none of our messages needs one."""
        if self.assignment[:1] in {"", "/"}:  # between slashes stands a remark: "must convert v2 date time format"
            return ""
        if not (quoted := re.fullmatch(r'"([^"]*)"', self.assignment)):
            raise ValueError(f"An assignment of the mapping is not understood: {self.assignment!r}")
        return quoted[1]

    @property
    def label(self) -> str:
        """Give a name for lists: the map, the source and the target."""
        return f"{self.map} {self.source} -> {self.path}"


@dataclass(frozen=True, slots=True)
class Number:
    """A JSON number by its digits, so that 1.010 is not 1.01."""

    digits: str


def sayable(row: Row) -> bool:
    """Say whether a row names an element: it is not still to be decided, and its path is one."""
    return row.status == "mapped" and "??" not in row.path and row.path != "$this"


@cache
def maps() -> Mapping[str, tuple[Row, ...]]:
    """Give the mapping's rows by map."""
    found: dict[str, list[Row]] = {}
    for name in ("v2_to_fhir_message.csv", "v2_to_fhir_rows.csv"):
        with (DATA / name).open(encoding="utf-8", newline="") as file:
            for each in csv.DictReader(file):
                row = Row(
                    map=each["map"],
                    source=each["source"],
                    condition=each["condition"],
                    path=each["fhir_path"],
                    status=each["status"],
                    kind=each["fhir_type"],
                    datatype=each["datatype_map"],
                    vocabulary=each["vocab_map"],
                    assignment=each["assignment"],
                )
                found.setdefault(row.map, []).append(row)
    return {name: tuple(rows) for name, rows in found.items()}


@cache
def numbered(name: str) -> tuple[tuple[int, Row], ...]:
    """Give the rows of a segment map, each with the number of its field; 0 for a row of the segment as such."""
    return tuple((int(row.source.partition("-")[2] or 0), row) for row in maps()[name])


@cache
def field_ref(text: str) -> tuple[str, int, int]:
    """Cut OBX-5.3 into segment, field and component; 0 where no component is named. Raises ValueError if it names no field."""
    found = re.fullmatch(r"([A-Z0-9]{3})[-.](\d+)(?:\.(\d+))?", text)
    if not found:
        raise ValueError(f"not a field: {text!r}")
    return found[1], int(found[2]), int(found[3] or 0)


# --- conditions


def _needs_request(look: Look) -> bool:
    return bool(look("ORC-2"))  # somebody ordered it: only then is there an order whose request the receiver may need


# A condition that is said in words, or in a form of its own -> whether it is true. Each is met by our messages; another one fails.
NARRATIVE: Mapping[str, Callable[[Look], bool]] = {
    "ORC-2 empty or no ORC": lambda look: not look("ORC-2"),
    "ORC-3 empty or no ORC": lambda look: not look("ORC-3"),
    "If a ServiceRequest needs to be created for the receiver.": _needs_request,
    "IF ORC VALUED; If a ServiceRequest needs to be created for the receiver.": _needs_request,
    "If there is a source in MSH-4, or known based on the configuration.": lambda look: bool(look("MSH-4")),
    "IF PID-33 AND PID-34 VALUED": lambda look: bool(look("PID-33") and look("PID-34")),
    # OBX-5 repeats in none of our messages, and OBX-29 came with HL7 2.8
    'IF (OBX-5 LST.count LESS THAN OR EQUALS 1 OR OBX-2 IS "NA") AND OBX-29 NOT IN ("QST", "SCI")': lambda look: True,
    'IF (OBX-5 LST.count GREATER THAN 1 AND OBX-2 IS NOT "NA") AND OBX-29 NOT IN ("QST", "SCI")': lambda look: False,
}
# "narrative condition, see source map": said per row, (map, source, path) -> whether it is true of us, from the source's own words
NARRATIVE_ROWS = {
    # "If mapped to FHIR, use Code System and Display": the concept map's where there is one, else what was sent; so always applied
    ("datatype CWE[CodeableConcept]", "CWE.1", "coding[1].code"): True,
    # "If not in [the registry] then determine whether organization or system": the two sides agreed on a system (``agreed``)
    ("datatype CX[Identifier]", "CX.4", "assigner(Organization)"): False,
    # the last of OBX-5's rows, for an SN that no row before it takes; each SN of ours is a comparator and a number
    ("OBX[Observation]", "OBX-5", "valueString"): False,
}
REGISTERED = "IF CX.4 IN http://hl7.org/implement/standards/fhir/identifier-registry.html"


def is_true(row: Row, look: Look, agreed: Mapping[str, str]) -> bool:
    """Say whether a row's condition is true. Raises ValueError for one that is not understood."""
    if row.condition == "narrative condition, see source map":
        return NARRATIVE_ROWS[row.map, row.source, row.path]
    if row.condition == REGISTERED:
        return look("CX.4") in agreed
    if row.condition in NARRATIVE:
        return NARRATIVE[row.condition](look)
    return not row.condition or all(_clause(clause, look) for clause in re.split(r" AND ", row.condition))


@cache
def _read_clause(text: str) -> Mapping[str, str | None]:
    found = _CLAUSE.fullmatch(text)
    if not found:
        raise ValueError(f"A condition of the mapping is not understood: {text!r}")
    return found.groupdict()


def _clause(text: str, look: Look) -> bool:
    found = _read_clause(text)
    values = [look(ref) for ref in str(found["refs"]).split(" OR ")]
    if found["valued"]:
        true = any(values)
    elif found["length"]:
        true = len(values[0]) > int(found["length"])
    else:
        words = re.findall(r'"([^"]*)"', found["words"]) if found["words"] else [found["word"]]
        true = values[0] in words
    return true is not bool(found["no"])


# --- paths and trees


@cache
def steps_of(path: str) -> tuple[tuple[str, str], ...]:
    """Cut ``performer[1](PractitionerRole.code)`` into its steps: (performer, 1), (->PractitionerRole, ""), (code, "")."""
    steps, place = [], 0
    path = path.strip()
    while place < len(path):
        mark = path[place]
        if mark in ".()":
            place += 1
            if mark != "(":
                continue
        if not (found := _STEP.match(path, place)):
            raise ValueError(f"A path of the mapping is not understood: {path!r}")
        steps.append(("->" * (mark == "(") + found["name"], found["index"] or ""))
        place = found.end()
    return tuple(steps)


@cache
def element(kind: str, name: str) -> tuple[bool, str]:
    """Say whether an element of an R4 type repeats, and of which type it is. Raises ValueError if R4 has none of the name."""
    found = r4_definitions()[kind]["properties"].get(name)
    if found is None:
        raise ValueError(f"R4 has no {kind}.{name}")
    one = found.get("items", found)
    return found.get("type") == "array", str(one.get("$ref", "")).rpartition("/")[2]


def fhir_time(text: str) -> str:
    """Give an HL7 time as FHIR writes it: as exact as it was, with its offset."""
    found = _DTM.fullmatch(text)
    if not found:
        raise ValueError(f"not a DTM: {text!r}")
    year, month, day, hour, minute, second, *offset = found.groups()
    date = "-".join(part for part in (year, month, day) if part)
    return f"{date}T{hour}:{minute}:{second or '00'}{':'.join(offset)}" if hour else date
