"""Strips of an analyzer that was declared to run training, proficiency or comparison for a time: they go to no record, and a patient's among them waits for a person."""

from __future__ import annotations

from zoneinfo import ZoneInfo

from bridge.check.rulebook import finding
from bridge.life import LifeFacts
from bridge.model import Finding, Purpose

RULE = "purpose.declared"


def purpose_in_run(printed: Purpose, life: LifeFacts | None, *, is_patients: bool) -> Purpose:
    """Give what a strip was read for. ``is_patients``: its ID is built like a patient's, and registered as nobody's; such a strip stays one."""
    if life is None or not life.run or printed is not Purpose.PATIENT or is_patients:
        return printed
    return Purpose(life.run)


def patient_in_run(life: LifeFacts | None, zone: ZoneInfo, *, analyzer: str) -> tuple[Finding, ...]:
    """Hold a patient's strip that was read in such a time: it may be a patient's after all, and is never sent as it is."""
    if life is None or not life.run or life.run_until is None:
        return ()
    until = life.run_until.astimezone(zone)
    sentence = f"{analyzer} was declared to run {life.run} until {until:%H:%M}, and this strip bears an ID that is built like a patient's."
    return (finding(RULE, sentence),)
