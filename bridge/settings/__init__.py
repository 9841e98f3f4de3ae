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
    AnswersOn,
    Destination,
    DestinationShape,
    FhirDestination,
    FolderDestination,
    GradeCode,
    GradeTable,
    HookDestination,
    HttpDestination,
    Laboratory,
    MllpDestination,
    Pointers,
    Provider,
    Retry,
    SiteAnswer,
)
from bridge.settings.document import Document, KeyPath
from bridge.settings.security import Basic, OAuth, Signing, Tls
from bridge.settings.shapes import Name, Secret, Shape, Zone, cause
from bridge.settings.signals import Opening, Signals
from bridge.settings.site import (
    Checks,
    ClockChecks,
    Corrections,
    DayLog,
    Pages,
    PatientIds,
    Settings,
    Site,
    SpecimenAge,
    SpecimenLimit,
    placed,
    read_settings,
    shipped_mappings,
)
from bridge.settings.sources import (
    Cut,
    FolderSource,
    HttpSource,
    LineSource,
    LinkTimes,
    MllpSource,
    SerialSource,
    Source,
    SourceShape,
    TcpSource,
)
from bridge.settings.telling import Telling, ToTell
from bridge.settings.upkeep import Keep, Room

__all__ = [
    "CLAIM",
    "GUIDED",
    "Agreement",
    "AnswersOn",
    "Basic",
    "Checks",
    "ClockChecks",
    "Corrections",
    "Cut",
    "Database",
    "DayLog",
    "Destination",
    "DestinationShape",
    "Document",
    "FhirDestination",
    "FolderDestination",
    "FolderSource",
    "GradeCode",
    "GradeTable",
    "HookDestination",
    "HttpDestination",
    "HttpSource",
    "Keep",
    "KeyPath",
    "Laboratory",
    "LineSource",
    "LinkTimes",
    "MllpDestination",
    "MllpSource",
    "Name",
    "OAuth",
    "Opening",
    "Pages",
    "PatientIds",
    "Pointers",
    "Provider",
    "Retry",
    "Room",
    "Secret",
    "SerialSource",
    "Settings",
    "Shape",
    "Signals",
    "Signing",
    "Site",
    "SiteAnswer",
    "Source",
    "SourceShape",
    "SpecimenAge",
    "SpecimenLimit",
    "TcpSource",
    "Telling",
    "Tls",
    "ToTell",
    "Zone",
    "cause",
    "placed",
    "read_settings",
    "shipped_mappings",
]
