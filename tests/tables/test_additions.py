"""What people may add: what compiles, and what is explained with file and key."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from bridge.added import Addable
from bridge.errors import TableError
from bridge.settings import shipped_mappings
from bridge.site import load_tables
from bridge.tables.differences import differences
from tests.tables.additions_for_tests import TERMS, asking
from tests.tables.shipped_tables import POLICY, ZONE, spoiled, tables


def test_tables_change_only_where_a_source_asks() -> None:
    """What live sites have signed stays what it was; where a source asks, its terms are signed with the words."""
    assert b"additions" not in tables().canonical
    said = json.loads(asking().canonical)["additions"]
    assert said["sources"]["bench-b"] == {
        "asks": ["colour", "clarity", "specimen_type"], "wait_minutes": 10, "stat_minutes": 0, "holds": False,
    }  # fmt: skip
    told = " ".join(differences(tables().canonical, asking().canonical))
    assert told.startswith("additions.yaml: new, ")


def test_the_words_become_choices_in_the_order_of_the_file() -> None:
    """Texts are the catalogue's; abnormal is the site's."""
    choices = asking().additions.choices
    assert [each.text for each in choices[Addable.CLARITY]] == ["Clear", "Hazy", "Cloudy", "Turbid"]
    assert [each.step and each.step.abnormal for each in choices[Addable.CLARITY]] == [False, True, True, True]
    assert [each.code and each.code.code for each in choices[Addable.SPECIMEN_TYPE]] == ["UR", "URC", "URT"]
    assert dict(asking().additions.terms) == {"bench-b": TERMS}


@pytest.mark.parametrize(
    ("old", "new", "key", "words"),
    [
        ('{word: "yellow"', '{word: "mauve"', "colour[0].word", "The word 'mauve' of colour is not one of the catalogue's."),
        ('{word: "turbid"', '{word: "hazy"', "clarity[3].word", "The word 'hazy' of clarity stands twice."),
        ("code: URC", "code: BLD", "specimen_type[1].code", "'BLD' is not a type of urine that Padpost's messages know."),
        ("code: URC", "code: URT", "specimen_type[2].key", "The specimen type 'catheter' stands twice."),
    ],
)
def test_what_cannot_stand_is_explained(tmp_path: Path, old: str, new: str, key: str, words: str) -> None:
    """With file, key and remedy."""
    policy = asking().policy
    with pytest.raises(TableError) as found:
        load_tables(shipped_mappings(), spoiled(tmp_path, "additions.yaml", old, new), policy, zone=ZONE)
    assert found.value.sentence == words
    assert found.value.spot is not None
    assert (found.value.spot.file, found.value.spot.key) == ("additions.yaml", key)
    load_tables(shipped_mappings(), tmp_path, POLICY, zone=ZONE)  # nobody asks, so nothing of it is used
