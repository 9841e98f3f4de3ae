"""The child that shows messages to the oracles, as the service talks to it."""

from __future__ import annotations

import base64
import json
import sys
from pathlib import Path

import pytest

from tests.cli.commands import padpost

DATA = Path(__file__).parent / "data"
HL7 = (DATA / "renal.hl7").read_text(encoding="utf-8").replace("NOW", "20260706090000+0000").replace("\n", "\r").encode()
FHIR = (DATA / "renal.fhir.json").read_text(encoding="utf-8").replace("NOW", "2026-07-06T09:00:00+00:00").strip().encode()


def ask(tmp_path: Path, *asked: tuple[str, str, list[bytes]]) -> list[dict[str, str]]:
    lines = [
        json.dumps({"digest": digest, "format": fmt, "payloads": [base64.b64encode(payload).decode() for payload in payloads]})
        for digest, fmt, payloads in asked
    ]
    command = (sys.executable, "-m", "bridge.cli.plan_oracle")
    run = padpost(cwd=tmp_path, stdin="\n".join(lines).encode() + b"\n", command=command)
    assert run.returncode == 0, run.stderr.decode()
    return [json.loads(line) for line in run.stdout.splitlines()]


def test_each_line_is_answered_in_turn(tmp_path: Path) -> None:
    """Good messages have no fault; one bad payload among good ones is a fault of its plan, told in the library's words."""
    no_status = FHIR.replace(b'"status":"final",', b"", 1)
    no_order = b"\r".join(line for line in HL7.split(b"\r") if not line.startswith(b"OBR"))
    answers = ask(
        tmp_path,
        ("one", "oru_r01", [HL7]),
        ("two", "fhir", [FHIR]),
        ("three", "oru_r01", [HL7, no_order]),
        ("four", "fhir", [FHIR, no_status, FHIR]),
    )
    assert [answer["digest"] for answer in answers] == ["one", "two", "three", "four"]
    assert [answer["fault"] for answer in answers[:2]] == ["", ""]
    assert "OBR" in answers[2]["fault"]
    assert "status" in answers[3]["fault"]


def test_nothing_asked_is_nothing_answered(tmp_path: Path) -> None:
    """The end of standard input is its end."""
    command = (sys.executable, "-m", "bridge.cli.plan_oracle")
    run = padpost(cwd=tmp_path, command=command)
    assert (run.returncode, run.stdout, run.stderr) == (0, b"", b"")


@pytest.mark.parametrize("module", ["bridge.app", "bridge.cli.serve", "bridge.cli.main"])
def test_the_service_itself_never_loads_the_libraries(tmp_path: Path, module: str) -> None:
    """They are big, slow to load, and no part of the way of a result (ARCHITECTURE rule 10)."""
    look = f"import sys, {module}; print(sorted(m for m in sys.modules if m.split('.')[0] in ('hl7apy', 'fhir')))"
    run = padpost(cwd=tmp_path, command=(sys.executable, "-c", look))
    assert run.stdout == b"[]\n", run.stderr.decode()
