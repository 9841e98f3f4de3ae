"""The shape of the US laboratory results guide: our rules and our messages against the guide's own rows.

Outside the project: data/us_lri_base_fields.csv (origin in data/README.md), and PyPI ``hl7`` as the decoder. The conditions
beside the rows (OBX-2, OBX-19, OBX-23, ORC-2, ORC-3) are of the same profile's constraints file.
"""

from __future__ import annotations

import csv
from dataclasses import replace
from pathlib import Path

import pytest

from bridge.model import Format
from bridge.render.conformance import faults
from bridge.render.us_rules import FORBIDDEN, REQUIRED
from bridge.tables.types import Orders
from tests.render.every_sample import EVERY_PLAN, rendered
from tests.render.results_for_tests import ordered_result
from tests.render.second_decoder import components, decoded
from tests.render.tables_for_tests import terms
from tests.render.test_hl7_rules import Change, both, put
from tests.render.written import golden, written

with (Path(__file__).parent / "data" / "us_lri_base_fields.csv").open(encoding="utf-8", newline="") as file:
    ROWS = tuple(csv.DictReader(file))
USAGE = {(row["segment"], int(row["field"])): row for row in ROWS}
US = Format.ORU_R01_US
SOUND = golden("us_ordered.hl7")


def test_our_rules_are_the_rows() -> None:
    """Every R of the rows is required and every X forbidden by our rules; nothing else is."""
    for rule, usage in ((REQUIRED, "R"), (FORBIDDEN, "X")):
        assert {(name, number) for name, numbers in rule.items() for number in numbers} == {
            place for place, row in USAGE.items() if row["usage"] == usage
        }


def assert_shaped(payload: bytes) -> None:
    """Hold one message, as a second decoder cuts it, to the rows."""
    for segment in decoded(payload):
        name, count = str(segment[0]), len(segment)
        for (of, number), row in USAGE.items():
            if of != name:
                continue
            times = len(segment[number]) if number < count and str(segment[number]) else 0
            assert times or row["usage"] != "R", f"{name}-{number} {row['name']} is required"
            assert not times or row["usage"] != "X", f"{name}-{number} {row['name']} is not supported"
            assert row["max"] == "*" or times <= int(row["max"]), f"{name}-{number} repeats"
        assert all((name, number) in USAGE for number in range(1, count)), f"{name} has fields that the guide does not know"
    for obx in components(payload, "OBX"):
        assert (obx[29], bool(obx[19][0]), bool(obx[23][0])) == (["RSLT"], True, True)
        assert bool(obx[2][0]) is any(obx[5])
    for orc, obr in zip(components(payload, "ORC"), components(payload, "OBR"), strict=True):
        assert (orc[2:4], orc[12]) == (obr[2:4], obr[16])


@pytest.mark.parametrize(("order", "profile", "strip"), EVERY_PLAN)
def test_every_sample_has_the_guides_shape(order: str, profile: str, strip: str) -> None:
    """Every R has a value, no X has one, nothing repeats more than it may, and the conditions hold."""
    for _, payload in rendered(US, order, profile, strip):
        assert_shaped(payload)


def test_single_orders_have_the_shape_too() -> None:
    """Every group of the message is held to the rows."""
    payload = written(ordered_result(), replace(terms(US), orders=Orders.SINGLE))
    assert_shaped(payload)
    assert faults(US, payload) == ()


def test_the_plain_message_has_not_the_shape() -> None:
    """The check finds what the plain ORU^R01 leaves out, so it can fail."""
    plain = written(ordered_result())
    with pytest.raises(AssertionError, match="MSH-15"):
        assert_shaped(plain)
    assert faults(US, plain)[0] == "MSH-15 is empty, which the US guide requires"


REQUIRES = [
    (name, number) for name, numbers in REQUIRED.items() for number in numbers if (name, number) not in {("MSH", 1), ("MSH", 2)}
]


@pytest.mark.parametrize(("name", "number"), REQUIRES)
def test_a_required_field_that_is_empty_is_found(name: str, number: int) -> None:
    """Each by itself; other rules may find it too. HZ-G05."""
    assert f"{name}-{number} is empty, which the US guide requires" in faults(US, put(name, number, "")(SOUND))


@pytest.mark.parametrize(("name", "number"), [(name, number) for name, numbers in FORBIDDEN.items() for number in numbers])
def test_a_field_that_the_guide_does_not_support_is_found(name: str, number: int) -> None:
    """An X field with any value."""
    assert faults(US, put(name, number, "1")(SOUND)) == (f"{name}-{number} is valued, which the US guide forbids",)


BROKEN: dict[str, tuple[Change, str]] = {
    "no analysis time": (put("OBX", 19, ""), "OBX-19 is empty, which the US guide requires of a result"),
    "no laboratory": (put("OBX", 23, ""), "OBX-23 is empty, which the US guide requires of a result"),
    "no result": (put("OBX", 29, "QST"), "OBX-29 is 'QST', which is no result"),
    "a commit answer": (put("MSH", 15, "SU"), "MSH-15 and MSH-16 ask for no answer that we know"),
    "no answer": (both(put("MSH", 16, "NE")), "MSH-15 and MSH-16 ask for no answer that we know"),
    "another orderer": (put("OBR", 16, "4712^Heron"), "ORC-12 differs from OBR-16"),
}


@pytest.mark.parametrize("what", BROKEN)
def test_a_condition_that_is_broken_is_found(what: str) -> None:
    """What the rows call C, and what we chose where they leave a choice."""
    change, fault = BROKEN[what]
    assert fault in faults(US, change(SOUND))


def test_a_field_of_a_later_version_stands_in_no_other_message() -> None:
    """OBX-29 is the US guide's alone: a plain receiver of 2.5.1 does not know it."""
    plain = golden("abnormal_stat.hl7")
    assert faults(Format.ORU_R01, put("OBX", 29, "RSLT")(plain)) == ("OBX-29 is valued, which 2.5.1 does not have",)
