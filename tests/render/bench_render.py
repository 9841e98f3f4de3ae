"""How fast prepared plans render, beside the libraries building the same message in the same run. By hand, not a test.

    python -m tests.render.bench_render

Prints messages a second and the ratio; only the ratio means something on another machine. Both sides' outcome is
compared first: the ORU byte for byte, the Bundle value for value (fhir.resources drops trailing zeros of decimals).
"""

from __future__ import annotations

import json
import statistics
import time
from collections.abc import Callable
from dataclasses import replace
from functools import partial
from typing import Any
from zoneinfo import ZoneInfo

from fhir.resources.R4B.bundle import Bundle
from hl7apy.core import Message, Segment

from bridge.model import CodedResult, Format
from bridge.render import Plan, compile_plan
from bridge.render.samples import samples
from tests.render.every_sample import terms_for
from tests.render.results_for_tests import MADE_AT
from tests.render.tables_for_tests import BASIC, shipped

PROFILE, STRIP = "fjord", "plover-12"  # the strip type with the most pads
ROUNDS = 7  # the median of so many is told
# the groups of ORU_R01, 2.5.1
GROUPS = {"OBX": "ORU_R01_OBSERVATION", "TQ1": "ORU_R01_TIMING_QTY", "SPM": "ORU_R01_SPECIMEN"}


def build_with_hl7apy(lines: list[str]) -> bytes:
    """Build the message out of its fields through hl7apy's groups, segments and fields, and write it."""
    message = Message("ORU_R01", version="2.5.1")
    filled(message.msh, ["", "", *lines[0].split("|")[2:]])
    result = message.add_group("ORU_R01_PATIENT_RESULT")
    result.add_group("ORU_R01_PATIENT").add(filled(Segment("PID", version="2.5.1"), lines[1].split("|")[1:]))
    order = result.add_group("ORU_R01_ORDER_OBSERVATION")
    place = order
    for line in lines[2:]:
        name, *cells = line.split("|")
        if name in GROUPS:
            place = order.add_group(GROUPS[name])
        place.add(filled(Segment(name, version="2.5.1"), cells))
    return (str(message.to_er7()) + "\r").encode()


def filled(segment: Any, cells: list[str]) -> Any:
    """Give the segment with its fields filled from field 1 on."""
    for number, cell in enumerate(cells, 1):
        if cell:
            setattr(segment, f"{segment.name.lower()}_{number}", cell)
    return segment


def build_with_fhir_resources(plain: dict[str, Any]) -> bytes:
    """Build the Bundle's models out of plain values, which validates them, and write it."""
    return Bundle.model_validate(plain).model_dump_json().encode()


def per_second(work: Callable[[], object], count: int) -> float:
    """Give how often ``work`` runs a second: the median of ROUNDS runs of ``count`` each."""
    rates = []
    for _ in range(ROUNDS):
        begin = time.perf_counter()
        for _ in range(count):
            work()
        rates.append(count / (time.perf_counter() - begin))
    return statistics.median(rates)


def ordered(value: Any) -> Any:
    """Give a JSON value with its numbers as floats and its members in order of name."""
    if isinstance(value, dict):
        return {name: ordered(value[name]) for name in sorted(value)}
    return [ordered(inner) for inner in value] if isinstance(value, list) else value


def prepared(fmt: Format) -> tuple[Plan, CodedResult, bytes]:
    """Give a plan, a result and its message."""
    terms = replace(terms_for(fmt, "numbers"), zone=ZoneInfo("Asia/Kolkata"))  # fhir.resources writes +00:00 as Z
    plan = compile_plan(terms, PROFILE, STRIP, shipped())
    result = samples(terms, PROFILE, STRIP, shipped())[1]
    return plan, result, plan.render(result, control_id="BENCHM1", made_at=MADE_AT).payload


def main() -> None:
    """Measure both formats and print two lines each."""
    plan, result, payload = prepared(Format.ORU_R01)
    lines = payload.decode().rstrip("\r").split("\r")
    assert build_with_hl7apy(lines) == payload, "hl7apy gives other bytes"
    ours = per_second(lambda: plan.render(result, control_id="BENCHM1", made_at=MADE_AT), 1000)
    theirs = per_second(lambda: build_with_hl7apy(lines), 10)
    print(
        f"ORU^R01, {len(result.pads)} pads, {len(payload)} bytes: ours {ours:,.0f}/s, hl7apy {theirs:,.1f}/s, ratio {ours / theirs:,.0f}"
    )

    plan, result, payload = prepared(Format.FHIR)
    plain = json.loads(payload)
    assert ordered(json.loads(build_with_fhir_resources(plain))) == ordered(plain), "fhir.resources says something else"
    ours = per_second(lambda: plan.render(result, control_id="BENCHM1", made_at=MADE_AT), 300)
    theirs = per_second(lambda: build_with_fhir_resources(plain), 50)
    print(
        f"Bundle, {len(plain['entry'])} entries, {len(payload)} bytes: ours {ours:,.0f}/s, fhir.resources {theirs:,.0f}/s, ratio {ours / theirs:,.1f}"
    )

    for fmt in BASIC:
        compiled = per_second(partial(compile_plan, terms_for(fmt, "numbers"), PROFILE, STRIP, shipped()), 5)
        print(f"compiling one {fmt.value} plan takes {1000 / compiled:.1f} ms")


if __name__ == "__main__":
    main()
