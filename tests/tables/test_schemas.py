"""The published JSON Schemas of the mapping files."""

from __future__ import annotations

import json
from typing import Any

import jsonschema
import pytest
import yaml

from bridge.settings import shipped_mappings
from bridge.tables.schemas import SHAPES, schema_texts

FILES = [
    (kind, path)
    for kind, pattern in (
        ("catalogue", "catalogue.yaml"),
        ("strip_type", "strip_types/*.yaml"),
        ("profile", "profiles/*.yaml"),
        ("flags", "flags.yaml"),
        ("holds", "holds.yaml"),
    )
    for path in sorted(shipped_mappings().glob(pattern))
]


def test_committed_schemas_are_the_shapes() -> None:
    """An editor that follows the committed schema and the program that reads the file must say the same."""
    committed = {path.name: path.read_text(encoding="utf-8") for path in (shipped_mappings() / "schemas").glob("*.json")}
    assert committed == schema_texts()
    assert sorted(committed) == [
        "additions.json",
        "catalogue.json",
        "containers.json",
        "controls.json",
        "flags.json",
        "form.json",
        "holds.json",
        "profile.json",
        "reading.json",
        "strip_type.json",
    ]


@pytest.mark.parametrize("kind", sorted(SHAPES))
def test_schemas_are_schemas(kind: str) -> None:
    """The published schema is one by draft 2020-12's own rules (checked by the jsonschema library)."""
    jsonschema.Draft202012Validator.check_schema(json.loads(schema_texts()[f"{kind}.json"]))


def plain(text: str) -> Any:
    """Read YAML with every scalar but true and false as text, as an editor's schema check of quoted values sees it."""
    return yaml.safe_load(text)


@pytest.mark.parametrize(("kind", "path"), FILES, ids=[path.name for _, path in FILES])
def test_shipped_files_follow_their_schema(kind: str, path: Any) -> None:
    """Every shipped file passes an independent validator under the published schema."""
    schema = json.loads(schema_texts()[f"{kind}.json"])
    assert list(jsonschema.Draft202012Validator(schema).iter_errors(plain(path.read_text(encoding="utf-8")))) == []
