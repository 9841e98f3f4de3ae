"""The shape of the file of holds (mappings/holds.yaml): plain values go in (what a YAML file holds), frozen shapes come out."""

from __future__ import annotations

from enum import StrEnum
from typing import Annotated, Literal

from pydantic import BeforeValidator, Field

from bridge.model import Severity
from bridge.tables.documents import PadKey, Shape, Text, WordKey, Words

RuleId = Annotated[str, Field(pattern=r"^(look_alike|plausible)\.[a-z][a-z0-9_]{0,39}$")]


def _severity(value: object) -> object:
    if value not in {Severity.NOTE, Severity.HOLD}:
        raise ValueError("write note or hold; what cannot be sent at all is not declared here")
    return Severity(str(value))


class Shows(StrEnum):
    """What a pad may show, on any ladder: nothing found, something found, or an end of its scale."""

    NEGATIVE = "negative"
    FOUND = "found"
    LOWEST = "lowest"
    HIGHEST = "highest"


class PadConditionRow(Shape):
    """What one pad must show; with ``any_of`` in place of ``pad``, one of several.

    Exactly one of ``shows``, ``at_least``, ``at_most`` (a grade such as "2+", or a number with its ``unit``) and ``words`` (of a pad of colour or clarity).
    A strip type that has none of the pads is not asked.
    """

    pad: PadKey | None = None
    any_of: tuple[PadKey, ...] = ()
    shows: Shows | None = None
    at_least: Words | None = None
    at_most: Words | None = None
    unit: Text = ""
    words: tuple[WordKey, ...] = ()


class LikeControlRow(Shape):
    """The strip has at least so many abnormal pads, and every pad lies within ``steps`` of what a lot of control material expects."""

    abnormal_pads: int = Field(ge=3, le=20)
    steps: int = Field(ge=0, le=1)


class LikePreviousRow(Shape):
    """The strip has at least so many abnormal pads, and all pads equal those of the analyzer's strip before, which is another patient's."""

    abnormal_pads: int = Field(ge=3, le=20)


class WhenRow(Shape):
    """When a rule is met: exactly one of ``pads``, ``like_control``, ``like_previous``. ``others``: every pad that is not named shows nothing."""

    pads: tuple[PadConditionRow, ...] = ()
    others: Literal["negative"] | None = None
    like_control: LikeControlRow | None = None
    like_previous: LikePreviousRow | None = None


class ReleaseRow(Shape):
    """Who may release what the rule holds: one person, or two of different names; ``bulk``: with others of the same reason at once."""

    persons: Literal[1, 2]
    bulk: bool


class HoldRow(Shape):
    """One rule. ``report`` is a comment that goes out with the result: it computes more than it transfers, so it needs ``signed``, a person's name."""

    id: RuleId
    when: WhenRow
    severity: Annotated[Severity, BeforeValidator(_severity)]
    message: Words
    remedy: Words
    source: Words
    release: ReleaseRow | None = None
    report: Text = ""
    switched_on: bool = True
    signed: Text = ""


class PolicyRow(Shape):
    """On which terms people decide about what one of Padpost's own rules stopped."""

    rule: Words
    persons: Literal[1, 2]
    bulk: bool
    source: Words


class HoldsDocument(Shape):
    """What a site says of holds. Without a row a rule of Padpost's own asks for one person, and never in bulk."""

    rules: tuple[HoldRow, ...] = ()
    policies: tuple[PolicyRow, ...] = ()
