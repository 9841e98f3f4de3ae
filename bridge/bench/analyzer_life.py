"""An analyzer's life: what people say of it beside its strips, and how it stands at a moment.

What was said is never changed: how an analyzer stands is what the events say in the order in which they happened.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from enum import StrEnum
from types import MappingProxyType


class LifeEvent(StrEnum):
    """What can happen to an analyzer."""

    PASSED = "self-test passed"
    FAILED = "self-test failed"
    ERROR = "error code"
    POWER_ON = "switched on"
    STRIP_TYPE = "strip type confirmed"
    OUT = "out of service"
    BACK = "returned to service"
    REPLACED = "another one in its place"
    SERIAL = "serial number"
    TRAINING = "training is run"
    PROFICIENCY = "proficiency is run"
    COMPARISON = "comparison is run"
    PATIENTS = "patients again"


# of these a serial number may be, or must be, given: which device stands there from now on
TELLS_SERIAL = frozenset({LifeEvent.BACK, LifeEvent.REPLACED, LifeEvent.SERIAL})
# after these only controls can say that all is well
ASKS_FOR_CONTROLS = frozenset({LifeEvent.BACK, LifeEvent.REPLACED})


# what an analyzer is declared to run for a time, by the value of its model.Purpose
RUNS: Mapping[LifeEvent, str] = MappingProxyType(
    {LifeEvent.TRAINING: "training", LifeEvent.PROFICIENCY: "proficiency", LifeEvent.COMPARISON: "comparison"}
)


@dataclass(frozen=True, kw_only=True, slots=True)
class Happened:
    """Something that happened to an analyzer, as a person said it.

    ``text`` is the error code as shown, our name of the strip type, the serial number as printed, or, of what is run for a time, when that ends by
    itself (ISO 8601 with its offset); "" where there is none.
    """

    analyzer: str
    what: LifeEvent
    at: datetime
    text: str = ""
    reason: str = ""

    @property
    def until(self) -> datetime | None:
        """Give when what is run for a time ends by itself; None of anything else."""
        return datetime.fromisoformat(self.text) if self.what in RUNS else None


@dataclass(frozen=True, kw_only=True, slots=True)
class KeptHappening:
    """Something that happened, with who said so and when."""

    event_id: int
    happened: Happened
    entered_by: str
    verified: str
    entered_at: datetime


@dataclass(frozen=True, kw_only=True, slots=True)
class Standing:
    """How an analyzer stands at a moment. Times are aware; None where it is not so.

    ``out_since`` with its ``out_reason``. ``is_replaced``: another device stands in its place, a loaner or a new one. ``failed_at``: its last self-test failed then. ``on_since``: it was switched on then, and
    ``strip_type`` is what was confirmed since ("" for nothing). ``serial`` is the device that stands there, "" where nobody said.
    ``run`` is what it was declared to run ("" for patients), which ends by itself at ``run_until``.
    """

    out_since: datetime | None = None
    out_reason: str = ""
    is_replaced: bool = False
    failed_at: datetime | None = None
    on_since: datetime | None = None
    strip_type: str = ""
    serial: str = ""
    run: str = ""
    run_until: datetime | None = None

    def run_at(self, at: datetime) -> str:
        """Say what the analyzer runs at a moment in which it stands so; "" for patients."""
        return self.run if self.run_until is not None and at < self.run_until else ""


def in_order(kept: Iterable[KeptHappening]) -> tuple[Happened, ...]:
    """Give what happened in the order in which it did."""
    return tuple(each.happened for each in sorted(kept, key=lambda each: (each.happened.at, each.event_id)))


def standing(happened: Sequence[Happened], at: datetime) -> Standing:
    """Give how one analyzer stood at a moment; ``happened`` is all of it, as ``in_order`` gives it."""
    now = Standing()
    for each in happened:
        if each.at > at:
            break
        now = _after(now, each)
    return now


def _after(now: Standing, happened: Happened) -> Standing:
    if happened.what in RUNS:
        return replace(now, run=RUNS[happened.what], run_until=happened.until)
    match happened.what:
        case LifeEvent.OUT:
            return replace(now, out_since=happened.at, out_reason=happened.reason)
        case LifeEvent.BACK | LifeEvent.REPLACED:  # another device passed no self-test here yet, and failed none
            serial = happened.text or ("" if happened.what is LifeEvent.REPLACED else now.serial)
            is_replaced = happened.what is LifeEvent.REPLACED
            return replace(now, out_since=None, out_reason="", is_replaced=is_replaced, failed_at=None, serial=serial)
        case LifeEvent.PASSED:
            return replace(now, failed_at=None)
        case LifeEvent.FAILED:
            return replace(now, failed_at=happened.at)
        case LifeEvent.POWER_ON:
            return replace(now, on_since=happened.at, strip_type="")
        case LifeEvent.STRIP_TYPE:
            return replace(now, strip_type=happened.text)
        case LifeEvent.SERIAL:
            return replace(now, serial=happened.text)
        case LifeEvent.PATIENTS:
            return replace(now, run="", run_until=None)
    return now


def may_happen(now: Standing, what: LifeEvent) -> bool:
    """Say whether something can happen to an analyzer that stands so: only one in service is taken out, only one that is out or replaced returns, and only one that ran something else runs patients again."""
    if what is LifeEvent.OUT:
        return now.out_since is None
    if what is LifeEvent.PATIENTS:
        return now.run != ""
    return what is not LifeEvent.BACK or now.out_since is not None or now.is_replaced


def owner_of(serial: str, standings: Mapping[str, Standing]) -> str:
    """Name the analyzer at whose place a device stands by what people said; "" for none."""
    return next((name for name, each in sorted(standings.items()) if serial and each.serial == serial), "")
