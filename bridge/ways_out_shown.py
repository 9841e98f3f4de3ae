"""What the page of receivers is told of each way out: its kind, until when its certificates are valid, and whether it can be reached."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from functools import partial

from bridge.deliver.reach import reach
from bridge.errors import SettingsError
from bridge.pages.site import TriesReceiver
from bridge.settings import DestinationShape, FhirDestination, FolderDestination, HookDestination, MllpDestination, Tls

_KINDS: Mapping[type[DestinationShape], str] = {
    MllpDestination: "HL7 v2 over MLLP",
    FhirDestination: "FHIR R4 server",
    HookDestination: "web hook",
    FolderDestination: "folder",
}


def kinds(destinations: tuple[DestinationShape, ...]) -> dict[str, str]:
    """Give by name what each destination is."""
    return {each.name: _KINDS[type(each)] for each in destinations}


def certificates(destinations: tuple[DestinationShape, ...]) -> dict[str, tuple[str, ...]]:
    """Give by name until when each certificate that the settings name is valid; one that cannot be read is left out, its fault is told elsewhere."""
    return {each.name: tuple(_ends(tls)) for each in destinations if (tls := getattr(each, "tls", None)) is not None}


def _ends(tls: Tls) -> Iterator[str]:
    from bridge.credentials.validity import validities  # noqa: PLC0415 - 11 MB of libraries that only who has certificates loads

    try:
        for each in validities(tls):
            yield f"{each.use} ({each.file.name}): until {each.ends:%Y-%m-%d}"
    except SettingsError:
        return


def tries(destinations: tuple[DestinationShape, ...]) -> TriesReceiver:
    """Give what tries one of the destinations by name."""
    return partial(_tried, {each.name: each for each in destinations})


async def _tried(known: Mapping[str, DestinationShape], name: str) -> tuple[bool, str]:
    return await reach(known[name])
