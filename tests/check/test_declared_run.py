"""What becomes of strips of an analyzer that was declared to run something else than patients."""

from __future__ import annotations

from datetime import UTC, datetime

import pytest

from bridge.check.declared_run import patient_in_run, purpose_in_run
from bridge.life import LifeFacts
from bridge.model import Purpose
from tests.tables.shipped_tables import ZONE

P = Purpose
LIFE = LifeFacts(run="training", run_until=datetime(2026, 11, 25, 12, 30, tzinfo=UTC))


@pytest.mark.parametrize(
    ("printed", "life", "is_patients", "purpose"),
    [
        (P.PATIENT, LIFE, False, P.TRAINING),
        (P.PATIENT, LIFE, True, P.PATIENT),  # held, below
        (P.CONTROL, LIFE, False, P.CONTROL),  # what the analyzer says itself stands
        (P.PATIENT, LifeFacts(), False, P.PATIENT),
        (P.PATIENT, None, False, P.PATIENT),
    ],
)
def test_a_strip_is_what_the_analyzer_runs_unless_it_is_a_patients(
    printed: Purpose, life: LifeFacts | None, is_patients: bool, purpose: Purpose
) -> None:
    """HZ-K07: a training strip goes to no record, and a patient's never vanishes among them."""
    assert purpose_in_run(printed, life, is_patients=is_patients) is purpose


def test_a_patients_strip_among_them_is_held_and_nobody_may_release_it() -> None:
    """HZ-K07: by the clock of the analyzer's zone, with what to do."""
    (found,) = patient_in_run(LIFE, ZONE, analyzer="bench-1")
    assert (found.rule, found.releasable) == ("purpose.declared", False)
    assert found.sentence == (
        "bench-1 was declared to run training until 12:30, and this strip bears an ID that is built like a patient's."
    )
    assert patient_in_run(LifeFacts(), ZONE, analyzer="bench-1") == patient_in_run(None, ZONE, analyzer="bench-1") == ()
