"""What a strip meets whose analyzer was out of service, unsound, not set up, or another one."""

from __future__ import annotations

import pytest

from bridge.check.analyzer_life import analyzer_fit
from bridge.life import LifeFacts
from bridge.model import Place, Printed, Severity

SEVEN = Printed(text="7", place=Place(start=3, end=4))


def found(facts: LifeFacts | None, *, serial: Printed | None = SEVEN, power_on: str = "hold") -> list[tuple[str, str, str]]:
    """Give rule, severity and sentence of each finding."""
    made = analyzer_fit(facts, serial, strip_type="quill-10", analyzer="bench-a", power_on=power_on)
    assert all(each.releasable for each in made)
    return [(each.rule, each.severity.value, each.sentence) for each in made]


@pytest.mark.parametrize(
    ("facts", "rule", "sentence"),
    [
        (LifeFacts(out_reason="lamp"), "analyzer.out_of_service", "bench-a was out of service when this strip was read: lamp."),
        (LifeFacts(self_test_failed=True), "analyzer.self_test", "The last self-test of bench-a before this strip had failed."),
        (LifeFacts(serial="8"), "analyzer.serial", "The serial number is 7, and 8 stands at bench-a."),
        (
            LifeFacts(serial="8", elsewhere="bench-b"),
            "analyzer.serial",
            "The serial number is 7, that of bench-b, and 8 stands at bench-a.",
        ),
        (LifeFacts(elsewhere="bench-b"), "analyzer.serial", "The serial number 7 is that of bench-b."),
        (
            LifeFacts(confirmed=""),
            "analyzer.strip_type",
            "Since bench-a was switched on, nobody has confirmed the strip type, and this strip says quill-10.",
        ),
        (
            LifeFacts(confirmed="sedge-5"),
            "analyzer.strip_type",
            "Since bench-a was switched on, sedge-5 was confirmed, and this strip says quill-10.",
        ),
    ],
)
def test_each_is_a_finding_that_holds(facts: LifeFacts, rule: str, sentence: str) -> None:
    """Hazard HZ-D13 for the serial number; each names what was said and what is."""
    assert found(facts) == [(rule, "hold", sentence)]


def test_what_is_as_it_was_said_finds_nothing() -> None:
    """Nor does what nobody said, nor a strip that carries no serial number."""
    for facts in (None, LifeFacts(), LifeFacts(serial="7"), LifeFacts(confirmed="quill-10")):
        assert found(facts) == []
    for serial in (None, Printed(text="", place=SEVEN.place)):
        assert found(LifeFacts(serial="8", elsewhere="bench-b"), serial=serial) == []


def test_a_strip_type_is_asked_for_as_the_site_says() -> None:
    """Hold, note, or nothing."""
    asked = {power_on: found(LifeFacts(confirmed=""), power_on=power_on) for power_on in ("nothing", "note", "hold")}
    assert [len(each) for each in asked.values()] == [0, 1, 1]
    assert asked["note"][0][1] == Severity.NOTE.value
