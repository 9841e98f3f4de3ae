"""Every step of every pad goes out and comes back: step -> message -> a receiver's own parse -> the same step.

The receiver is another program: python-hl7 for HL7 v2 (second_decoder.py), the standard library's JSON with Decimal numbers for FHIR. It finds
the step by code, value, unit and comparator in the ladder's and the catalogue's YAML files, read here apart from bridge/tables/.
"""

from __future__ import annotations

import json
from collections.abc import Iterator
from dataclasses import dataclass, replace
from decimal import Decimal
from functools import cache

import pytest
import yaml

from bridge.coding import code
from bridge.model import Format, UnitSystem
from bridge.render import compile_plan
from bridge.settings import shipped_mappings
from tests.render.every_sample import ORDERS, terms_for
from tests.render.fhir_sites import REEDBANK
from tests.render.results_for_tests import MADE_AT, checked
from tests.render.second_decoder import components
from tests.render.tables_for_tests import shipped

LOCAL = "urn:padpost:local"  # FHIR's name of our own codes, which words (colour, clarity) have; HL7's is L
WANTED = ("grades", "numbers", "si", "text")  # arbitrary, conventional and SI first; and grades as plain text
STRIPS = tuple(sorted(path.stem for path in (shipped_mappings() / "strip_types").glob("*.yaml")))


@dataclass(frozen=True, kw_only=True)
class Received:
    """What a receiver takes from one result: LOINC code, value as text, unit and comparator (empty where there is none)."""

    code: str
    value: str
    unit: str = ""
    comparator: str = ""


@dataclass(frozen=True, kw_only=True)
class Found:
    """A step of a ladder, and in which unit system its value was given."""

    pad: str
    rank: int
    system: UnitSystem


@cache
def document(name: str) -> dict:  # type: ignore[type-arg] # plain YAML
    made: dict = yaml.safe_load((shipped_mappings() / name).read_text(encoding="utf-8"))  # type: ignore[type-arg]
    return made


@cache
def lookup(strip: str) -> dict[Received, set[Found]]:
    """Give what each step of a strip may be received as, from the files alone."""
    catalogue = document("catalogue.yaml")
    found: dict[Received, set[Found]] = {}
    for row in document(f"strip_types/{strip}.yaml")["pads"]:
        for rank, step in enumerate(row["ladder"]):
            for said, system in _said(row, step, catalogue):
                found.setdefault(said, set()).add(Found(pad=row["pad"], rank=rank, system=system))
    return found


def _said(row: dict, step: dict, catalogue: dict) -> Iterator[tuple[Received, UnitSystem]]:  # type: ignore[type-arg] # plain YAML
    for each in catalogue["pads"][row["pad"]]["codes"]:
        if each["property"] == "PrThr" and "grade" in step:
            answer = catalogue["answers"][step["grade"]]
            yield Received(code=each["code"], value=answer["code"]), UnitSystem.ARBITRARY
            yield Received(code=each["code"], value=answer["text"]), UnitSystem.ARBITRARY
        if each["property"] == "Type" and "word" in step:
            word = catalogue["pads"][row["pad"]]["words"][step["word"]]
            yield Received(code=each["code"], value=word["code"]), UnitSystem.ARBITRARY
            yield Received(code=each["code"], value=word["text"]), UnitSystem.ARBITRARY
        for system in (UnitSystem.CONVENTIONAL, UnitSystem.SI):
            scale, number = row.get(system.value), step.get(system.value)
            if scale and number and each["property"] == scale["property"]:
                digits = number.lstrip("<>=")
                comparator = number.removesuffix(digits)
                yield Received(code=each["code"], value=digits, unit=scale["unit"], comparator=comparator), system


def received(fmt: Format, payload: bytes) -> list[Received]:
    """Give every result of a message as its receiver takes it, but for computed ratios: no step of a ladder stands for one (test_sorrel.py)."""
    pads = document("catalogue.yaml")["pads"].values()
    computed = {each["code"] for pad in pads if "ratio" in pad for each in pad["codes"]}
    return [each for each in (_observations(payload) if fmt.is_fhir else _segments(payload)) if each.code not in computed]


def _segments(payload: bytes) -> Iterator[Received]:
    for obx in components(payload, "OBX"):
        (kind,), what, value, unit = obx[2], obx[3], obx[5], obx[6]
        assert what[2] == "LN"
        match kind:
            case "NM":
                yield Received(code=what[0], value=value[0], unit=unit[0])
            case "SN":
                yield Received(code=what[0], value=value[1], unit=unit[0], comparator=value[0])
            case "CWE":
                assert (value[2] in {"LN", "L"}, unit) == (True, [""])
                yield Received(code=what[0], value=value[0])
            case "ST":
                assert unit == [""]
                yield Received(code=what[0], value=value[0])
            case other:
                raise AssertionError(f"OBX-2 is {other}")


def _observations(payload: bytes) -> Iterator[Received]:
    bundle = json.loads(payload, parse_float=Decimal, parse_int=Decimal)
    for resource in (entry["resource"] for entry in bundle["entry"]):
        what = next((coding["code"] for coding in resource.get("code", {}).get("coding", ()) if "loinc" in coding["system"]), "")
        if "valueQuantity" in resource:
            value = resource["valueQuantity"]
            assert value["system"] == "http://unitsofmeasure.org"
            yield Received(code=what, value=str(value["value"]), unit=value["code"], comparator=value.get("comparator", ""))
        elif "valueCodeableConcept" in resource:
            (coding,) = resource["valueCodeableConcept"]["coding"]
            assert coding["system"] in {"http://loinc.org", LOCAL}
            yield Received(code=what, value=coding["code"])
        elif "valueString" in resource:
            yield Received(code=what, value=resource["valueString"])


def message(fmt: Format, order: str, strip: str, rank: int) -> bytes:
    """Render the strip whose pads all stand at ``rank``, or at their highest step where their ladder is shorter."""
    tables = shipped()
    profile = next(name for name, made in sorted(tables.profiles.items()) if strip in made.strip_types.values())
    ranks = tuple(min(rank, len(pad.ladder) - 1) for pad in tables.strip_types[strip].pads)
    made = checked(ranks, strip=tables.strip_types[strip], profile=profile)
    result = code(made, tables, result_id="TRIPR1", version=1)
    plan = compile_plan(replace(terms_for(fmt, order), laboratory=REEDBANK), profile, strip, tables)
    return plan.render(result, control_id="TRIPM1", made_at=MADE_AT).payload


def declared(strip: str, pad: str, rank: int, order: str) -> UnitSystem:
    """Give the unit system that a receiver with this order of preference should be told of a step, from the file."""
    row = next(row for row in document(f"strip_types/{strip}.yaml")["pads"] if row["pad"] == pad)
    has = {UnitSystem.ARBITRARY: {"grade", "word"}, UnitSystem.CONVENTIONAL: {"conventional"}, UnitSystem.SI: {"si"}}
    return next(system for system in ORDERS[order] if has[system] & row["ladder"][rank].keys())


@pytest.mark.parametrize("order", WANTED)
@pytest.mark.parametrize("fmt", Format)
def test_every_step_is_received_as_itself(fmt: Format, order: str, capsys: pytest.CaptureFixture[str]) -> None:
    """One step, and the right one, matches what the receiver took; in the unit system that it asked for, where the step has it."""
    trips: set[tuple[str, str, int]] = set()
    for strip in STRIPS:
        rows = document(f"strip_types/{strip}.yaml")["pads"]
        for rank in range(max(len(row["ladder"]) for row in rows)):
            expected = [(row["pad"], min(rank, len(row["ladder"]) - 1)) for row in rows]
            found = [lookup(strip)[each] for each in received(fmt, message(fmt, order, strip, rank))]
            assert found == [{Found(pad=pad, rank=at, system=declared(strip, pad, at, order))} for pad, at in expected]
            trips |= {(strip, *step) for step in expected}
    assert len(trips) == sum(len(row["ladder"]) for strip in STRIPS for row in document(f"strip_types/{strip}.yaml")["pads"])
    with capsys.disabled():
        print(f"\n{fmt.value}, {order} first: {len(trips)} steps of {len(STRIPS)} strip types out and back")


def test_no_two_steps_are_received_alike() -> None:
    """Whatever the form, code, value, unit and comparator name one step of a strip: a receiver never has to guess."""
    assert {said: steps for strip in STRIPS for said, steps in lookup(strip).items() if len(steps) != 1} == {}


def test_the_receiver_tells_near_values_apart() -> None:
    """The proof of the proof: another digit, a lost zero, another unit, or a lost comparator is no step or another one."""
    known = lookup("plover-12")
    said = Received(code="53326-5", value="1.010", unit="1")
    assert known[said] == {Found(pad="specific_gravity", rank=2, system=UnitSystem.CONVENTIONAL)}
    for near in (
        Received(code="53326-5", value="1.01", unit="1"),
        Received(code="53326-5", value="1.010"),
        Received(code="53326-5", value="1.036", unit="1"),
        Received(code="50560-2", value="1.010", unit="1"),
    ):
        assert near not in known
