"""The document as JSON: it fits its schema, comes back the same, and holds every block."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import pytest
from jsonschema import Draft202012Validator
from pydantic import ValidationError

from bridge.specification import Door, Specification, specify
from bridge.specification.json import as_json, from_json, schema
from tests.specification.subjects import HOSTILE, bare, document, hostile

SCHEMA = Draft202012Validator(schema())
EVERY = [*(document(door) for door in Door), *(bare(door) for door in Door), specify(hostile())]


@pytest.mark.parametrize("made", EVERY)
def test_it_fits_its_schema_and_comes_back_the_same(made: Specification) -> None:
    """PyPI jsonschema (draft 2020-12) is the judge; the round trip loses nothing, typed parts included."""
    text = as_json(made)
    assert [error.message for error in SCHEMA.iter_errors(json.loads(text))] == []
    assert from_json(text) == made
    assert text.endswith("}\n")


def test_the_schema_is_one_and_can_say_no() -> None:
    """It is valid itself, wants every member, and refuses what is none of ours."""
    Draft202012Validator.check_schema(schema())
    plain = json.loads(as_json(document()))
    del plain["digest"]
    assert not SCHEMA.is_valid(plain)
    with pytest.raises(ValidationError):
        from_json('{"site": "x"}')


def test_the_published_schema_is_this_one() -> None:
    """docs/reference/specification.schema.json is what a vendor's program is built on; the module's docstring says how to write it anew."""
    published = Path(__file__).parents[2] / "docs/reference/specification.schema.json"
    assert json.loads(published.read_text(encoding="utf-8")) == schema()


def test_every_block_stands_in_it() -> None:
    """A program finds the blocks by letter."""
    plain = json.loads(as_json(document(Door.FHIR)))
    assert "".join(block["letter"] for block in plain["blocks"]) == "ABCDEFGHIJKLMNOP"
    assert json.loads(as_json(specify(hostile())))["site"] == HOSTILE


def test_what_people_fill_in_is_kept() -> None:
    """A record filled by a program comes back with its names and dates."""
    made = document()
    (block,) = (block for block in made.blocks if block.letter == "N")
    record = block.parts[1]
    assert record.kind == "record"
    filled = replace(
        record, rows=(replace(record.rows[0], received="as expected", who="R. Vale", when="2026-11-25"), *record.rows[1:])
    )
    whole = replace(made, blocks=(replace(block, parts=(filled,)),))
    assert from_json(as_json(whole)) == whole
