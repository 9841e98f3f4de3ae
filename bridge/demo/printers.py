"""What a simulated analyzer prints: the bytes of a strip, written after its profile.

The reading rooms never see this module; it turns a profile round, so that a new profile can be played at once.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime

from bridge.demo import messages
from bridge.demo.messages import UNORDERED
from bridge.model import Priority, UnitSystem
from bridge.tables.types import Framing, Layout, PadVocabulary, Profile, Tables
from bridge.wire import lis01


@dataclass(frozen=True, kw_only=True, slots=True)
class Play:
    """One strip to play. ``ranks`` gives the step of each pad, the lowest where none is named.

    ``strip_type`` is ours. ``word`` is the mode's word or letter. ``other_units`` prints every value that has one in
    the unit system that the analyzer is not set to, without a unit: only the numbers tell.
    """

    number: int
    at: datetime
    patient_id: str = ""
    word: str = ""
    strip_type: str = ""
    lot: str = "24A01"
    operator: str = "07"
    specimen_id: str = ""
    patient_name: str = ""
    ranks: Mapping[str, int] = field(default_factory=dict)
    is_copy: bool = False
    other_units: bool = False


def can_print(profile: Profile) -> bool:
    """Say whether strips can be made up for ``profile``: a slip's line patterns cannot be turned round."""
    if profile.hl7 is not None:
        return any(each in profile.hl7.messages for each in UNORDERED)
    return profile.layout is not Layout.SLIP


def printed(plays: Sequence[Play], profile: Profile, tables: Tables) -> bytes:
    """Give the text of ``plays`` (without link frames), in the profile's layout and character set; of HL7 one message a play."""
    printer = _Printer(profile, tables)
    match profile.layout:
        case Layout.LIS2:
            text = "".join(printer.lis2(play) for play in plays)
        case Layout.HL7:
            text = "".join(printer.hl7(play) for play in plays)
        case Layout.JSON:
            text = printer.json(plays)
        case _:
            text = printer.delimited(plays)
    return text.encode(profile.charset)


def framed(text: bytes, profile: Profile) -> bytes:
    """Give ``text`` as it stands in a capture: in LIS01 frames where the profile has them."""
    if profile.framing is not Framing.LIS01:
        return text
    size = 240  # LIS01-A2: the text of a frame that every receiver takes
    starts = range(0, len(text), size)
    frames = [
        lis01.build_frame((n + 1) % 8, text[start : start + size], is_last=start + size >= len(text))
        for n, start in enumerate(starts)
    ]
    return lis01.ENQ + b"".join(frames) + lis01.EOT


class _Printer:
    def __init__(self, profile: Profile, tables: Tables) -> None:
        self._profile = profile
        self._tables = tables
        self._printed_types = {ours: text for text, ours in profile.strip_types.items()}
        self._labels = {pad: label for label, pad in profile.labels.items()}

    def _fields(self, play: Play) -> dict[str, str]:
        profile = self._profile
        digits = str(play.number).zfill(5) if "{5}" in profile.numbers.pattern else str(play.number)
        in_number = "mode" in profile.numbers.pattern
        return {
            "number": f"{play.word}{digits}" if in_number else digits,
            "purpose": "" if in_number else play.word,
            "printed_date": play.at.strftime(profile.date_format),
            "printed_time": play.at.strftime(profile.time_format) if profile.time_format else "",
            "patient_id": play.patient_id,
            "patient_name": play.patient_name,
            "specimen_id": play.specimen_id,
            "operator": play.operator,
            "strip_type": self._printed_types[play.strip_type],
            "strip_lot": play.lot,
            "copy_mark": min(profile.copy_marks) if play.is_copy and profile.copy_marks else "",
        }

    def _pads(self, play: Play) -> list[tuple[str, str, str, bool]]:
        """Give (label, value, unit, abnormal) of every pad, in the strip's order."""
        found = []
        for pad in self._tables.strip_types[play.strip_type].pads:
            words = self._profile.vocabularies[play.strip_type, pad.pad]
            rank = play.ranks.get(pad.pad, 0)
            other = _other(words) if play.other_units else ""
            value = other or _value(words, rank)
            has_number = any(char.isdigit() for char in value) and not value.startswith("+")
            unit = next((text for text in sorted(words.units) if text), "") if has_number and not other else ""
            found.append((self._labels[pad.pad], value, unit, pad.ladder[rank].abnormal))
        return found

    def lis2(self, play: Play) -> str:
        """Give one message, H to L, by the profile's field table (LIS02-A2 records)."""
        layout = self._profile.lis2
        assert layout
        fields = self._fields(play)
        marks = {abnormal: text for text, abnormal in (self._profile.marks or {}).items()}
        header = f"H|\\^&|||ANALYZER|||||||P|LIS2-A2|{play.at:%Y%m%d%H%M%S}\r"
        records = [_record("P", layout.fields, fields, 1), _record("O", layout.fields, fields, 1)]
        for number, (label, value, unit, abnormal) in enumerate(self._pads(play), 1):
            pad = fields | {"label": label, "value": value, "unit": unit, "mark": marks.get(abnormal, "")}
            records.append(_record("R", layout.fields, pad, number))
        return header + "".join(records) + "L|1|N\r"

    def delimited(self, plays: Sequence[Play]) -> str:
        """Give a table with its header line."""
        layout = self._profile.delimited
        assert layout
        lines = [layout.delimiter.join(layout.header)] if layout.header else []
        for play in plays:
            cells = [""] * layout.width
            fields = self._fields(play)
            marks = {abnormal: text for text, abnormal in (self._profile.marks or {}).items()}
            for label, value, unit, abnormal in self._pads(play):
                fields |= {f"pad:{label}": value, f"unit:{label}": unit, f"mark:{label}": marks.get(abnormal, "")}
            for key, place in layout.columns.items():
                cells[place] = fields.get(key, "")
            lines.append(layout.delimiter.join(cells))
        return "\r\n".join(lines) + "\r\n"

    def _named_pads(self, play: Play) -> list[messages.Pad]:
        marks = {abnormal: text for text, abnormal in (self._profile.marks or {}).items()}
        return [
            {"label": label, "value": value, "unit": unit, "mark": marks.get(abnormal, "")}
            for label, value, unit, abnormal in self._pads(play)
        ]

    def hl7(self, play: Play) -> str:
        """Give one unsolicited result message; the same play is the same bytes, as an instrument that sends again has it."""
        layout = self._profile.hl7
        assert layout
        return messages.hl7(
            self._fields(play),
            self._named_pads(play),
            layout,
            control_id=f"{play.at:%y%m%d}{play.number:05}{'C' if play.is_copy else ''}",
            made_at=f"{play.at:%Y%m%d%H%M%S}",
            is_stat=self._profile.numbers.modes[play.word].priority is Priority.STAT,
        )

    def json(self, plays: Sequence[Play]) -> str:
        """Give a document of readings."""
        layout = self._profile.json
        assert layout
        return messages.posted([(self._fields(play), self._named_pads(play)) for play in plays], layout)


def _value(words: PadVocabulary, rank: int) -> str:
    return next(text for text, token in words.tokens.items() if token.step is not None and token.step.rank == rank)


def _other(words: PadVocabulary) -> str:
    return next((text for text, token in words.tokens.items() if token.other in {UnitSystem.CONVENTIONAL, UnitSystem.SI}), "")


def _record(letter: str, table: Mapping[str, str], fields: Mapping[str, str], sequence: int) -> str:
    """Give one LIS02 record; ``table`` says "letter.field" or "letter.field.component" for each name."""
    cells: dict[int, dict[int, str]] = {1: {1: letter}, 2: {1: str(sequence)}}
    for name, place in table.items():
        where = place.split(".")
        if where[0] == letter and fields.get(name):
            cells.setdefault(int(where[1]), {})[int(where[2]) if len(where) > 2 else 1] = fields[name]
    width = max(cells)
    return "|".join(_components(cells.get(number, {})) for number in range(1, width + 1)) + "\r"


def _components(parts: Mapping[int, str]) -> str:
    return "^".join(parts.get(number, "") for number in range(1, max(parts, default=0) + 1))
