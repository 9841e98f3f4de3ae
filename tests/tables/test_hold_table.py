"""Terms of release and what a rule asks: small answers that desk and judging rest on."""

from __future__ import annotations

from bridge.model import Severity
from bridge.tables.hold_table import DeclaredRule, HoldTable, LookAlike, PadRule

ROW = DeclaredRule(rule="plausible.x", severity=Severity.NOTE, sentence="s", remedy="r")


def test_a_rule_without_conditions_is_never_met() -> None:
    """An empty list of conditions must not hold every strip."""
    assert PadRule(declared=ROW, when=()).met_by({"glucose": 1}) == ""


def test_the_least_number_of_abnormal_pads_decides_who_is_asked() -> None:
    """Neighbours are fetched for few strips; where no rule looks at them, for none."""
    assert HoldTable().least_abnormal is None
    four, three = LookAlike(declared=ROW, abnormal_pads=4), LookAlike(declared=ROW, abnormal_pads=3)
    assert HoldTable(control=four).least_abnormal == 4
    assert HoldTable(control=four, previous=three).least_abnormal == 3
