"""A site's word on containers of the invented strip type Quill 10, as people would type it."""

from __future__ import annotations

from dataclasses import replace
from datetime import date, datetime
from typing import Any

from bridge.model import Container
from bridge.tables.container_table import ContainerTable
from bridge.tables.containers import container_table
from bridge.tables.containers_document import ContainersDocument
from bridge.tables.types import Tables
from tests.tables.shipped_tables import ZONE, tables

SIGNED = "Dr Q. Example, 2026-11-25"


def document(**more: Any) -> dict[str, Any]:
    """Give the file as plain values: everything holds, 90 days once opened, and an alarm above 5 %."""
    return {
        "findings": {},
        "open_days": [{"strip_type": "quill-10", "days": 90, "source": "the insert, under storage", "signed": SIGNED}],
        "left_open": {
            "found": "nitrite",
            "not_found": "leukocytes",
            "share": "0.05",
            "source": "our own count of 2,000 strips",
            "signed": SIGNED,
        },
        **more,
    }


def compiled(**more: Any) -> ContainerTable:
    """Compile it for the shipped strip types, in the zone Europe/Lisbon."""
    return container_table(ContainersDocument.model_validate(document(**more)), tables().strip_types, zone=ZONE)


def with_containers(made: Tables | None = None, **more: Any) -> Tables:
    """Give tables that ask for containers."""
    return replace(made or tables(), containers=compiled(**more))


def container(opened_at: datetime, **more: Any) -> Container:
    """Give a container of lot 24A01 that is good to the end of March 2027."""
    return Container(
        **{
            "container_id": 1,
            "strip_lot": "24A01",
            "expires": date(2027, 3, 31),
            "opened_at": opened_at,
            "closed_at": None,
            **more,
        }
    )
