"""From a checked reading to a coded result: every pad gets its LOINC codes, value forms and flag."""

from __future__ import annotations

from bridge.coding.additions import every_addition, with_additions, without_additions
from bridge.coding.assessment import Assessment, assess
from bridge.coding.bands import Person
from bridge.coding.ratios import Known, code_ratio
from bridge.coding.results import code
from bridge.coding.steps import Unmapped, code_step, every_coding

__all__ = [
    "Assessment",
    "Known",
    "Person",
    "Unmapped",
    "assess",
    "code",
    "code_ratio",
    "code_step",
    "every_addition",
    "every_coding",
    "with_additions",
    "without_additions",
]
