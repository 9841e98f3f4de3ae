"""An invented control material for the invented strip type Quill 10, typed in two lots as people would type them from an insert."""

from __future__ import annotations

from typing import Any

from bridge.tables.control_table import ControlTable
from bridge.tables.controls import control_table
from bridge.tables.controls_document import ControlsDocument
from tests.tables.shipped_tables import ZONE, tables

# what the invented insert of each level says of each pad: low, high ("" where it gives one target)
NEGATIVE = {
    "ketones": ("negative", ""),
    "protein": ("negative", ""),
    "nitrite": ("negative", ""),
    "specific_gravity": ("1.006", "1.016"),
    "urobilinogen": ("normal", ""),
    "glucose": ("negative", ""),
    "leukocytes": ("negative", ""),
    "ph": ("5.5", "7.0"),
    "blood": ("negative", ""),
    "bilirubin": ("negative", ""),
}
POSITIVE = {
    "ketones": ("1+", "2+"),
    "protein": ("40", "360"),
    "nitrite": ("positive", ""),
    "specific_gravity": ("1.016", "1.026"),
    "urobilinogen": ("2.5", "5.0"),
    "glucose": ("300", ">=1200"),
    "leukocytes": ("60", ""),
    "ph": ("7.0", "8.2"),
    "blood": ("30", "180"),
    "bilirubin": ("1.5", "3.5"),
}


def expected(said: dict[str, tuple[str, str]]) -> list[dict[str, Any]]:
    """Give an insert's column as the rows of a file."""
    return [{"pad": pad, "low": low, **({"high": high} if high else {})} for pad, (low, high) in said.items()]


def lot(level: str, code: str, **more: Any) -> dict[str, Any]:
    """Give one lot as the rows of a file: level 1 is the negative one."""
    return {
        "material": "birch",
        "level": level,
        "lot": code,
        "expires": "2027-03-31",
        "strip_type": "quill-10",
        "unit_system": "conventional",
        "expected": expected(NEGATIVE if level == "1" else POSITIVE),
        "entered": "R. Holm",
        "signed": "T. Vance",
        **more,
    }


def document(**more: Any) -> dict[str, Any]:
    """Give a site's whole word on controls, as plain values."""
    return {
        "materials": {
            "birch": {
                "title": "Birch control, two levels",
                "levels": [{"level": "1", "kind": "negative"}, {"level": "2", "kind": "positive"}],
            }
        },
        "lots": [lot("1", "B1-0771", labels=["VIAL-B1"]), lot("2", "B2-0772")],
        "gate": {"levels": ["1", "2"], "shut": "hold", "day_starts": "06:00"},
        **more,
    }


def compiled(**more: Any) -> ControlTable:
    """Compile it for the shipped strip types, in the zone Europe/Lisbon."""
    return control_table(ControlsDocument.model_validate(document(**more)), tables().strip_types, zone=ZONE)
