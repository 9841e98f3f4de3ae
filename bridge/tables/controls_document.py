"""The shape of the site's file of controls: plain values go in (what a YAML file holds), frozen shapes come out."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import BeforeValidator, Field

from bridge.model import UnitSystem
from bridge.tables.control_table import LevelKind, ShutDoes
from bridge.tables.documents import FileKey, PadKey, Shape, Text, WordKey, Words


def _clock(value: object) -> object:
    if not isinstance(value, str):
        raise ValueError('write a time of day in quotes: "06:00"')  # noqa: TRY004 - pydantic turns ValueError into its report
    return value


Clock = Annotated[str, BeforeValidator(_clock), Field(pattern=r"^([01][0-9]|2[0-3]):[0-5][0-9]$")]
Day = Annotated[str, Field(pattern=r"^[0-9]{4}-[0-9]{2}-[0-9]{2}$")]


class LevelRow(Shape):
    """One level of a material: its name, and whether it is there to stay negative or to be found."""

    level: Words
    kind: LevelKind


class MaterialRow(Shape):
    """A control material with its levels."""

    title: Words
    levels: tuple[LevelRow, ...] = Field(min_length=1)


class ExpectedRow(Shape):
    """What the insert says of one pad, exactly as printed there.

    ``low`` and ``high`` are the ends of its range, both included: a grade ("1+") or a number in the lot's unit system; give ``low`` alone where the
    insert has one target. ``words`` are for a pad of colour or clarity. ``claimed: false`` says that the insert says nothing of the pad.
    """

    pad: PadKey
    low: Words | None = None
    high: Words | None = None
    words: tuple[WordKey, ...] = ()
    claimed: bool = True


class LotRow(Shape):
    """One lot of one level on one strip type. ``entered`` and ``signed`` are two persons' names; without ``signed`` it opens no gate."""

    material: FileKey
    level: Words
    lot: Words
    labels: tuple[Words, ...] = ()
    expires: Day
    strip_type: FileKey
    unit_system: UnitSystem
    expected: tuple[ExpectedRow, ...] = Field(min_length=1)
    entered: Words
    signed: Text = ""


class OneStepRow(Shape):
    """The laboratory's leave to miss a single target step by one step; nothing without the name of who signed it."""

    signed: Words
    source: Words


class GateRow(Shape):
    """When controls are due, and what a shut gate does to patients' results. Times are the site's."""

    levels: tuple[Words, ...] = Field(min_length=1)
    shut: ShutDoes
    day_starts: Clock = "00:00"
    due: tuple[Literal["day", "container", "service"], ...] = ("day", "container", "service")
    shifts: tuple[Clock, ...] = ()
    every_strips: int | None = Field(default=None, ge=1, le=100_000)
    grace_minutes: int = Field(default=0, ge=0, le=480)
    one_step_either_side: OneStepRow | None = None


class DriftRow(Shape):
    """When controls are said to drift: ``runs`` of the last ``of`` runs lie off on one side. The key ``off`` would be YAML's word for false."""

    runs: int = Field(default=3, ge=2, le=100)
    of: int = Field(default=20, ge=5, le=200)


class ControlsDocument(Shape):
    """What a site says of controls. Without ``gate`` no patient's result waits for them."""

    materials: dict[FileKey, MaterialRow] = Field(default_factory=dict)
    lots: tuple[LotRow, ...] = ()
    gate: GateRow | None = None
    drift: DriftRow = DriftRow()
