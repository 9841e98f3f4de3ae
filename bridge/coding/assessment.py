"""A strip's flags, all pads together: each pad's band and flag, what could not be told, and which critical rules are met."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

from bridge.coding.bands import Person, band_for
from bridge.coding.flags import critical_flags, flag_of, met_rules
from bridge.model import Flag, Step
from bridge.tables.flag_table import Band, CriticalRule
from bridge.tables.types import Tables


@dataclass(frozen=True, kw_only=True, slots=True)
class Assessment:
    """What the tables say of a strip's steps. ``flags`` are without critical ones, which stand in ``critical_flags`` by pad.

    ``bands`` holds the pads whose person fits a band; ``unsure`` names those that have a closer band, which needs an age or sex
    that is not known.
    """

    flags: Mapping[str, Flag] = field(default_factory=dict)
    bands: Mapping[str, Band] = field(default_factory=dict)
    unsure: tuple[str, ...] = ()
    critical: tuple[CriticalRule, ...] = ()
    critical_flags: Mapping[str, Flag] = field(default_factory=dict)


def assess(steps: Mapping[str, Step], person: Person | None, tables: Tables) -> Assessment:
    """Assess the steps of a strip, by pad. ``person`` is None for controls and the like: they have no band and are never critical."""
    known = {pad: step for pad, step in steps.items() if pad in tables.catalogue.pads}
    bands: dict[str, Band] = {}
    unsure = []
    if person is not None:
        for pad in known if tables.flags.bands else ():
            band, is_certain = band_for(tables.flags.bands.get(pad, ()), person)
            if band is not None:
                bands[pad] = band
            if not is_certain:
                unsure.append(pad)
    met = met_rules(tables.flags.critical, known) if person is not None else ()
    found = {pad: critical_flags(met, pad, step) for pad, step in known.items()} if met else {}
    return Assessment(
        flags={pad: _flag(pad, step, bands.get(pad), tables) for pad, step in known.items()},
        bands=bands,
        unsure=tuple(unsure),
        critical=met,
        critical_flags={pad: flags[0] for pad, flags in found.items() if flags},
    )


def _flag(pad: str, step: Step, band: Band | None, tables: Tables) -> Flag:
    if band is not None:
        return flag_of(tables.catalogue.pads[pad], step, band)
    return tables.memo.once((pad, id(step)), step, lambda: flag_of(tables.catalogue.pads[pad], step, None))
