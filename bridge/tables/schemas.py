"""The JSON Schemas of the mapping files, for editors: made from the shapes by which the program reads them."""

from __future__ import annotations

import json
from collections.abc import Mapping

from bridge.tables.additions_document import AdditionsDocument
from bridge.tables.containers_document import ContainersDocument
from bridge.tables.controls_document import ControlsDocument
from bridge.tables.documents import (
    CatalogueDocument,
    FlagsDocument,
    FormDocument,
    ProfileDocument,
    ReadingsDocument,
    Shape,
    StripTypeDocument,
)
from bridge.tables.holds_document import HoldsDocument

SHAPES: Mapping[str, type[Shape]] = {
    "catalogue": CatalogueDocument,
    "strip_type": StripTypeDocument,
    "profile": ProfileDocument,
    "flags": FlagsDocument,
    "controls": ControlsDocument,
    "containers": ContainersDocument,
    "additions": AdditionsDocument,
    "holds": HoldsDocument,
    "reading": ReadingsDocument,
    "form": FormDocument,
}
"""The kinds of mapping file, the posted reading and the entered one, by the name of their schema."""


def schema_texts() -> dict[str, str]:
    """Give the JSON Schema (draft 2020-12) of each kind of mapping file, by file name, as committed under mappings/schemas/."""
    texts = {}
    for name, shape in SHAPES.items():
        schema = {"$schema": "https://json-schema.org/draft/2020-12/schema", **shape.model_json_schema()}
        texts[f"{name}.json"] = json.dumps(schema, indent=2, sort_keys=True, ensure_ascii=False) + "\n"
    return texts
