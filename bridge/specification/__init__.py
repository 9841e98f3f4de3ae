"""The document that a record system's vendor asks for, built from the live configuration: pure, values in, text out."""

from __future__ import annotations

from bridge.specification.document import specify
from bridge.specification.types import Agreement, Door, Fact, SourceFacts, Specification, Subject

__all__ = ["Agreement", "Door", "Fact", "SourceFacts", "Specification", "Subject", "specify"]
