"""Whether what is due at an analyzer on each day was done, and was in order, when a strip was read."""

from __future__ import annotations

from dataclasses import replace
from fractions import Fraction

from bridge.bench.day_log import in_tenths, is_out
from bridge.check.rulebook import finding
from bridge.life import DayLogFacts
from bridge.model import Finding, Severity
from bridge.tables.day_log_table import DayLogRule, Undone


def day_log_right(facts: DayLogFacts | None, rule: DayLogRule | None, *, analyzer: str) -> tuple[Finding, ...]:
    """Find what the day log lacks or says against a strip; nothing where the site only lists it, or asks for no log."""
    if facts is None or rule is None or rule.undone is Undone.LIST:
        return ()
    found = []
    if facts.missing:
        found.append(finding("day_log.missing", f"Nobody has noted for {analyzer} on that day: {', '.join(facts.missing)}."))
    if facts.wrong:
        found.append(finding("day_log.wrong", f"Not in order at {analyzer} when this strip was read: {', '.join(facts.wrong)}."))
    if facts.room_c is not None and is_out(Fraction(facts.room_c), low_c=rule.low_c, high_c=rule.high_c):
        degrees = in_tenths(Fraction(facts.room_c)).normalize()
        found.append(
            finding(
                "day_log.room",
                f"The room at {analyzer} was at {degrees:f} °C when it was measured last before this strip; the site's limits are {rule.low_c} and {rule.high_c} °C.",
            )
        )
    return tuple(found if rule.undone is Undone.HOLD else [replace(each, severity=Severity.NOTE) for each in found])
