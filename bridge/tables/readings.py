"""Strips read by eye: the panel and the codes that their profile needs."""

from __future__ import annotations

from collections.abc import Iterator, Mapping

from bridge.errors import TableError
from bridge.model import Property, ReadBy
from bridge.tables.types import Catalogue, Profile, StripPad, StripType

METHODS: Mapping[ReadBy, tuple[str, ...]] = {  # PRODUCT section 6: the nearest method first; an eye is never called automated
    ReadBy.ANALYZER: ("automated", "strip", "none"),
    ReadBy.EYE: ("strip", "none"),
}


def check_reading(profile: Profile, types: Mapping[str, StripType], catalogue: Catalogue) -> None:
    """Refuse a profile of strips read by eye for which the catalogue has only automated codes. Raises TableError."""
    if profile.read_by is ReadBy.ANALYZER:
        return
    path = (f"profiles/{profile.name}.yaml", "reading")
    if catalogue.visual_panel is None:
        raise TableError(
            "The catalogue has no panel for strips read by eye.", remedy="Add visual_panel to catalogue.yaml.", path=path
        )
    for name in sorted(set(profile.strip_types.values())):
        for pad in types[name].pads:
            known = {code.prop for code in catalogue.pads[pad.pad].codes if code.method in METHODS[profile.read_by]}
            for prop in properties(pad):
                if prop not in known:
                    raise TableError(
                        f"{pad.pad} of {name} has no {prop.value} code for a strip read by eye.",
                        remedy="Add a code with the method strip or none to catalogue.yaml.",
                        path=path,
                    )


def properties(pad: StripPad) -> Iterator[Property]:
    """Give the LOINC property of every kind of value that a ladder has."""
    if any(step.grade for step in pad.ladder):
        yield Property.ORDINAL
    if any(step.word for step in pad.ladder):
        yield Property.TYPE
    yield from (prop for prop in (pad.conventional_property, pad.si_property) if prop is not None)
