"""The rulebook: what is fixed of every rule."""

from __future__ import annotations

import re

import pytest

from bridge.check.rulebook import RULES, Concern, Rule, finding, in_order
from bridge.model import Severity


@pytest.mark.parametrize("rule", RULES.values(), ids=list(RULES))
def test_each_rule_tells_a_technician_what_to_do(rule: Rule) -> None:
    """A remedy is one or more sentences without code names; a rule that stops says something to do."""
    assert re.fullmatch(r"[a-z_]+\.[a-z_]+", rule.rule)
    assert rule.remedy.endswith(".")
    assert "_" not in rule.remedy
    assert rule.remedy.startswith("Nothing to do") <= (rule.severity is Severity.NOTE)


def test_only_what_is_held_can_be_released() -> None:
    """What cannot be sent as it is cannot be sent by anybody's word, and a note stops nothing that could be released."""
    assert {rule.severity for rule in RULES.values() if rule.releasable} == {Severity.HOLD}


def test_the_case_may_narrow_what_the_book_says() -> None:
    """A conflict is releasable in some cases only; the remedy then is the case's own."""
    assert finding("copy.conflict", "x").releasable is False
    narrowed = finding("copy.conflict", "x", releasable=True, remedy="Do that.")
    assert (narrowed.releasable, narrowed.remedy, narrowed.severity) == (True, "Do that.", Severity.HOLD)
    with pytest.raises(KeyError):
        finding("copy.nothing", "x")


def test_findings_stand_in_the_order_of_concerns() -> None:
    """Identity first, completeness last, notes after all that stops (PRODUCT section 5), a critical one before the others."""
    mixed = tuple(
        finding(rule, rule)
        for rule in (
            "mark.disagrees",
            "critical.met",
            "pad.missing",
            "copy.possible",
            "time.future",
            "analyzer.fault",
            "controls.failed",
            "unit.differs",
            "patient.missing",
        )
    )
    shown = [each.rule for each in in_order(mixed)]
    assert shown == [
        "patient.missing",
        "unit.differs",
        "analyzer.fault",
        "controls.failed",
        "time.future",
        "copy.possible",
        "pad.missing",
        "critical.met",
        "mark.disagrees",
    ]
    assert [RULES[rule].concern for rule in shown[:-2]] == [each for each in Concern if each is not Concern.CRITICAL]
