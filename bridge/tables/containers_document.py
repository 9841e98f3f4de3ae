"""The shape of the site's file of strip containers: plain values go in (what a YAML file holds), frozen shapes come out."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import BeforeValidator, Field

from bridge.tables.documents import FileKey, PadKey, Shape, Words


def _quoted_share(value: object) -> object:
    if not isinstance(value, str):
        raise ValueError('write a share in quotes: "0.05"')  # noqa: TRY004 - pydantic turns ValueError into its report
    return value


Share = Annotated[str, BeforeValidator(_quoted_share), Field(pattern=r"^0\.[0-9]{1,6}$")]
Asks = Literal["note", "hold"]


class FindingsRow(Shape):
    """What a strip meets whose container is not known, past its last day, or open for too long. What is left out holds the strip.

    ``new_lot`` is for a lot that nobody has accepted yet; left out, no lot needs that, and its controls alone take it into use.
    """

    unknown: Asks = "hold"
    expired: Asks = "hold"
    open_too_long: Asks = "hold"
    new_lot: Asks | None = None


class OpenDaysRow(Shape):
    """For how many days a container of a strip type may be used once it was opened, as the insert says. ``signed``: who took it over, and when."""

    strip_type: FileKey
    days: int = Field(ge=1, le=1000)
    source: Words
    signed: Words


class LeftOpenRow(Shape):
    """When a container is suspected of having been left open: too many strips show ``found`` and not ``not_found``.

    ``share`` is how often the laboratory expects that of its patients; ``below`` is how small the probability of so many by chance must be,
    and ``least`` how many must have come.
    """

    found: PadKey
    not_found: PadKey
    share: Share
    below: Share = "0.01"
    least: int = Field(default=5, ge=2, le=1000)
    source: Words
    signed: Words


class ContainersDocument(Shape):
    """What a site says of containers of strips. Without ``findings`` no strip is asked for its container."""

    findings: FindingsRow | None = None
    open_days: tuple[OpenDaysRow, ...] = ()
    left_open: LeftOpenRow | None = None
