"""The rules of one OBX by themselves. What they find in a whole message is in test_hl7_rules.py.

Tables 0078 and 0085 of 2.5.1 are compared with the reference rows in tests/tables/test_every_row.py.
"""

from __future__ import annotations

import pytest

from bridge.render.value_rules import TABLE_0078, TABLE_0085, value_faults

GLUCOSE = "53328-1^Glucose [Mass/volume] in Urine by Automated test strip^LN"
SOUND = f"OBX|1|NM|{GLUCOSE}||100|mg/dL^mg/dL^UCUM|<5|A|||F||||||||20261125081530+0000"


def found(line: str, status: str = "F") -> list[str]:
    """Give the faults of one OBX as text."""
    return list(value_faults(line.split("|"), status))


@pytest.mark.parametrize("units", ["mg/dL^mg/dL^UCUM", "mg per dl^mg per dl^L^mg/dL^mg/dL^UCUM", "[pH]^^UCUM"])
def test_a_unit_is_ucum_alone_or_behind_the_sites_own_text(units: str) -> None:
    """CE: the site's text first, its system L, then UCUM; both name one unit."""
    assert found(SOUND.replace("mg/dL^mg/dL^UCUM", units)) == []


@pytest.mark.parametrize(
    "units", ["", "mg/dL", "^^UCUM", "mg/dL^mg/dL^L", "a^a^L^^^UCUM", "a^a^99X^mg/dL^mg/dL^UCUM", "mg/dL^mg/dL^UCUM^a^a^L"]
)
def test_anything_else_is_no_unit(units: str) -> None:
    """A unit that no machine can read is no unit."""
    assert found(SOUND.replace("mg/dL^mg/dL^UCUM", units)) == [f"OBX-6 {units!r} names no UCUM unit"]


@pytest.mark.parametrize("flag", sorted(TABLE_0078))
def test_every_flag_of_the_table_may_stand(flag: str) -> None:
    """A flag that is not sent today, such as a critical one, is no fault."""
    assert found(SOUND.replace("|<5|A|", f"|<5|{flag}|")) == []


@pytest.mark.parametrize("status", sorted(TABLE_0085))
def test_a_correction_is_one_in_both_places(status: str) -> None:
    """OBX-11 C beside OBR-25 C, and neither alone; what is deleted or was another patient's (D, W) corrects the report too."""
    changed = SOUND.replace("|||F|", f"|||{status}|")
    wrong = [f"OBX-11 is '{status}' where OBR-25 is 'F'"] if status in {"C", "D", "W"} else []
    assert found(changed) == wrong
    assert found(changed, "C") == ([] if status in {"C", "D", "W"} else [f"OBX-11 is '{status}' where OBR-25 is 'C'"])
