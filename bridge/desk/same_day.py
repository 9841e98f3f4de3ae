"""Another strip of the same patient on the same day: who moves a strip to a patient's record says first that it is the same person's.

A specimen ID or a strip's number belongs to the strip; it says nothing of whose the strip is. A second strip of one patient on one day is
either a specimen that was run again or a label of somebody else, and only a person can tell.
"""

from __future__ import annotations

from datetime import date
from zoneinfo import ZoneInfo

from bridge.errors import AnotherStrip
from bridge.model import Purpose
from bridge.store.api import Store
from bridge.store.rows import FoundBy, StripRow

MOST = 20  # ours: the newest strips of a patient that are looked through; a day of one patient has a few
_STANDS = frozenset({"coded", "held", "waiting", "rejected"})  # neither a copy, nor given up or taken back


def others_of_day(store: Store, strip: StripRow, patient_id: str, *, zone: ZoneInfo) -> tuple[StripRow, ...]:
    """Give the patient's other strips that were read on the local day on which this one was, newest first."""
    day = _day(strip, zone)
    known = (each.strip for each in store.find_strips(patient_id, limit=MOST) if each.kind is FoundBy.PATIENT)
    seat = (strip.capture_id, strip.index)
    return tuple(
        each
        for each in known
        if each.purpose is Purpose.PATIENT
        and each.outcome in _STANDS
        and (each.capture_id, each.index) != seat
        and _day(each, zone) == day
    )


def ask_same_person(store: Store, strip: StripRow, patient_id: str, *, zone: ZoneInfo) -> None:
    """Raise AnotherStrip where the patient has another strip of that day, which the person is to look at first."""
    if found := others_of_day(store, strip, patient_id, zone=zone):
        named = ", ".join(f"{each.analyzer} {each.number or '(no number)'} at {_read(each, zone)}" for each in found[:3])
        raise AnotherStrip(
            f"This patient already has a strip of {_day(strip, zone).isoformat()}: {named}. Is it the same person? "
            "Look at the label on the tube again; if it is, say so below and send this once more."
        )


def _day(strip: StripRow, zone: ZoneInfo) -> date:
    return (strip.analyzed_at or strip.arrived_at).astimezone(zone).date()


def _read(strip: StripRow, zone: ZoneInfo) -> str:
    return f"{(strip.analyzed_at or strip.arrived_at).astimezone(zone):%H:%M}"
