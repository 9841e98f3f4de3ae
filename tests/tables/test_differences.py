"""The differences that a signing person reads: real table sets, with one thing changed at a time."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest

from bridge.settings import shipped_mappings
from bridge.site import load_tables
from bridge.tables.differences import LONGEST, differences
from tests.tables.shipped_tables import POLICY, ZONE, spoiled, tables

TERN = "profiles/tern.yaml"


def test_the_same_tables_have_no_difference() -> None:
    """Whatever the layout of the files."""
    assert differences(tables().canonical, tables().canonical) == ()


@pytest.mark.parametrize(
    ("name", "old", "new", "line"),
    [
        (
            "catalogue.yaml",
            'text: "Glucose [Presence] in Urine by Automated test strip"',
            'text: "Sugar in Urine"',
            (
                'catalogue.yaml: pads.glucose.codes[0].text: was "Glucose [Presence] in Urine by Automated test strip",'
                ' is "Sugar in Urine"'
            ),
        ),
        (TERN, '  "Glicose": glucose\n', '  "Glucose": glucose\n', 'profiles/tern.yaml: labels.Glicose: not there any more, was "glucose"'),
        (TERN, '  "Glicose": glucose\n', '  "Glucose": glucose\n', 'profiles/tern.yaml: labels.Glucose: new, "glucose"'),
        (
            "strip_types/sedge-5.yaml",
            '{conventional: "8.6", abnormal: true}',
            '{conventional: "8.6", abnormal: false}',
            "strip_types/sedge-5.yaml: pads[0].ladder[5].abnormal: was true, is false",
        ),
    ],
)  # fmt: skip
def test_a_changed_row_is_told_by_file_and_key(tmp_path: Path, name: str, old: str, new: str, line: str) -> None:
    """As a person finds it in an editor, with both values."""
    after = load_tables(shipped_mappings(), spoiled(tmp_path, name, old, new), POLICY, zone=ZONE)
    told = differences(tables().canonical, after.canonical)
    assert line in told
    assert all(each.startswith(f"{name}: ") for each in told)
    assert len(told) <= 2


def test_what_the_site_decides_is_told_by_its_own_keys() -> None:
    """The policy and the zone stand in the site's file, under these names."""
    ids = replace(POLICY.patient_id, pattern="[0-9]{9}", denied=frozenset({"00000000", "12345678"}))
    policy = replace(POLICY, patient_id=ids, oldest_days=31)
    after = load_tables(shipped_mappings(), None, policy, zone=ZoneInfo("UTC"))
    told = differences(tables().canonical, after.canonical)
    assert [line for line in told if line.startswith("the site's file")] == [
        "the site's file: checks.oldest_days: was 30, is 31",
        'the site\'s file: patient_ids.denied[1]: new, "12345678"',
        'the site\'s file: patient_ids.pattern: was "[0-9]{8}", is "[0-9]{9}"',
        'the site\'s file: site.zone: was "Europe/Lisbon", is "UTC"',
    ]
    assert told == tuple(line for line in told if line.startswith("the site's file"))


def test_a_row_put_in_or_taken_out_is_one_line() -> None:
    """Its neighbours did not change, though each has another place."""
    before = json.loads(tables().canonical)
    after = json.loads(tables().canonical)
    del after["strip_types"]["sedge-5"]["pads"][1]
    (line,) = differences(_bytes(before), _bytes(after))
    assert line.startswith('strip_types/sedge-5.yaml: pads[1]: not there any more, was {"conventional"')
    assert line.endswith("…")
    assert len(line) < LONGEST + 80
    (line,) = differences(_bytes(after), _bytes(before))
    assert line.startswith("strip_types/sedge-5.yaml: pads[1]: new, {")


def test_a_whole_file_is_one_line() -> None:
    """A new profile has hundreds of values; its name says enough, and its own example is checked."""
    before = json.loads(tables().canonical)
    after = json.loads(tables().canonical)
    del after["profiles"]["tern"]
    assert differences(_bytes(before), _bytes(after)) == ("profiles/tern.yaml: not there any more",)
    assert differences(_bytes(after), _bytes(before)) == ("profiles/tern.yaml: a new file",)


def _bytes(plain: object) -> bytes:
    return json.dumps(plain).encode()
