"""What a simulated analyzer sends where it speaks HL7 v2 or posts JSON: a strip's fields and pads, written after its profile's layout."""

from __future__ import annotations

import json
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field

from bridge.tables.documents import PAD_NAMES
from bridge.tables.types import Hl7Layout, Hl7Place, JsonLayout

Pad = Mapping[str, str]  # label, value, unit, mark
_ORDER = ("PID", "ORC", "OBR", "TQ1", "OBX", "SPM")  # HL7 v2.5.1 chapter 7.3.1, ORU^R01
_NUMBERED = {"PID", "OBR", "OBX", "SPM"}  # their first field is a set ID
UNORDERED = (("ORU", "R01"), ("ORU", "R30"))  # the messages whose segments stand in that order


@dataclass(slots=True)
class _Segment:
    """Fields by number, each by component from 1; component 0 is the whole field."""

    name: str
    cells: dict[int, dict[int, str]] = field(default_factory=dict)

    def put(self, number: int, component: int, text: str) -> None:
        self.cells.setdefault(number, {})[component] = text

    def text(self) -> str:
        width = max(self.cells, default=0)
        return "|".join([self.name, *(_joined(self.cells.get(number, {})) for number in range(1, width + 1))])


def _joined(parts: Mapping[int, str]) -> str:
    return parts[0] if 0 in parts else "^".join(parts.get(number, "") for number in range(1, max(parts, default=0) + 1))


def hl7(
    fields: Mapping[str, str], pads: Sequence[Pad], layout: Hl7Layout, *, control_id: str, made_at: str, is_stat: bool = False
) -> str:
    """Give one strip as an unsolicited result message, live (P), segments ended by CR. ``made_at`` is MSH-7.

    The word of a STAT strip (``is_stat``) goes to the last place of the purpose, which is the order's priority; any other to the first.
    """
    kind, event = next(each for each in UNORDERED if each in layout.messages)
    single = {name: _Segment(name) for name in _ORDER if name != "OBX"}
    beside: list[_Segment] = []
    in_pads: list[tuple[Hl7Place, str]] = []
    for name, text in fields.items():
        places = layout.fields.get(name, ())
        if not text or not places or name in PAD_NAMES:
            continue
        place = places[-1] if name == "purpose" and is_stat else places[0]
        if place.segment != "OBX":
            _put(single[place.segment], place, text)
        elif place.when_text:
            beside.append(_Segment("OBX"))
            _put(beside[-1], place, text)
        else:
            in_pads.append((place, text))
    results = [*(_result(pad, layout, in_pads) for pad in pads), *beside]
    for count, each in enumerate(results, 1):
        each.cells |= {1: {1: str(count)}, 2: {1: "ST"}, 11: {1: min(layout.statuses)}}
    header = f"MSH|^~\\&|ANALYZER|BENCH|||{made_at}||{kind}^{event}|{control_id}|P|2.5.1"
    return "".join(f"{line}\r" for line in (header, *_lines(single, results)))


def _lines(single: Mapping[str, _Segment], results: Sequence[_Segment]) -> Iterator[str]:
    for name in _ORDER:
        if name == "OBX":
            yield from (each.text() for each in results)
        elif single[name].cells:
            if name in _NUMBERED:
                single[name].put(1, 1, "1")
            yield single[name].text()


def _result(pad: Pad, layout: Hl7Layout, in_pads: Sequence[tuple[Hl7Place, str]]) -> _Segment:
    made = _Segment("OBX")
    for name in PAD_NAMES:
        for place in layout.fields.get(name, ())[:1]:
            if pad[name]:
                _put(made, place, pad[name])
    for place, text in in_pads:
        _put(made, place, text)
    return made


def _put(segment: _Segment, place: Hl7Place, text: str) -> None:
    segment.put(place.field, place.component, text)
    if place.when_text and not place.when_not:
        segment.put(place.when_field, place.when_component, place.when_text)


def posted(strips: Sequence[tuple[Mapping[str, str], Sequence[Pad]]], layout: JsonLayout) -> str:
    """Give strips as a document of readings (mappings/schemas/reading.json); what the profile does not list is left out."""
    known = {"label", "value"} | ({"unit", "mark"} & layout.fields)
    readings = [
        {
            **{name: text for name, text in fields.items() if text and name in layout.fields},
            "pads": [{name: text for name, text in pad.items() if name in known} for pad in pads],
        }
        for fields, pads in strips
    ]
    return json.dumps({"readings": readings}, ensure_ascii=False)
