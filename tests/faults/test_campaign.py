"""The crash campaign, short: a few rounds of kill -9 under load, one of them against the campaign itself. The long one is reported in docs."""

from __future__ import annotations

import json
import subprocess
import sys
from collections import Counter
from pathlib import Path

import pytest

from tests.faults.campaign import KINDS, main, moment

SEED = 630  # its first six rounds have every kind of moment, and two with the chart's server away
ROUNDS = 6
BOUND_S = 110.0

pytestmark = pytest.mark.slow


def campaign(home: Path) -> subprocess.Popen[str]:
    command = ["-m", "tests.faults.campaign", "--seed", str(SEED), "--rounds", str(ROUNDS), "--state", str(home)]
    return subprocess.Popen([sys.executable, *command], stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True)


def test_the_seed_covers_every_kind_of_moment() -> None:
    """The short campaign would prove little if its seed drew one kind six times."""
    drawn = [moment(SEED, number) for number in range(1, ROUNDS + 1)]
    assert {each.kind for each in drawn} == set(KINDS)
    assert sum(each.is_chart_away for each in drawn) == 2
    assert drawn == [moment(SEED, number) for number in range(1, ROUNDS + 1)]


def test_rounds_of_kill_lose_nothing_and_the_campaign_goes_on_after_its_own(tmp_path: Path) -> None:
    """0 lost, 0 under a second identity, order kept: after kill -9 of the service in each round, and of the campaign after the third."""
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
    assert printed.splitlines()[-1] == "0 lost, 0 under a second identity, order kept within each patient"
    found = json.loads(printed[printed.index("{") : printed.rindex("}") + 1])
    assert (found["seed"], found["rounds"], sum(found["kills"].values())) == (SEED, ROUNDS, ROUNDS)
    assert found["kills"] == dict(Counter(moment(SEED, number).kind for number in range(1, ROUNDS + 1)))
    assert found["strips acknowledged"] == found["strips brought"] == found["strips in the store"]["coded"]
    assert (
        found["of them sent again"] >= 2
    )  # a kill at an arrival, before its answer, costs at least that message a second sending
    assert found["messages received"] == 2 * found["strips brought"] + found["of them sent again"]
    assert found["integrity of the store"] == "ok"


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
    assert all(option in printed for option in ("--seed SEED", "--rounds ROUNDS", "--state DIR", "Exit status: 0"))
