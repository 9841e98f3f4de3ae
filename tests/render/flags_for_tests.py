"""An invented site's flags over the shipped tables: bands of several pads, a normal, and critical rules that meet in one pad."""

from __future__ import annotations

from functools import cache

from bridge.tables.documents import FlagsDocument
from bridge.tables.types import Tables
from tests.render.tables_for_tests import shipped_with

SAID = {"source": "an invented laboratory", "signed": "Dr Q. Example, 2026-11-25"}
# bands of several pads, by sex, age and both, one inside another, by range and by grade; and rules that meet in one pad
FLAGS = FlagsDocument.model_validate(
    {
        "bands": [
            {"pad": "protein", "to_age": 12, "expected": "Negative to trace", "abnormal_from": "1+", **SAID},
            {"pad": "protein", "sex": "F", "from_age": 12, "to_age": 50, "expected": "<20 mg/dL", "high": "20", "unit": "mg/dL", **SAID},
            {"pad": "protein", "sex": "F", "from_age": 12, "to_age": 18, "expected": "<20.0 mg/dL", "high": "20.0", "unit": "mg/dL", **SAID},
            {"pad": "glucose", "sex": "M", "expected": "None at all", "abnormal_from": "trace", **SAID},
            {"pad": "specific_gravity", "to_age": 2, "expected": "1.002-1.015", "low": "1.002", "high": "1.015", "unit": "1", **SAID},
            {"pad": "ph", "to_age": 1, "expected": "5.0-7.0", "low": "5.0", "high": "7.0", "unit": "[pH]", **SAID},
            {"pad": "leukocytes", "sex": "F", "expected": "Negative", "abnormal_from": "2+", **SAID},
        ],
        "normal": [{"pad": "protein", "grade": "trace", **SAID}],
        "critical": [
            {
                "id": "glucose-and-ketones",
                "when": [{"pad": "glucose", "at_least": "2+"}, {"pad": "ketones", "at_least": "2+"}],
                "text": "Both.",
                "switched_on": True,
                **SAID,
            },
            {
                "id": "much-glucose-acid",
                "when": [{"pad": "glucose", "at_least": "400", "unit": "mg/dL"}, {"pad": "ph", "at_most": "6.0", "unit": "[pH]"}],
                "text": "Much.",
                "switched_on": True,
                **SAID,
            },
        ],
    }
)  # fmt: skip


@cache
def banded() -> Tables:
    """Give the shipped tables with this site's flags."""
    return shipped_with(FLAGS)
