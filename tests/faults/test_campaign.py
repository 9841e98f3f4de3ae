"""The fault campaign, short: a round of every fault, one kill of the campaign itself. The long one is reported in docs."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from pathlib import Path

import pytest

from tests.faults.campaign import KEPT, main
from tests.faults.menu import PAIRS, Fault

SEED = 630
BOUND_S = 600.0  # a machine that is busy with other tests; alone it takes a tenth of this
ALONE = [fault for fault in Fault if fault not in PAIRS]  # tests/faults/test_pairs.py has those of two processes

pytestmark = pytest.mark.slow


def campaign(home: Path) -> subprocess.Popen[str]:
    only = ["--only", *(fault.name for fault in ALONE)]
    command = ["-m", "tests.faults.campaign", "--seed", str(SEED), "--rounds", str(len(ALONE)), "--state", str(home), *only]
    return subprocess.Popen([sys.executable, *command], stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True)


@pytest.mark.needs_root
def test_a_round_of_every_fault_keeps_every_promise_and_the_campaign_goes_on_after_its_own(tmp_path: Path) -> None:
    """0 lost, 0 under a second identity, order kept, 0 marked and not there: after each fault once, and kill -9 of the campaign after the third. HZ-F09."""
    with campaign(tmp_path) as first:
        assert first.stdout is not None
        for line in first.stdout:
            if line.startswith("round 3:"):
                break
        first.kill()
    with campaign(tmp_path) as second:
        printed, _ = second.communicate(timeout=BOUND_S)
    assert second.returncode == 0, printed
    assert printed.splitlines()[0].startswith("round 4:"), printed
    assert printed.splitlines()[-1] == KEPT
    found = json.loads(printed[printed.index("{\n") : printed.rindex("}") + 1])
    assert (found["seed"], found["rounds"]) == (SEED, len(ALONE))
    assert found["not run"] == {}  # each is one that this machine should be able to play
    assert found["faults"] == {fault.value: 1 for fault in sorted(ALONE)}, found["faults that did not come"]
    assert found["strips acknowledged"] == found["strips brought"]
    assert found["of them sent again"] >= 2  # a message that was taken and whose answer was lost costs a second sending
    assert found["integrity of the store"] == "ok"
    assert os.listdir(tmp_path / "drops") == ["done"]


def test_another_seed_is_refused(tmp_path: Path) -> None:
    """Going on with another seed's folder would mix two campaigns."""
    (tmp_path / "state.json").write_text('{"seed": 4, "began": "2026-11-01T00:00:00+00:00"}', encoding="utf-8")
    with pytest.raises(SystemExit, match="is of seed 4; give that seed, or another folder"):
        main(["--seed", str(SEED), "--state", str(tmp_path)])


def test_help_names_every_option(capsys: pytest.CaptureFixture[str]) -> None:
    """Who repeats the report's command must find what it means."""
    with pytest.raises(SystemExit) as ended:
        main(["--help"])
    assert ended.value.code == 0
    printed = capsys.readouterr().out
    options = ("--seed SEED", "--rounds ROUNDS", "--state DIR", "--only FAULT", "Exit status: 0")
    assert all(option in printed for option in options)
