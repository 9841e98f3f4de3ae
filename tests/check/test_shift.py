"""The finding of a run that may have shifted: held until a person confirms, a note after, nothing where the site does not ask."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime, timedelta

import pytest

from bridge.bench.shift import Read, RunTerms
from bridge.check.shift import RULE, run_unbroken, terms_of
from bridge.model import RunFacts, RunState, SeriesState, Severity, StripKey
from tests.check.tables_for_tests import POLICY

NOW = datetime(2026, 11, 25, 9, 0, tzinfo=UTC)
READ = Read(printed_at=NOW, arrived_at=NOW)
KEY = StripKey(analyzer="bench-1", mode="routine", series="2026-11-25", number="8")
NEWEST = SeriesState(series="2026-11-25", last_number=4, last_printed_at=NOW)
RUNS = replace(POLICY, run_pause_minutes=5)
CAUSE = "5 to 7 were read and never arrived"


@pytest.mark.parametrize("facts", [RunFacts(state=RunState(printed_at=NOW, arrived_at=NOW)), RunFacts(broken_by=CAUSE)])
def test_the_rest_of_a_run_is_held_and_no_single_strip_can_be_released(facts: RunFacts) -> None:
    """HZ-A10. A strip that is judged again is held for what its run was held for."""
    (found,) = run_unbroken(KEY, READ, facts, NEWEST, RUNS)
    assert (found.rule, found.severity, found.releasable) == (RULE, Severity.HOLD, False)
    assert found.sentence == (
        "Before it in the same run, 5 to 7 were read and never arrived: from there on each strip may bear its neighbour's patient ID."
    )
    assert "On Numbers, scan the labels of the first and the last specimen" in found.remedy


def test_a_confirmed_run_leaves_a_note() -> None:
    """It stops nothing, and says who."""
    (found,) = run_unbroken(KEY, READ, RunFacts(broken_by=CAUSE, confirmed_by="Ana"), NEWEST, RUNS)
    assert (found.severity, found.remedy) == (Severity.NOTE, "Nothing to do.")
    assert found.sentence == f"Before it in the same run, {CAUSE}. Ana confirmed the run."


def test_nothing_is_found_where_nothing_is_asked_or_missing() -> None:
    """No facts: no policy. The next number: no gap. The policy's minutes are its pause."""
    state = RunState(printed_at=NOW, arrived_at=NOW)
    assert run_unbroken(KEY, READ, None, NEWEST, RUNS) == ()
    assert run_unbroken(replace(KEY, number="5"), READ, RunFacts(state=state), NEWEST, RUNS) == ()
    assert terms_of(RUNS) == RunTerms(pause=timedelta(minutes=5), jump_limit=100)
