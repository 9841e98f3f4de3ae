"""hl7apy and fhir.resources on everything that we can send, and on what they must refuse.

Outside the project: PyPI hl7apy 1.3.5 (strict parse and validate against the 2.5.1 tables, its warnings read) and
fhir.resources 8.3 (R4B models). Not the default import: that is R5.
"""

from __future__ import annotations

import subprocess
import sys
from functools import cache
from pathlib import Path

import pytest

from bridge.model import CodedResult, Format
from bridge.render.oracles import HL7APY_LIMITS, PRE_ADOPTED, oracle_faults
from tests.render.every_sample import EVERY_PLAN, rendered
from tests.render.written import format_of, golden

GOLDEN = Path(__file__).parent / "golden"
STAT = (GOLDEN / "abnormal_stat.hl7").read_bytes().replace(b"\n", b"\r")
BUNDLE = (GOLDEN / "normal.json").read_bytes()

# two profiles of one strip type give the same bytes: the libraries are asked once
asked = cache(oracle_faults)


# hl7apy takes 30 ms a message. All HL7 structures share their OBX, and how a grade is told changes one field of it: every step is shown as
# ORU^R01 in the three unit systems; the other forms of grades and the other structures by two plain strips. All that differs beside the pads
# (STAT, corrections, hostile texts) is shown of every structure and strip once: the form of values changes nothing of it, and
# test_every_combination.py has every structure in every unit system.
UNIT_SYSTEMS = {"grades", "numbers", "si"}
SHOWN = [(fmt, *plan) for fmt in Format for plan in EVERY_PLAN if fmt.is_fhir or fmt is Format.ORU_R01 or plan[0] in UNIT_SYSTEMS]


def is_shown(fmt: Format, order: str, number: int, sample: CodedResult) -> bool:
    """Say whether the library is asked about a sample, by what stands above."""
    is_beside = int(sample.result_id.removeprefix("SMPL1R")) >= 900
    if fmt.is_fhir:
        return True
    return order == "grades" if is_beside else number < 2 or (fmt is Format.ORU_R01 and order in UNIT_SYSTEMS)


@pytest.mark.slow
@pytest.mark.parametrize(("fmt", "order", "profile", "strip"), SHOWN)
def test_the_library_finds_nothing_in_any_sample(fmt: Format, order: str, profile: str, strip: str) -> None:
    """Every step of every pad in every printed text, STAT, corrections, hostile texts: no error and no warning but the named limits."""
    shown = [each for number, each in enumerate(rendered(fmt, order, profile, strip)) if is_shown(fmt, order, number, each[0])]
    found = {sample.result_id: faults for sample, payload in shown if (faults := asked(fmt, payload))}
    assert found == {}
    assert len(shown) >= (
        2 + 4 + 6 if fmt.is_fhir or order == "grades" else 2
    )  # plain strips, the variants, at least six hostile texts


def test_the_golden_messages_pass() -> None:
    """What was written by hand is valid too, so the two ways to a message agree."""
    for path in sorted(GOLDEN.glob("*.hl7")):
        assert oracle_faults(format_of(path.name), golden(path.name)) == (), path.name
    for path in sorted(GOLDEN.glob("*.json")):
        assert oracle_faults(Format.FHIR, path.read_bytes()) == (), path.name


@pytest.mark.parametrize(
    ("old", "new", "said"),
    [
        (b"|A|||F|", b"|POS|||F|", "hl7apy says Warning: Value POS not in table HL70078 in element OBX.OBX_8"),
        (b"|A|||F|", b"|A|||Q|", "hl7apy says Warning: Value Q not in table HL70085 in element OBX.OBX_11"),
        (b"OBR|1|", b"OBZ|1|", "hl7apy says Error: Missing required child ORU_R01_ORDER_OBSERVATION.OBR"),
        (b"PID|1||1002003^^^CLINIC^MR|", b"PID|1|||", "hl7apy says Error: Missing required child PID.PID_3"),
        (b"|A|||F|", b"|A||||", "hl7apy says Error: Missing required child OBX.OBX_11"),
        (
            b"|20261125081610+0000||ORU^R01",
            b"|yesterday||ORU^R01",
            "hl7apy cannot parse it: yesterday is not an HL7 valid date value",
        ),
        (b"|P|2.5.1|", b"|P|2.5.9|", "hl7apy cannot parse it: The version 2.5.9 is not supported"),
    ],
)
def test_hl7apys_errors_and_warnings_are_both_read(old: bytes, new: bytes, said: str) -> None:
    """validate() raises nothing for a wrong table value: only its report says so, and the report must be read."""
    assert old in STAT
    assert said in oracle_faults(Format.ORU_R01, STAT.replace(old, new, 1))


def test_exactly_the_named_fields_are_taken_out_before_hl7apy_looks() -> None:
    """The list of pre-adopted fields is printed here; hl7apy refuses each of them, and every other late field still."""
    named = {fmt.value: {f"{name}-{number}" for name, number in fields} for fmt, fields in PRE_ADOPTED.items()}
    assert named == {"oru_r01_us": {"OBX-29"}}
    assert all(reason.startswith("observation type, from 2.8") for fields in PRE_ADOPTED.values() for reason in fields.values())
    message = golden("us_ordered.hl7")
    assert message.count(b"||||RSLT\r") == 3
    assert oracle_faults(Format.ORU_R01_US, message) == ()
    assert oracle_faults(Format.ORU_R01, message)[0].startswith("hl7apy cannot parse it")
    for late in (b"|||x|RSLT\r", b"||||RSLT|x\r"):
        changed = message.replace(b"||||RSLT\r", late, 1)
        assert oracle_faults(Format.ORU_R01_US, changed)[0].startswith("hl7apy cannot parse it")


def test_the_limits_excuse_only_what_they_name() -> None:
    """CWE, UCUM and HL7nnnn are right and unknown to hl7apy's tables; a neighbour of each is not excused."""
    excused = [
        "Warning: Value CWE not in table HL70125 in element OBX.OBX_2",
        "Warning: Value UCUM not in table HL70396 in element CE.CE_3",
        "Warning: Value HL70487 not in table HL70396 in element CWE.CWE_3",
    ]
    kept = [
        "Warning: Value CWX not in table HL70125 in element OBX.OBX_2",
        "Warning: Value CWE not in table HL70125 in element OBX.OBX_3",
        "Warning: Value UCUM2 not in table HL70396 in element CE.CE_3",
        "Warning: Value HL7 not in table HL70396 in element CWE.CWE_3",
        "Error: Value UCUM not in table HL70396 in element CE.CE_3",
    ]
    assert [any(limit.fullmatch(line) for limit in HL7APY_LIMITS) for line in excused] == [True] * 3
    assert [any(limit.fullmatch(line) for limit in HL7APY_LIMITS) for line in kept] == [False] * 5


@pytest.mark.parametrize(
    ("old", "new", "place"),
    [
        (b'"status":"final",', b"", "status"),
        (b'"valueQuantity":{"value":1.010,', b'"valueQuantity":{"value":"much",', "valueQuantity.value"),
        (
            b'"effectiveDateTime":"2026-11-25T08:15:30+00:00"',
            b'"effectiveDateTime":"2026-02-30T08:15:30+00:00"',
            "effectiveDateTime",
        ),
        (b'"method":"POST"', b'"methode":"POST"', "request.methode"),
        (b'"type":"transaction",', b'"type":"transaction","typo":1,', "typo"),
    ],
)
def test_fhir_resources_refuses_what_r4_does_not_know(old: bytes, new: bytes, place: str) -> None:
    """Missing, wrong and unknown elements are named by their path."""
    assert old in BUNDLE
    found = oracle_faults(Format.FHIR, BUNDLE.replace(old, new, 1))
    assert len(found) >= 1
    assert any(fault.startswith("fhir.resources at ") and place in fault.split(": ")[0] for fault in found), found


def test_the_serving_process_never_imports_the_libraries() -> None:
    """ARCHITECTURE rule 10: they are slow to import and large, and the service must not need them to run."""
    asked_modules = "import sys, bridge.app, bridge.service, bridge.cli.serve; print(sorted({'hl7apy', 'fhir', 'fhir_core'} & {name.split('.')[0] for name in sys.modules}))"
    child = subprocess.run([sys.executable, "-c", asked_modules], capture_output=True, text=True, timeout=60, check=True)
    assert child.stdout == "[]\n"
