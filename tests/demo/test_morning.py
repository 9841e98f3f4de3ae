"""The clinic morning's verdict: exit status 0 is the known truth and nothing else. The whole run stands in tests/journey."""

from __future__ import annotations

import socket
import subprocess
import sys
from collections.abc import Iterator
from dataclasses import fields, replace
from pathlib import Path
from typing import Any

import pytest

from bridge.demo import morning
from bridge.demo.scenario import TRUTH
from bridge.errors import SettingsError

ROOT = Path(__file__).parents[2]
BOUND_S = 200  # the morning takes some 8 seconds

# The command as the program runs it, with a truth that differs in one count. As soon as the real truth is reached the
# process asks itself to stop, since the doctored one never comes; else the demo would wait until its own deadline.
DOCTORED = """
import dataclasses, os, signal, sys
from bridge.cli.main import run
from bridge.demo import morning

true, count = morning.TRUTH, morning._reached
morning.TRUTH = dataclasses.replace(true, filed_fhir=true.filed_fhir + 1)

def counted(*both):
    reached = count(*both)
    if reached == true:
        os.kill(os.getpid(), signal.SIGTERM)
    return reached

morning._reached = counted
sys.exit(run(["demo", "--once", "--port", "0", "--folder", sys.argv[1]]))
"""


def test_a_count_that_differs_from_the_truth_fails_the_demo(tmp_path: Path) -> None:
    """One report too few against the (doctored) truth: exit status 1, and the table points at that line and no other."""
    run = subprocess.run(
        [sys.executable, "-c", DOCTORED, str(tmp_path / "demo")],
        cwd=ROOT, capture_output=True, text=True, timeout=BOUND_S, check=False,
    )  # fmt: skip
    assert run.returncode == 1, run.stdout[-2000:] + run.stderr[-2000:]
    assert [line.split() for line in run.stdout.splitlines() if line.endswith("<- differs")] == [
        ["filed", "by", "FHIR", "65", "66", "<-", "differs"]
    ]


def test_a_folder_of_an_earlier_demo_is_left_alone(tmp_path: Path) -> None:
    """An earlier run's strips would be counted as this one's: exit status 2 with the remedy, and nothing is touched."""
    (tmp_path / "store").mkdir()
    run = subprocess.run(
        [sys.executable, "-m", "bridge", "demo", "--once", "--port", "0", "--folder", str(tmp_path)],
        cwd=ROOT, capture_output=True, text=True, timeout=BOUND_S, check=False,
    )  # fmt: skip
    assert (run.returncode, run.stdout) == (2, "")
    assert run.stderr == f"padpost: {tmp_path} holds an earlier demo. Give --folder a new one, or leave it out.\n"
    assert list((tmp_path / "store").iterdir()) == []


def test_a_port_in_use_is_told_before_anything_starts() -> None:
    """Better told now than when the bridge is half up; 0 gives a port that can be had."""
    with socket.create_server(("127.0.0.1", 0)) as taken:
        port = taken.getsockname()[1]
        with pytest.raises(SettingsError) as caught:
            morning._free_port(port)
    assert str(caught.value) == (
        f"The pages cannot listen on port {port}: Address already in use. Give --port another number, or 0 for any that is free."
    )
    assert morning._free_port(0) > 0


def other_counts() -> Iterator[tuple[str, Any]]:
    """Give each count of the truth with a value that it must not have."""
    for field in fields(TRUTH):
        value = getattr(TRUTH, field.name)
        yield field.name, value + 1 if isinstance(value, int) else ()


@pytest.mark.parametrize(("name", "value"), list(other_counts()))
def test_every_count_is_in_the_table_and_in_the_verdict(name: str, value: Any, capsys: pytest.CaptureFixture[str]) -> None:
    """Whichever count is off, its line says so: no count of the truth is compared in silence."""
    reached = replace(TRUTH, **{name: value})
    assert reached != TRUTH
    morning._summary(reached)
    differing = [line for line in capsys.readouterr().out.splitlines() if line.endswith("<- differs")]
    assert len(differing) == 1
    assert str(value or "none") in differing[0].split()


def test_the_summary_of_a_good_morning_is_exact(capsys: pytest.CaptureFixture[str]) -> None:
    """What a new user sees at the end; the sum below the table adds up."""
    morning._summary(TRUTH)
    assert [line.split() for line in capsys.readouterr().out.splitlines() if line] == [
        ["the", "morning", "came", "to", "known", "truth"],
        ["strips", "received", "76", "76"],
        ["sent", "on", "65", "65"],
        ["controls", "(kept,", "never", "sent)", "6", "6"],
        ["copies", "(noted,", "not", "sent)", "1", "1"],
        ["waiting", "for", "your", "decision", "1", "1"],
        ["cannot", "be", "sent", "3", "3"],
        ["missing", "numbers", "bench-a", "117", "bench-a", "117"],
        ["filed", "by", "HL7", "v2", "64", "64"],
        ["turned", "away", "there", "1", "1"],
        ["filed", "by", "FHIR", "65", "65"],
        [
            "received",
            "=",
            "sent",
            "on",
            "+",
            "controls",
            "+",
            "copies",
            "+",
            "waiting",
            "+",
            "cannot",
            "be",
            "sent:",
            "76",
            "=",
            "76",
        ],
    ]
