"""What a coordinator follows, against plain counting."""

from __future__ import annotations

from datetime import UTC, datetime

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bridge.bench.indicators import INDICATORS, Among, figures_of, sums_of
from bridge.bench.workload import Handled
from bridge.check.rulebook import RULES
from bridge.model import Purpose

NOW = datetime(2026, 11, 25, 10, 0, tzinfo=UTC)
BY_NAME = {each.name: each for each in INDICATORS}


def read(*rules: str, outcome: str = "coded", purpose: Purpose = Purpose.PATIENT) -> Handled:
    return Handled("tern", "07", purpose, outcome, NOW, NOW, frozenset(rules))


def figure(name: str, *strips: Handled) -> tuple[int, int]:
    """Give found and n of one indicator."""
    found = next(each for each in figures_of(sums_of(strips), {}) if each.indicator.name == name)
    return found.found, found.n


def test_the_rules_are_those_that_checks_speak() -> None:
    """A rule that is renamed drops out of no indicator."""
    assert {rule for each in INDICATORS for rule in each.rules} <= set(RULES)
    assert len(BY_NAME) == len(INDICATORS)


@pytest.mark.parametrize("rule", sorted({rule for each in INDICATORS for rule in each.rules}))
def test_each_rule_counts_in_one_indicator(rule: str) -> None:
    """One of two patients' strips; a control with the same finding counts only where records are counted."""
    (name,) = (each.name for each in INDICATORS if rule in each.rules)
    of_records = BY_NAME[name].among is Among.RECORDS
    strips = (read(rule), read(), read(rule, purpose=Purpose.CONTROL, outcome="non_patient"))
    assert figure(name, *strips) == ((2, 3) if of_records else (1, 2))


def test_what_came_twice_what_waits_and_what_could_not_be_read() -> None:
    """A copy is no strip of its own; a strip that a person discarded waits no more."""
    strips = (read(), read(outcome="copy"), read("read.torn", outcome="unreadable"), read(outcome="held"), read(outcome="discarded"), read(outcome="waiting"))  # fmt: skip
    assert figure("copies", *strips) == (1, 6)
    assert figure("unreadable", *strips) == (1, 5)
    assert figure("waiting", *strips) == (2, 4)


def test_a_strip_with_two_findings_of_one_kind_counts_once() -> None:
    assert figure("container", read("container.expired", "container.open_too_long")) == (1, 1)


def test_what_is_counted_elsewhere_stands_in_its_place() -> None:
    """With Wilson's interval: 5 of 50 is 4.3 % to 21.4 % (statistics text books; checked against statsmodels by tests/bench/test_charts.py's formula)."""
    by_name = {each.indicator.name: each for each in figures_of({}, {"told": (5, 50)})}
    interval = by_name["told"].interval
    assert interval is not None
    assert (round(interval.low, 4), round(interval.high, 4)) == (0.0435, 0.2136)
    assert by_name["missing"].interval is None


strips = st.lists(
    st.builds(
        lambda rules, outcome, purpose: read(*rules, outcome=outcome, purpose=purpose),
        st.sets(st.sampled_from(["patient.missing", "controls.due", "analyzer.fault", "time.future"]), max_size=3),
        st.sampled_from(["coded", "held", "copy", "unreadable", "non_patient", "discarded"]),
        st.sampled_from([Purpose.PATIENT, Purpose.CONTROL]),
    ),
    max_size=12,
)


@given(first=strips, second=strips)
def test_days_add_up_and_no_part_is_more_than_its_whole(first: list[Handled], second: list[Handled]) -> None:
    assert sums_of(first) + sums_of(second) == +sums_of(first + second)
    assert all(0 <= each.found <= each.n for each in figures_of(sums_of(first + second), {}))
