"""What a person may enter of a strip by hand: its pads as ladders to choose from, and the document that is kept of the choice."""

from __future__ import annotations

import json
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace

from bridge.model import Code, Grade, Quantity, Step, UnitSystem
from bridge.tables.types import CataloguePad, PadVocabulary, Profile, StripPad, Tables

_SIGNS: Mapping[str, str] = {"": "", "<": "<", "<=": "≤", ">=": "≥", ">": ">"}
_SAYS_ITSELF = frozenset({"1", "[pH]"})  # ours: units that nobody reads aloud


@dataclass(frozen=True, kw_only=True, slots=True)
class Choice:
    """One step of a ladder: its ``rank``, what it says to a person, and the text and unit by which the profile knows it."""

    rank: int
    says: str
    text: str
    unit: str


@dataclass(frozen=True, kw_only=True, slots=True)
class Ladder:
    """One pad to choose a step of. ``label`` is the profile's. ``read_after_s``: when it is read, in seconds after dipping; None where nobody said so."""

    pad: str
    name: str
    label: str
    choices: tuple[Choice, ...]
    read_after_s: int | None = None


def ladders(profile: Profile, printed_type: str, tables: Tables) -> tuple[Ladder, ...]:
    """Give the pads of a strip type in its own order, with the steps that the profile has texts for. Raises KeyError for a type that it does not know."""
    strip_type = tables.strip_types[profile.strip_types[printed_type]]
    labels = {pad: label for label, pad in reversed(tuple(profile.labels.items()))}
    return tuple(
        Ladder(
            pad=pad.pad,
            name=tables.catalogue.pads[pad.pad].name,
            label=labels[pad.pad],
            choices=tuple(_choices(pad, tables.catalogue.pads[pad.pad], profile, strip_type.name, tables.catalogue.answers)),
            read_after_s=pad.read_after_s,
        )
        for pad in strip_type.pads
    )


def printed_ladders(profile: Profile, printed_type: str, tables: Tables) -> tuple[Ladder, ...]:
    """Give the pads as ``ladders`` does, each with every text that the analyzer prints for a step, lowest first. Raises KeyError likewise."""
    strip_type = profile.strip_types[printed_type]
    return tuple(
        replace(pad, choices=tuple(_printed(profile.vocabularies[(strip_type, pad.pad)])))
        for pad in ladders(profile, printed_type, tables)
    )


def _printed(vocabulary: PadVocabulary) -> Iterable[Choice]:
    unit = _unit_of(vocabulary)
    known = [(token.step.rank, text) for text, token in vocabulary.tokens.items() if token.step is not None]
    for rank, text in sorted(known, key=lambda each: each[0]):
        yield Choice(rank=rank, says=f"{text} {unit}".rstrip(), text=text, unit=unit)


def _unit_of(vocabulary: PadVocabulary) -> str:
    """Give a unit text that may stand beside a pad's values: none, where it may be left out."""
    return "" if "" in vocabulary.units else min(vocabulary.units)


def _choices(
    pad: StripPad, named: CataloguePad, profile: Profile, strip_type: str, answers: Mapping[Grade, Code]
) -> Iterable[Choice]:
    vocabulary = profile.vocabularies[(strip_type, pad.pad)]
    unit = _unit_of(vocabulary)
    for step in pad.ladder:
        text = _text_of(step, vocabulary)
        if text is not None:
            yield Choice(rank=step.rank, says=_says(step, named, profile.unit_system, answers), text=text, unit=unit)


def _text_of(step: Step, vocabulary: PadVocabulary) -> str | None:
    """Give the text that stands for a step; of several, one that means nothing else in another unit system, where there is one."""
    texts = [text for text, token in vocabulary.tokens.items() if token.step is not None and token.step.rank == step.rank]
    return min(texts, key=lambda text: bool(vocabulary.tokens[text].elsewhere), default=None)


def _says(step: Step, pad: CataloguePad, system: UnitSystem, answers: Mapping[Grade, Code]) -> str:
    number = step.si if system is UnitSystem.SI and step.si else step.conventional
    told = _number(number) if number else ""
    if step.word:
        return pad.words[step.word].text
    if step.grade is None:
        return told
    grade = answers[step.grade].text if step.grade in answers else step.grade.value
    return f"{grade}, {told}" if told else grade


def _number(number: Quantity) -> str:
    unit = "" if number.unit in _SAYS_ITSELF else f" {number.unit}"
    return f"{_SIGNS[number.comparator]}{number.value}{unit}"


def document(fields: Mapping[str, str], pads: Iterable[tuple[str, str, str]]) -> bytes:
    """Give the bytes that are kept of one entered strip (``tables.documents.FormDocument``); ``pads`` are label, text and unit, and what is empty is left out."""
    strip: dict[str, object] = {name: text for name, text in fields.items() if text}
    strip["pads"] = [
        {"label": label, "value": text, "unit": unit} if unit else {"label": label, "value": text} for label, text, unit in pads
    ]
    return json.dumps({"readings": [strip]}, ensure_ascii=False, indent=1).encode()


def entered_by(payload: bytes) -> str:
    """Give who entered a strip, from the bytes that were kept of a form (``document``)."""
    return str(json.loads(payload)["readings"][0]["entered_by"])


def says_the_same(one: bytes, other: bytes) -> bool:
    """Say whether the bytes of two forms (``document``) say the same of a strip, whenever it was read."""
    return _without_time(one) == _without_time(other)


def _without_time(payload: bytes) -> dict[str, object]:
    (strip,) = json.loads(payload)["readings"]
    return {name: said for name, said in strip.items() if name not in {"printed_date", "printed_time"}}
