"""From a checked reading to a coded result: every pad gets its LOINC codes, value forms and flag."""

from __future__ import annotations

from bridge.coding.ratios import Known, code_ratio
from bridge.coding.results import code
from bridge.coding.steps import Unmapped, code_step

__all__ = ["Known", "Unmapped", "code", "code_ratio", "code_step"]
