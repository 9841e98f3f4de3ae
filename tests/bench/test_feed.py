"""Settings that spoil the feed: one finding for the analyzer, from the third strip on, ended by the first good one."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import pytest

from bridge.bench.feed import IN_A_ROW, MOST_MISSING, SHOWN_BY, Came, Setting, spoilt, unsent
from bridge.bench.gaps import Gap
from bridge.check.rulebook import RULES

NOW = datetime(2026, 11, 25, 10, 0, tzinfo=UTC)


def came(*stopped: str | None) -> list[Came]:
    """Give strips, oldest first here and newest first as they are told, a minute apart."""
    rules = [frozenset({each} if each else ()) for each in stopped]
    return [Came(arrived_at=NOW + timedelta(minutes=at), stopped_by=each) for at, each in enumerate(rules)][::-1]


@pytest.mark.parametrize(
    ("rule", "setting"),
    [
        ("patient.missing", Setting.IDENTIFICATION),
        ("read.layout", Setting.LAYOUT),
        ("pad.unknown_value", Setting.LANGUAGE),
        ("unit.other_system", Setting.UNITS),
        ("time.half_day", Setting.CLOCK),
        ("read.undecodable", Setting.LINE),
    ],
)
def test_several_alike_in_a_row_are_one_finding(rule: str, setting: Setting) -> None:
    """Hazards HZ-K04, HZ-K03, HZ-K08, HZ-D05, HZ-K06 and HZ-F02: five strips, one finding that names the setting and since when."""
    assert spoilt("bench-a", came(None, *[rule] * (IN_A_ROW - 1))) == ()
    (found,) = spoilt("bench-a", came(None, *[rule] * 5))
    assert (found.analyzer, found.setting, found.since) == ("bench-a", setting, NOW + timedelta(minutes=1))
    assert found.sentence == f"The last 5 strips were stopped alike. Likely changed at the analyzer: {setting.value}."
    assert found.remedy.startswith("See on the analyzer")


def test_a_good_strip_ends_it() -> None:
    """The setting is right again: what was stopped before it stays among the rejected messages, and nothing more is said."""
    assert spoilt("bench-a", came(*["patient.missing"] * 5, None)) == ()
    assert spoilt("bench-a", came(*["patient.missing", None] * 5, "patient.missing")) == ()
    assert spoilt("bench-a", []) == ()


def test_other_reasons_are_no_setting() -> None:
    """Five mistyped IDs are five mistyped IDs."""
    assert spoilt("bench-a", came(*["patient.check_digit"] * 5)) == ()


def test_every_rule_that_shows_a_setting_is_a_rule() -> None:
    """A rule that was renamed would show nothing any more."""
    told = {rule for rules in SHOWN_BY.values() for rule in rules if not rule.startswith("read.")}
    assert told <= RULES.keys()


def gap(first: int, last: int, analyzer: str = "bench-a") -> Gap:
    """Give numbers that never arrived."""
    return Gap(analyzer=analyzer, mode="all", series="2026-11-25", first=first, last=last)


def test_a_jump_of_numbers_after_silence_names_the_output() -> None:
    """Hazards HZ-K01 and HZ-K02: strips were read and went nowhere, or to the analyzer's own printer; one finding, with the gap."""
    (found,) = unsent([gap(41, 43), gap(50, 59), gap(70, 70)])
    assert (found.setting, found.sentence) == (
        Setting.OUTPUT,
        "The numbers 50 to 59 were read and never arrived. Likely changed at the analyzer for a time: automatic output.",
    )
    assert "not to its own printer" in found.remedy
    assert [each.analyzer for each in unsent([gap(41, 43, "tern-1"), gap(1, 3)])] == ["bench-a", "tern-1"]


def test_a_number_or_two_and_a_number_set_by_hand_are_something_else() -> None:
    """A jam leaves a hole of one; a jump of hundreds was set by hand (hazard HZ-K05)."""
    assert unsent([gap(41, 42), gap(50, 50 + MOST_MISSING)]) == ()
