"""``padpost`` as a user runs it: a process of its own, in a folder of its own, with nothing in the environment but what is said."""

from __future__ import annotations

import os
import subprocess
import sys
from collections.abc import Mapping, Sequence
from pathlib import Path

import pytest

from bridge.cli.main import run

ROOT = Path(__file__).parents[2]
COMMAND = (sys.executable, "-m", "bridge")
PATIENCE_S = 60.0  # a slow machine may need this long


def environment(**more: str) -> dict[str, str]:
    """Give the whole environment of a command: what Python needs, and ``more``."""
    return {
        "PATH": os.defpath,
        "LANG": "C.UTF-8",
        "PYTHONPATH": str(ROOT),
        "PYTHONDONTWRITEBYTECODE": "1",
        "COLUMNS": "200",
        **more,
    }


def padpost(
    *arguments: str | Path, cwd: Path, stdin: bytes = b"", env: Mapping[str, str] | None = None, command: Sequence[str] = COMMAND
) -> subprocess.CompletedProcess[bytes]:
    """Run one command to its end."""
    return subprocess.run(
        [*command, *map(str, arguments)],
        cwd=cwd,
        input=stdin,
        env=environment(**(env or {})),
        capture_output=True,
        timeout=PATIENCE_S,
        check=False,
    )


def here(*arguments: str | Path, capfd: pytest.CaptureFixture[str]) -> tuple[int, str, str]:
    """Run one command in this process, which is quicker, where many cases differ in words alone. Gives status, output, errors."""
    status = run([str(argument) for argument in arguments])
    said = capfd.readouterr()
    return status, said.out, said.err


SITE = r"""site: {name: Test Clinic, zone: Europe/Lisbon, data: store}
pages: {port: 8765}
patient_ids:
  pattern: '\d{8}'
  check_digit: luhn
  authority: TEST
  system: "urn:example:test"
sources:
  - {name: drops, kind: folder, path: drops, analyzer: bench-b, profile: tern}
destinations:
  - name: outbox
    kind: folder
    path: out
    processing_id: T
"""
CHART = """  - name: chart
    kind: fhir
    base_url: "http://127.0.0.1:1/fhir"
    result_system: "urn:example:results"
    processing_id: T
    bearer:
      env: CHART_TOKEN
"""


def site(folder: Path, text: str = SITE) -> Path:
    """Write a site configuration."""
    path = folder / "site.yaml"
    path.write_text(text, encoding="utf-8")
    return path
