"""A judged control comes back from its text as it was."""

from __future__ import annotations

import pytest

from bridge.bench.controls import ControlRun, Fit, Flaw, Unmatched
from bridge.bench.run_text import KeptRun, kept_run, run_text
from tests.bench.test_controls import control, judged


@pytest.mark.parametrize("level", ["1", "2"])
def test_there_and_back(level: str) -> None:
    """Lot, level, and every pad with what was expected and seen."""
    run = judged(control(level, {"blood": None}))
    kept = kept_run(run_text(run))
    assert run.lot is not None
    assert kept == KeptRun(material="birch", level=level, lot=run.lot.lot, unmatched=None, flaws=(), pads=run.pads)
    assert [each.fit for each in kept.pads if each.pad == "blood"] == [Fit.MISSING]


@pytest.mark.parametrize("why", list(Unmatched))
def test_a_run_without_a_lot(why: Unmatched) -> None:
    """Why no lot was told is kept by name, so that other words for it change nothing."""
    run = ControlRun(lot=None, unmatched=why, flaws=tuple(Flaw), pads=())
    assert kept_run(run_text(run)) == KeptRun(material="", level="", lot="", unmatched=why, flaws=tuple(Flaw), pads=())
