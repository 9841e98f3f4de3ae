"""What a strip meets whose analyzer's day log lacks something: nothing, a note or a hold, as the site says."""

from __future__ import annotations

from decimal import Decimal
from zoneinfo import ZoneInfo

import pytest

from bridge.check.day_log import day_log_right
from bridge.life import DayLogFacts
from bridge.model import Severity
from bridge.tables.day_log_table import DayItem, DayLogRule, Undone

FACTS = DayLogFacts(missing=("daily cleaning", "room temperature"), wrong=("white reference",))


def rule(undone: Undone) -> DayLogRule:
    """Give the rule of a site that does so."""
    return DayLogRule(zone=ZoneInfo("UTC"), due=(DayItem.CLEANING,), undone=undone)


@pytest.mark.parametrize(("undone", "severity"), [(Undone.NOTE, Severity.NOTE), (Undone.HOLD, Severity.HOLD)])
def test_what_is_missing_and_what_is_wrong_are_two_findings(undone: Undone, severity: Severity) -> None:
    """Hazard HZ-D01: each names what it is; a person may let the strip go."""
    missing, wrong = day_log_right(FACTS, rule(undone), analyzer="bench-a")
    assert (missing.rule, missing.severity, missing.releasable) == ("day_log.missing", severity, True)
    assert missing.sentence == "Nobody has noted for bench-a on that day: daily cleaning, room temperature."
    assert (wrong.rule, wrong.severity, wrong.releasable) == ("day_log.wrong", severity, True)
    assert wrong.sentence == "Not in order at bench-a when this strip was read: white reference."


@pytest.mark.parametrize(("room_c", "is_found"), [("15", False), ("14.9", True), ("30", False), ("30.1", True), ("31", True)])
def test_a_room_out_of_the_limits_is_found(room_c: str, is_found: bool) -> None:
    """Hazard HZ-B03: 15 to 30 °C, both in order; what was measured last before the strip counts, and a person may let the strip go."""
    found = day_log_right(DayLogFacts(room_c=Decimal(room_c)), rule(Undone.HOLD), analyzer="bench-a")
    told = [(each.rule, each.severity, each.releasable, each.sentence) for each in found]
    sentence = (
        f"The room at bench-a was at {room_c} °C when it was measured last before this strip; the site's limits are 15 and 30 °C."
    )
    assert told == ([("day_log.room", Severity.HOLD, True, sentence)] if is_found else [])


def test_nothing_is_found_where_nothing_is_asked_or_all_is_there() -> None:
    """A site that only lists, or says nothing of logs, sees its strips go as before."""
    assert day_log_right(FACTS, rule(Undone.LIST), analyzer="bench-a") == ()
    assert day_log_right(FACTS, None, analyzer="bench-a") == ()
    assert day_log_right(None, rule(Undone.HOLD), analyzer="bench-a") == ()
    assert day_log_right(DayLogFacts(), rule(Undone.HOLD), analyzer="bench-a") == ()
