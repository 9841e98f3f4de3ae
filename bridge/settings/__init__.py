"""The only reader of the site configuration, the mapping files and the environment.

Everything read here keeps its file, line and key, so that an error names the place
and the nearest right word. The shapes are pydantic models; unknown keys are errors.
"""

from __future__ import annotations

from bridge.settings.database import Database
from bridge.settings.destinations import (
    CLAIM,
    GUIDED,
    Agreement,
    Destination,
    DestinationShape,
    FhirDestination,
    FolderDestination,
    GradeCode,
    GradeTable,
    Laboratory,
    MllpDestination,
    Pointers,
    Provider,
    Retry,
)
from bridge.settings.document import Document, KeyPath
from bridge.settings.shapes import Name, Secret, Shape, Zone, cause
from bridge.settings.site import Checks, Pages, PatientIds, Settings, Site, placed, read_settings, shipped_mappings
from bridge.settings.sources import Cut, FolderSource, LineSource, LinkTimes, SerialSource, Source, SourceShape, TcpSource

__all__ = [
    "CLAIM",
    "GUIDED",
    "Agreement",
    "Checks",
    "Cut",
    "Database",
    "Destination",
    "DestinationShape",
    "Document",
    "FhirDestination",
    "FolderDestination",
    "FolderSource",
    "GradeCode",
    "GradeTable",
    "KeyPath",
    "Laboratory",
    "LineSource",
    "LinkTimes",
    "MllpDestination",
    "Name",
    "Pages",
    "PatientIds",
    "Pointers",
    "Provider",
    "Retry",
    "Secret",
    "SerialSource",
    "Settings",
    "Shape",
    "Site",
    "Source",
    "SourceShape",
    "TcpSource",
    "Zone",
    "cause",
    "placed",
    "read_settings",
    "shipped_mappings",
]
