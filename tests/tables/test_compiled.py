"""Compiling the mapping files: what is right compiles, what is wrong names file, line, key, cause and remedy."""

from __future__ import annotations

import hashlib
import json
from dataclasses import replace
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest

from bridge.errors import TableError
from bridge.settings import Document, shipped_mappings
from bridge.site import load_tables
from bridge.tables.compiled import compile_tables, loinc_check_digit
from bridge.tables.documents import CatalogueDocument, FlagsDocument, ProfileDocument, StripTypeDocument
from bridge.tables.holds import with_holds
from bridge.tables.holds_document import HoldsDocument
from bridge.tables.types import Tables
from tests.tables.shipped_tables import POLICY, ZONE, rows, spoiled, tables


def documents() -> tuple[CatalogueDocument, dict[str, StripTypeDocument], dict[str, ProfileDocument]]:
    """Read the shipped files as documents."""
    root = shipped_mappings()
    return (
        Document(root / "catalogue.yaml").shaped(CatalogueDocument),
        {path.stem: Document(path).shaped(StripTypeDocument) for path in (root / "strip_types").glob("*.yaml")},
        {path.stem: Document(path).shaped(ProfileDocument) for path in (root / "profiles").glob("*.yaml")},
    )


def compiled(zone: ZoneInfo = ZONE, **changes: int) -> Tables:
    """Compile the shipped documents with a changed policy."""
    flags = Document(shipped_mappings() / "flags.yaml").shaped(FlagsDocument)
    policy = replace(POLICY, **changes)  # type: ignore[arg-type]  # every changed field is an int
    holds = Document(shipped_mappings() / "holds.yaml").shaped(HoldsDocument)
    return with_holds(compile_tables(*documents(), policy, zone=zone, flags=flags), holds)


def test_the_shipped_files_compile() -> None:
    """The wheel's own tables are sound, and loading and compiling are one and the same."""
    made = compiled()
    assert sorted(made.profiles) == ["alder", "brook", "brook-file", "dipper", "fjord", "heron", "lark", "moss", "tern", "wren"]
    assert sorted(made.strip_types) == ["larch-9", "pebble-2", "plover-12", "quill-10", "sedge-5", "sorrel-14"]
    assert len(made.catalogue.pads) == 18
    assert made.digest == tables().digest
    assert made.policy == POLICY


def test_the_canonical_content_is_what_the_digest_is_of() -> None:
    """The store keeps this content by its digest: years later it must still say what a printed value was taken for."""
    made = compiled()
    assert hashlib.sha256(made.canonical).hexdigest() == made.digest
    plain = json.loads(made.canonical)
    assert sorted(plain) == ["catalogue", "flags", "holds", "policy", "profiles", "strip_types", "zone"]
    assert sorted(plain["profiles"]) == sorted(made.profiles)
    assert sorted(plain["strip_types"]) == sorted(made.strip_types)
    assert sorted(plain["catalogue"]["pads"]) == sorted(made.catalogue.pads)
    assert json.dumps(plain, sort_keys=True, separators=(",", ":")).encode() == made.canonical


def test_the_digest_names_the_tables() -> None:
    """Whatever changes a result changes the digest, so that a result stays explainable; file layout does not."""
    digest = compiled().digest
    assert len(digest) == 64
    assert compiled().digest == digest
    assert compiled(oldest_days=31).digest != digest
    assert compiled(zone=ZoneInfo("Europe/Vienna")).digest != digest


def test_own_files_replace_shipped_ones(tmp_path: Path) -> None:
    """A site's own profile of the same name wins; the others stay."""
    own = spoiled(tmp_path, "profiles/moss.yaml", "Moss analyzer", "Our Moss")
    made = load_tables(shipped_mappings(), own, POLICY, zone=ZONE)
    assert made.profiles["moss"].title.startswith("Our Moss")
    assert made.profiles["alder"] == tables().profiles["alder"]
    assert made.digest != tables().digest


def test_the_sites_zone_is_the_profiles_zone() -> None:
    """``zone: site`` takes the site's clock; a named zone stays its own. A wrong zone would be a wrong time in the record."""
    made = compiled(zone=ZoneInfo("Europe/Vienna"))
    assert {name: profile.zone.key for name, profile in made.profiles.items()} == {
        "alder": "Europe/Vienna",
        "brook": "Europe/Vienna",
        "brook-file": "Europe/Vienna",
        "dipper": "Europe/Vienna",
        "fjord": "Europe/Vienna",
        "heron": "Europe/Vienna",
        "lark": "Europe/Vienna",
        "moss": "Europe/Vienna",
        "tern": "Europe/Lisbon",
        "wren": "Europe/Vienna",
    }


@pytest.mark.parametrize("row", rows("loinc_pads.csv"), ids=lambda row: row["loinc"])
def test_check_digit(row: dict[str, str]) -> None:
    """The rule of the LOINC Users' Guide holds for every code of the outside source."""
    body, digit = row["loinc"].split("-")
    assert loinc_check_digit(body) == int(digit)


@pytest.mark.parametrize(
    ("row", "old", "new", "words"),
    [
        (1, 'code: "17621005"', 'code: "260385009"', "'normal', or have the code 260385009"),
        (8, 'top: "4+", code: "260348001"', 'top: "3+", code: "260348001"', "'2+' out of '3+', or have the code 260348001"),
    ],
)
def test_two_concepts_for_one_thing_are_refused(tmp_path: Path, row: int, old: str, new: str, words: str) -> None:
    """A receiver must be able to tell the grade from the concept, and which concept goes must not hang on the order of rows."""
    text = (shipped_mappings() / "catalogue.yaml").read_text(encoding="utf-8")
    line = next(number for number, each in enumerate(text.splitlines(), 1) if old in each)
    with pytest.raises(TableError) as found:
        load_tables(shipped_mappings(), spoiled(tmp_path, "catalogue.yaml", old, new), POLICY, zone=ZONE)
    assert str(found.value) == (
        f"catalogue.yaml:{line}: snomed[{row}]: Two SNOMED CT rows say {words}. Keep the one that is meant."
    )


def test_catalogue_bounds_are_quantities() -> None:
    """Specific gravity has bounds with a unit and their zeros; graded pads have none."""
    pads = tables().catalogue.pads
    low, high = pads["specific_gravity"].low, pads["specific_gravity"].high
    assert low is not None
    assert high is not None
    assert [(str(bound.value), bound.unit) for bound in (low, high)] == [("1.002", "1"), ("1.035", "1")]
    assert (pads["glucose"].low, pads["glucose"].high, pads["glucose"].expected) == (None, None, "Negative")
    assert (pads["glucose"].local.code, pads["glucose"].local.system) == ("PP-GLU", "L")
