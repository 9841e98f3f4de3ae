"""The rulebook: what is fixed of every rule."""

from __future__ import annotations

import re

import pytest

from bridge.check.rulebook import RULES, Concern, Rule, concern_of, finding, in_order, is_for_one_by_one
from bridge.model import Finding, Severity


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
    declared = tuple(
        Finding(rule=rule, severity=Severity.HOLD, sentence=rule, remedy="")
        for rule in ("plausible.anything", "look_alike.previous")
    )
    mixed = declared + tuple(
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
        "look_alike.previous",
        "plausible.anything",
        "pad.missing",
        "critical.met",
        "mark.disagrees",
    ]
    assert [concern_of(rule) for rule in shown[:-2]] == [each for each in Concern if each is not Concern.CRITICAL]


def test_a_rule_that_is_neither_in_the_book_nor_declared_has_no_place() -> None:
    """A misspelt id must not sort itself among the findings unseen."""
    with pytest.raises(KeyError):
        concern_of("pads.anything")


@pytest.mark.parametrize(
    ("rule", "alone"),
    [
        ("patient.missing", True),
        ("number.shift", True),
        ("unit.undecided", True),
        ("unit.differs", True),
        ("controls.failed", True),
        ("copy.conflict", True),
        ("copy.purged", True),
        ("critical.met", True),
        ("look_alike.control", True),
        ("look_alike.previous", True),
        ("controls.due", False),
        ("time.too_old", False),
        ("message.processing_id", False),
        ("plausible.nitrite_alone", False),
    ],
)
def test_identity_units_failed_controls_conflicts_and_critical_ones_are_decided_one_by_one(rule: str, alone: bool) -> None:
    """The issue's list, and with it what looks like a neighbour or a control: a doubt of whose result it is."""
    assert is_for_one_by_one(rule) is alone
