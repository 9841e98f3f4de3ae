"""The shapes of the mapping files and their published JSON Schemas."""

from __future__ import annotations

import json
from typing import Any

import jsonschema
import pytest
import yaml
from pydantic import ValidationError

from bridge.settings import shipped_mappings
from bridge.tables.documents import SHAPES, StepRow, schema_texts

FILES = [
    (kind, path)
    for kind, pattern in (
        ("catalogue", "catalogue.yaml"),
        ("strip_type", "strip_types/*.yaml"),
        ("profile", "profiles/*.yaml"),
        ("flags", "flags.yaml"),
    )
    for path in sorted(shipped_mappings().glob(pattern))
]


def test_committed_schemas_are_the_shapes() -> None:
    """An editor that follows the committed schema and the program that reads the file must say the same."""
    committed = {path.name: path.read_text(encoding="utf-8") for path in (shipped_mappings() / "schemas").glob("*.json")}
    assert committed == schema_texts()
    assert sorted(committed) == ["catalogue.json", "flags.json", "profile.json", "reading.json", "strip_type.json"]


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


@pytest.mark.parametrize("value", [1.01, 60, True])
def test_a_bare_number_is_refused(value: object) -> None:
    """YAML turns 1.010 into 1.01: a number without quotes has lost what was printed, so it is refused."""
    with pytest.raises(ValidationError, match="write this in quotes"):
        StepRow.model_validate({"conventional": value, "abnormal": False})


@pytest.mark.parametrize("value", ["1.010", ">=1000", "<=5", "<0.1", ">12"])
def test_a_quoted_number_stays_as_written(value: str) -> None:
    """The comparator and every zero stay."""
    assert StepRow.model_validate({"conventional": value, "abnormal": False}).conventional == value


@pytest.mark.parametrize("value", ["1,010", "1e3", "=5", "-1", "", "10 mg/dL", "nan", "1.", "٣"])
def test_what_is_no_number_is_refused(value: str) -> None:
    """A decimal comma, an exponent, a unit or a foreign digit in a ladder is a slip of the pen, never a number."""
    with pytest.raises(ValidationError, match="a number is written as"):
        StepRow.model_validate({"conventional": value, "abnormal": False})


def test_unknown_keys_are_refused() -> None:
    """A misspelt key would silently switch something off."""
    with pytest.raises(ValidationError, match="Extra inputs are not permitted"):
        StepRow.model_validate({"conventional": "5", "abnormal": False, "abnorml": True})
