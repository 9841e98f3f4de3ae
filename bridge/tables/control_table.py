"""What the site says of controls: materials with their levels, lots with what is expected of each pad, and when controls are due.

Compiled from ``controls_document.ControlsDocument`` by ``controls.py``, or typed by people and made by the same functions.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import date, time, timedelta
from enum import StrEnum
from zoneinfo import ZoneInfo


class LevelKind(StrEnum):
    """What a level of a control material is for: to stay negative, or to be found."""

    NEGATIVE = "negative"
    POSITIVE = "positive"


@dataclass(frozen=True, kw_only=True, slots=True)
class ControlMaterial:
    """A control material: our key, its title, and the kind of each of its levels by the level's name ("1", "2")."""

    material: str
    title: str
    levels: Mapping[str, LevelKind]


@dataclass(frozen=True, kw_only=True, slots=True)
class ExpectedPad:
    """What the insert expects of one pad: the ranks of the steps that it allows, rising; none where it claims nothing of the pad.

    Of a pad in grades or numbers the ranks have no hole; of a pad in words (colour) they only tell the words apart.
    """

    pad: str
    ranks: tuple[int, ...]

    @property
    def is_claimed(self) -> bool:
        """Say whether the insert says anything of the pad."""
        return bool(self.ranks)

    @property
    def is_target(self) -> bool:
        """Say whether the insert gives one step only, and no range."""
        return len(self.ranks) == 1


@dataclass(frozen=True, kw_only=True, slots=True)
class ControlLot:
    """One lot of one level, with what its insert expects on one strip type; pads in the order of the strip.

    ``labels`` are other texts that an analyzer or a scanner prints for this very lot and level (the vial's bar code). ``expires`` is the last
    day of use. ``entered_by`` and ``signed_by`` are names; an empty ``signed_by`` means that nobody signed, and the lot opens nothing.
    """

    material: str
    level: str
    lot: str
    labels: frozenset[str]
    expires: date
    strip_type: str
    expected: tuple[ExpectedPad, ...]
    entered_by: str
    signed_by: str = ""

    @property
    def is_signed(self) -> bool:
        """Say whether a second person signed it."""
        return bool(self.signed_by)


class ShutDoes(StrEnum):
    """What a shut gate does to a patient's result: note it, let it wait for the controls, or hold it for a person."""

    NOTE = "note"
    WAIT = "wait"
    HOLD = "hold"


@dataclass(frozen=True, kw_only=True, slots=True)
class GatePolicy:
    """When controls are due, and what happens while they are not done. Times are the site's clock, in ``zone``.

    ``levels`` must all pass. ``day_starts`` is the hour at which the control day begins, and ``each_day`` whether controls are due then;
    ``shifts`` are further times of day at which they are due, ``every_strips`` the patients' strips after which they are (None: no count);
    ``new_container`` and ``after_service`` (maintenance, repair, return) make them due without grace. ``grace`` is how long results still go once
    controls came due by the clock or by the count. ``one_step`` lets one target step be missed by one step.
    """

    levels: frozenset[str]
    zone: ZoneInfo
    shut: ShutDoes
    day_starts: time = time(0)
    each_day: bool = True
    shifts: tuple[time, ...] = ()
    every_strips: int | None = None
    new_container: bool = True
    after_service: bool = True
    grace: timedelta = timedelta(0)
    one_step: bool = False


@dataclass(frozen=True, kw_only=True, slots=True)
class DriftRule:
    """When a pad's controls are said to drift: ``off`` of the last ``of`` runs lie off on the same side."""

    off: int = 3  # ours: 3 of 20 are seen in 96 of 100 drifts that put three runs in ten off (tests/bench/test_charts.py)
    of: int = 20  # ours: about a month of controls read each working day


@dataclass(frozen=True, kw_only=True, slots=True)
class ControlTable:
    """All that the site says of controls. Without a ``policy`` no gate is asked."""

    materials: Mapping[str, ControlMaterial] = field(default_factory=dict)
    lots: tuple[ControlLot, ...] = ()
    policy: GatePolicy | None = None
    drift: DriftRule = field(default_factory=DriftRule)
