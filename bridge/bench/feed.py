"""Settings at an analyzer that stop or spoil what it sends: one finding for the analyzer, however many strips show it.

A strip alone may be torn, or a label not scanned. The same fault on several strips in a row is most likely a setting; which one it likely
is, and where to look, is said once. Each strip stays stopped all the same.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from enum import StrEnum
from itertools import takewhile

from bridge.bench.gaps import Gap

IN_A_ROW = 3  # ours: two in a row are a coincidence on a busy morning
FEWEST_MISSING = 3  # ours: as above; a number or two are a jam, an error or a strip that was taken out
MOST_MISSING = 200  # ours: more than a day of a busy bench; a larger jump is a number that was set by hand


class Setting(StrEnum):
    """What is likely set otherwise at the analyzer than its profile says, as the pages call it."""

    OUTPUT = "automatic output"
    LAYOUT = "layout of the print"
    IDENTIFICATION = "entry of the patient ID"
    LANGUAGE = "language or decimal sign"
    UNITS = "units"
    CLOCK = "clock of twelve hours"
    LINE = "speed or parity of the line"


SHOWN_BY: Mapping[Setting, frozenset[str]] = {
    Setting.IDENTIFICATION: frozenset({"patient.missing"}),
    Setting.UNITS: frozenset({"unit.other_system", "unit.differs", "unit.off_scale"}),
    Setting.LANGUAGE: frozenset({"pad.unknown", "pad.unknown_value", "strip_type.unknown"}),
    Setting.LAYOUT: frozenset({"read.layout", "read.header", "read.record", "read.torn", "read.twice"}),
    Setting.CLOCK: frozenset({"time.half_day"}),
    Setting.LINE: frozenset({"read.frame", "read.undecodable", "read.control"}),
}
_REMEDIES: Mapping[Setting, str] = {
    Setting.OUTPUT: (
        "See on the analyzer whether it sends by itself, and whether its output goes to the connected port and not to its own printer. "
        "Then send the missing strips from its memory."
    ),
    Setting.LAYOUT: "See on the analyzer whether print size, line width or layout were changed: they must be those of its profile.",
    Setting.IDENTIFICATION: "See on the analyzer whether entry of the patient ID is switched on. Correct the ID of each strip here, from its label.",
    Setting.LANGUAGE: "See on the analyzer whether its language or decimal sign was changed: both must be those of its profile.",
    Setting.UNITS: "See on the analyzer which units are set: they must be those of its profile. Then run the strips again, or send them again.",
    Setting.CLOCK: "See on the analyzer whether it counts 12 or 24 hours, and in which half of the day it is.",
    Setting.LINE: "See on the analyzer which speed, parity and stop bits are set: they must be those of its way in here. Then look at the cable.",
}


@dataclass(frozen=True, kw_only=True, slots=True)
class Came:
    """A patient's strip, or what could not be read, as it came: when, and the rules that stopped it."""

    arrived_at: datetime
    stopped_by: frozenset[str]


@dataclass(frozen=True, kw_only=True, slots=True)
class LikelySetting:
    """What is said of an analyzer once: which setting it likely is, what shows it, since when (None: not known), and where to look."""

    analyzer: str
    setting: Setting
    sentence: str
    remedy: str
    since: datetime | None = None


def spoilt(analyzer: str, came: Sequence[Came]) -> tuple[LikelySetting, ...]:
    """Give the settings that the last strips show, ``came`` newest first; one of each at most. A strip without the fault ends it."""
    found = []
    for setting, rules in SHOWN_BY.items():
        run = list(takewhile(lambda each, rules=rules: rules & each.stopped_by, came))  # type: ignore[misc] # a bound default
        if len(run) >= IN_A_ROW:
            sentence = f"The last {len(run)} strips were stopped alike. Likely changed at the analyzer: {setting.value}."
            found.append(_likely(analyzer, setting, sentence, since=run[-1].arrived_at))
    return tuple(found)


def unsent(gaps: Iterable[Gap]) -> tuple[LikelySetting, ...]:
    """Give the analyzers that read several strips in a row and sent none of them; one finding each, of its widest gap."""
    widest: dict[str, Gap] = {}
    for gap in gaps:
        known = widest.get(gap.analyzer)
        if FEWEST_MISSING <= gap.count <= MOST_MISSING and (known is None or gap.count > known.count):
            widest[gap.analyzer] = gap
    return tuple(
        _likely(
            analyzer,
            Setting.OUTPUT,
            f"The numbers {gap.first} to {gap.last} were read and never arrived. Likely changed at the analyzer for a time: {Setting.OUTPUT.value}.",
        )
        for analyzer, gap in sorted(widest.items())
    )


def _likely(analyzer: str, setting: Setting, sentence: str, *, since: datetime | None = None) -> LikelySetting:
    return LikelySetting(analyzer=analyzer, setting=setting, sentence=sentence, remedy=_REMEDIES[setting], since=since)
