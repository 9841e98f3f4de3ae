"""The site's word on containers: what compiles, and what is explained with file and key."""

from __future__ import annotations

import hashlib
from fractions import Fraction
from pathlib import Path
from typing import Any

import pytest
import yaml

from bridge.errors import TableError
from bridge.model import Severity
from bridge.settings import shipped_mappings
from bridge.site import load_tables
from bridge.tables.container_table import ContainerPolicy, ContainerTable, LeftOpenRule
from bridge.tables.containers import container_doubts, with_containers
from bridge.tables.containers_document import ContainersDocument
from bridge.tables.differences import differences
from tests.bench.containers_for_tests import SIGNED, compiled, document
from tests.tables.shipped_tables import POLICY, ZONE, tables


def test_the_file_compiles_to_what_it_says() -> None:
    """Shares are exact: 0.05 is one in twenty, and no binary fraction near it."""
    table = compiled(findings={"unknown": "note"})
    assert table.policy == ContainerPolicy(zone=ZONE, unknown=Severity.NOTE)
    assert dict(table.open_days) == {"quill-10": 90}
    assert table.left_open == LeftOpenRule(
        found="nitrite", not_found="leukocytes", share=Fraction(1, 20), below=Fraction(1, 100), least=5
    )
    new = compiled(findings={"new_lot": "note"}).policy
    assert new is not None
    assert (new.new_lot, new.unknown) == (Severity.NOTE, Severity.HOLD)
    bare = compiled(findings=None, open_days=[], left_open=None)
    assert (bare.policy, dict(bare.open_days), bare.left_open) == (None, {}, None)


def _days(strip_type: str) -> dict[str, Any]:
    return {"strip_type": strip_type, "days": 90, "source": "x", "signed": SIGNED}


@pytest.mark.parametrize(
    ("more", "key", "words"),
    [
        ({"open_days": [_days("quil-10")]}, ("open_days", 0, "strip_type"), "There is no strip type 'quil-10'."),
        ({"open_days": [_days("quill-10")] * 2}, ("open_days", 1, "strip_type"), "The strip type 'quill-10' is given twice."),
        (
            {"left_open": {**document()["left_open"], "not_found": "leucocytes"}},
            ("left_open", "not_found"),
            "No strip type has the pad 'leucocytes'.",
        ),
        ({"left_open": {**document()["left_open"], "found": "ph"}}, ("left_open", "found"), "The pad 'ph' has no negative step."),
        (
            {"left_open": {**document()["left_open"], "share": "0.0"}},
            ("left_open", "share"),
            "A share of 0 as share would mean an alarm with the first strip, or never.",
        ),
    ],
)
def test_what_cannot_stand_names_its_place(more: dict[str, Any], key: tuple[str | int, ...], words: str) -> None:
    """File, key and remedy, as for every mapping file."""
    with pytest.raises(TableError) as caught:
        compiled(**more)
    assert (caught.value.path, caught.value.sentence) == (("containers.yaml", *key), words)
    assert caught.value.remedy


def test_what_is_said_of_containers_is_part_of_what_is_signed() -> None:
    """A site without the file has the tables that it had; with it the digest is another, and what changed is told by key."""
    bare = tables()
    assert with_containers(bare, ContainersDocument(), zone=ZONE) is bare
    said = with_containers(bare, ContainersDocument.model_validate(document()), zone=ZONE)
    other = with_containers(bare, ContainersDocument.model_validate(document(findings={"expired": "note"})), zone=ZONE)
    assert said.digest == hashlib.sha256(said.canonical).hexdigest()
    assert len({bare.digest, said.digest, other.digest}) == 3
    assert differences(said.canonical, other.canonical) == ('containers.yaml: findings.expired: was "hold", is "note"',)


def test_the_file_stands_in_the_sites_own_folder(tmp_path: Path) -> None:
    """None is shipped; an error in it names file and line."""
    assert load_tables(shipped_mappings(), tmp_path, POLICY, zone=ZONE).containers == ContainerTable()
    file = tmp_path / "containers.yaml"
    file.write_text(yaml.safe_dump(document(), sort_keys=False), encoding="utf-8")
    assert load_tables(shipped_mappings(), tmp_path, POLICY, zone=ZONE).containers == compiled()
    file.write_text("open_days:\n  - {strip_type: quil-10, days: 90, source: x, signed: y}\n", encoding="utf-8")
    with pytest.raises(TableError) as caught:
        load_tables(shipped_mappings(), tmp_path, POLICY, zone=ZONE)
    assert caught.value.spot is not None
    assert (caught.value.spot.file, caught.value.spot.line) == ("containers.yaml", 2)


def test_a_strip_type_without_a_limit_is_doubted() -> None:
    """An insert may set no limit; that nobody looked is told by `padpost check`."""
    doubts = [str(each) for each in container_doubts(compiled(), ["quill-10", "plover-12", "plover-12"])]
    assert len(doubts) == 1
    assert "Nothing says for how long an opened container of plover-12 may be used." in doubts[0]
    assert list(container_doubts(compiled(findings=None), ["plover-12"])) == []
