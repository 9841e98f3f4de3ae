"""What the site says of containers of strips: what is found where one is unknown or too old, how long an opened one may be used, and the alarm.

Compiled from ``containers_document.ContainersDocument`` by ``containers.py``.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from fractions import Fraction
from zoneinfo import ZoneInfo

from bridge.model import Severity


@dataclass(frozen=True, kw_only=True, slots=True)
class ContainerPolicy:
    """What each finding about a container asks for (a note or a hold). ``zone`` is the site's: a last day ends at its midnight.

    ``unknown``: nobody entered an open container of the strip's lot. ``expired``: the lot is past its last day. ``open_too_long``: the
    container is past the days for which its strips may be used once it was opened. ``new_lot``: nobody has accepted the lot; None: nobody
    needs to.
    """

    zone: ZoneInfo
    unknown: Severity = Severity.HOLD
    expired: Severity = Severity.HOLD
    open_too_long: Severity = Severity.HOLD
    new_lot: Severity | None = None


@dataclass(frozen=True, kw_only=True, slots=True)
class LeftOpenRule:
    """When a container is suspected of having been left open: strips with ``found`` positive and ``not_found`` negative come too often.

    ``share`` is how often the laboratory expects such a strip. The alarm comes where at least ``least`` came, and so many or more would
    come by chance with a probability below ``below``. Shares lie between 0 and 1.
    """

    found: str
    not_found: str
    share: Fraction
    below: Fraction
    least: int


@dataclass(frozen=True, kw_only=True, slots=True)
class ContainerTable:
    """All that the site says of containers. Without a ``policy`` no strip is asked for its container.

    ``open_days`` gives by strip type for how many days a container may be used once opened, the day of opening not counted; a strip type
    without a row has no such limit.
    """

    policy: ContainerPolicy | None = None
    open_days: Mapping[str, int] = field(default_factory=dict)
    left_open: LeftOpenRule | None = None
