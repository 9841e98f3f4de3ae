"""The whole way, as a new user runs it: the demo command in a process of its own."""

from __future__ import annotations

import json
import subprocess
import sys
from datetime import date
from pathlib import Path

from bridge.demo import scenario

ROOT = Path(__file__).parents[2]


def test_the_morning_comes_to_its_known_truth_and_its_log_names_nobody(tmp_path: Path) -> None:
    """76 strips in by five ways, 65 on their way, each filed once; and not one ID or name of a patient in the log."""
    run = subprocess.run(
        [sys.executable, "-m", "bridge", "demo", "--once", "--port", "0", "--folder", str(tmp_path / "demo")],
        cwd=ROOT,
        capture_output=True,
        text=True,
        timeout=200,
        check=False,
    )
    assert run.returncode == 0, run.stdout[-2000:] + run.stderr[-2000:]
    assert "received = sent on + controls + copies + waiting + cannot be sent: 76 = 76" in run.stdout
    log = (tmp_path / "demo" / "log.jsonl").read_text(encoding="utf-8")
    events = [json.loads(line)["event"] for line in log.splitlines()]
    assert events.count("capture.kept") == 35 + 9 + (8 + 1) + (
        6 + 1
    )  # what is sent again is a capture that is known; the log has both
    day = date(2026, 11, 25)
    plays = scenario.bench_a(day) + [play for drop in scenario.bench_b(day) for play in drop.plays]
    plays += scenario.bench_c(day) + scenario.bench_d(day)
    secrets = {play.patient_id for play in plays} | {play.patient_name for play in plays} | {"ALDER", "JONA"}
    assert [secret for secret in secrets - {""} if secret in log] == []
    assert [secret for secret in secrets - {""} if secret in run.stderr] == []
