"""From a checked reading to a coded result: every pad gets its LOINC codes, value forms and flag."""

from __future__ import annotations

from bridge.coding.assessment import Assessment, assess
from bridge.coding.bands import Person
from bridge.coding.results import code
from bridge.coding.steps import Unmapped, code_step, every_coding

__all__ = ["Assessment", "Person", "Unmapped", "assess", "code", "code_step", "every_coding"]
