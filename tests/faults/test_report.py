"""The figures in the page are a command's: what it puts there, and that it takes nothing else away."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.faults.menu import Fault
from tests.faults.report import campaign_table, put, run_words, simulation_table, together

PAGE = "# Head\n\n<!-- campaign: begin -->\nold\n<!-- campaign: end -->\n\n<!-- simulation: begin -->\n<!-- simulation: end -->\nTail\n"


def test_only_what_stands_between_the_markers_is_replaced(tmp_path: Path) -> None:
    """A page keeps its words; putting the same twice changes nothing more."""
    page = tmp_path / "page.md"
    page.write_text(PAGE, encoding="utf-8")
    for _ in range(2):
        put(page, "campaign", "new\n")
    assert page.read_text(encoding="utf-8") == PAGE.replace("old", "new")
    put(page, "simulation", "more\n")
    assert page.read_text(encoding="utf-8").endswith("<!-- simulation: begin -->\nmore\n<!-- simulation: end -->\nTail\n")
    with pytest.raises(ValueError, match="has no place called other"):
        put(page, "other", "x")


def test_a_campaigns_table_names_every_fault() -> None:
    """Played, missed, or not run with its reason: one row each."""
    found = {
        "rounds": 3,
        "strips brought": 9,
        "strips acknowledged": 9,
        "messages received": 20,
        "of them sent again": 2,
        "of them not kept by the receiver": 1,
        "slowest start until ready, s": 1.5,
        "measured": {"taken over after kill -9": [3.5, 4.25, 3.75]},
        "STAT beside other patients' routine": {"hl7": {"overtook": 4, "overtaken": 0}},
        "integrity of the store": "ok",
        "faults": {Fault.RESET.value: 2},
        "faults that did not come": {Fault.RESET.value: 1},
        "not run": {Fault.POWER_CUT.value: "only root may mount"},
    }
    lines = campaign_table(found, ["lost"]).splitlines()
    assert "| the wire to a receiver is reset | 2 | 1 |  |" in lines
    assert "| the power is cut | 0 | 0 | only root may mount |" in lines
    assert "| **breaches of a promise** | **1** |" in lines
    assert "| taken over after kill -9 | 3.75 in the middle, 4.25 at most, of 3 |" in lines
    assert "| STAT at hl7 | overtook 4 routine strips of other patients, was overtaken by 0 |" in lines
    assert [line.split(" | ")[0][2:] for line in lines[-len(Fault) :]] == [fault.value for fault in Fault]


def test_a_simulations_table_has_its_sums() -> None:
    """What was played, how fast, and each fault's count."""
    found = {
        "rounds": 500, "strips": 6000, "messages received": 15000, "of them sent again": 3000, "before a person": 200,
        "rounds a second": 40.5, "faults": {"killed": 1500},
    }  # fmt: skip
    table = simulation_table(found, [])
    assert "| fault: killed | 1500 |" in table
    assert "| rounds a second | 40.5 |" in table
    assert "| **breaches of a promise** | **0** |" in table


def test_a_run_says_what_it_ran_on() -> None:
    """Day, commit and versions: who repeats it must know what differs."""
    words = run_words(12.4, {"abc1234": 20, "def5678": 4})
    assert "20 rounds on commit abc1234, 4 rounds on commit def5678; 12 minutes." in words
    assert "SQLite 3." in words


def test_campaigns_that_ran_beside_each_other_are_told_as_one() -> None:
    """Counts are added, of the slowest the slower stands, measures lie together; what differs in words is told of both."""
    one = {
        "rounds": 3,
        "slowest start, s": 1.5,
        "faults": {"reset": 2, "cut": 1},
        "measured": {"back": [2.0, 3.0]},
        "integrity": "ok",
        "by": "a",
    }
    other = {
        "rounds": 4,
        "slowest start, s": 0.5,
        "faults": {"reset": 4},
        "measured": {"back": [1.0]},
        "integrity": "ok",
        "by": "b",
    }
    assert together([one, other]) == {
        "rounds": 7,
        "slowest start, s": 1.5,
        "faults": {"reset": 6, "cut": 1},
        "measured": {"back": [1.0, 2.0, 3.0]},
        "integrity": "ok",
        "by": "a; b",
    }
