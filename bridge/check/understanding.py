"""From what was printed to what is meant: number and mode, strip type, pads and steps.

Closed vocabularies: a word, label or value that the profile does not declare is never taken for
one that it does. What is not understood is kept as such; the rules in record.py say so.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from enum import StrEnum
from types import MappingProxyType

from bridge.check.when import When, printed_when
from bridge.identity.strip import NOT_UNDERSTOOD, in_doubt
from bridge.making import maker
from bridge.model import LIVE, CheckedPad, Printed, PrintedPad, Priority, Purpose, Reading, Step, StripContent, UnitSystem
from bridge.tables.memo import Memo
from bridge.tables.types import ModeRule, NumberScheme, PadVocabulary, Policy, Profile, StripType, Tables, Token
from bridge.tables.vocabulary import possible_elsewhere

TESTS = frozenset({"T", "D"})  # HL7 table 0103: training, debugging; LIS02-A2 header field 12 has the same letters
QUALITY_CONTROL = "Q"  # LIS02-A2 header field 12, from memory; no letter of HL7 table 0103
TEST_MODE = "test"  # ours: the mode in the key of a test reading, so that no live one is told by it
SHARED_MODE = "all"  # ours: the mode in the key of a strip whose modes count in one series
LONGEST_NUMBER = 18  # ours: digits that fit a signed 64-bit integer, the widest a database column holds


class NumberFault(StrEnum):
    """Why the number gives no key."""

    MISSING = "missing"
    UNREADABLE = "unreadable"
    UNKNOWN_WORD = "unknown word"


@dataclass(frozen=True, kw_only=True, slots=True)
class UnderstoodNumber:
    """The number, the mode that counts in the key, and what the strip was read for.

    ``word`` is the printed text that the fault is about.
    """

    number: int | None
    mode: str
    purpose: Purpose
    priority: Priority
    fault: NumberFault | None = None
    word: Printed | None = None


class Processing(StrEnum):
    """What a reading's processing ID makes of it: one to be judged as it is, a test that goes to no record, or one not to be taken."""

    EXPECTED = "expected"
    TEST = "test"
    OTHER = "other"


class Meaning(StrEnum):
    """What a printed pad came to."""

    KNOWN = "known"
    UNKNOWN_LABEL = "unknown label"
    UNEXPECTED = "not on this strip type"
    ERROR = "error token"
    UNKNOWN_VALUE = "unknown value"
    OFF_SCALE = "number off the scale, no unit printed"
    OTHER_SYSTEM = "value of another unit system"
    OTHER_UNIT = "other unit text"


STOPS_ALL_PADS: frozenset[Meaning] = frozenset({Meaning.OFF_SCALE, Meaning.OTHER_SYSTEM, Meaning.OTHER_UNIT})
NO_TOKEN = Token(step=None)  # a value that stands for no step, in no unit system
_BITS: Mapping[UnitSystem, int] = MappingProxyType({system: 1 << place for place, system in enumerate(UnitSystem)})


@dataclass(frozen=True, kw_only=True, slots=True)
class UnderstoodPad:
    """A printed pad and its meaning. ``pad`` is "" for an unknown label; ``step`` is set for KNOWN only.

    ``other`` names the unit system that a value belongs to, where it is not the declared one. ``possible`` holds, of a known value, the
    other systems in which it could stand as printed, ``moved`` those of them in which it would mean another step: a bit each, since
    whole strips are compared by them. ``stops_all``: it shows that no value of its strip can be trusted.
    """

    printed: PrintedPad
    pad: str
    meaning: Meaning
    step: Step | None = None
    other: UnitSystem | None = None
    possible: int = 0
    moved: int = 0
    stops_all: bool = False


@dataclass(frozen=True, kw_only=True, slots=True)
class Understood:
    """A reading with its meaning; ``pads`` in the record's order, ``strip_type`` None if unknown. ``is_doubtful``: a pad shows that no value can be trusted."""

    reading: Reading
    profile: Profile
    processing: Processing
    number: UnderstoodNumber
    when: When
    strip_type: StripType | None
    pads: tuple[UnderstoodPad, ...]
    is_doubtful: bool


_understood = maker(UnderstoodPad)
_understood_whole = maker(Understood)
_number = maker(UnderstoodNumber)
_content = maker(StripContent)
_checked_pad = maker(CheckedPad)


def text_of(printed: Printed | None) -> str:
    """Give the printed text with inner blanks single; "" where nothing was printed."""
    return " ".join(printed.text.split()) if printed else ""


def understand_reading(reading: Reading, tables: Tables) -> Understood:
    """Take a reading's texts for what its profile says they are.

    Raises KeyError if ``tables`` lacks the reading's profile: the caller read it by that profile.
    """
    profile = tables.profiles[reading.profile]
    processing = processing_of(reading, tables)
    strip_type = tables.strip_types.get(profile.strip_types.get(text_of(reading.strip_type), ""))
    pads = tuple([_understand_pad(each, profile, strip_type, tables.memo) for each in reading.pads]) if strip_type else ()
    return _understood_whole(
        reading=reading,
        profile=profile,
        processing=processing,
        number=understand_number(reading, profile.numbers, processing),
        when=printed_when(profile, reading.printed_date, reading.printed_time),
        strip_type=strip_type,
        pads=pads,
        is_doubtful=any(each.stops_all for each in pads),
    )


# --- number, mode, purpose, priority ---------------------------------------------------------


def processing_of(reading: Reading, tables: Tables) -> Processing:
    """Hold a reading's processing ID against the one that its analyzer's messages must bear. One that says none is never taken for live.

    Quality control is live where the strip's own number says so too, and never a patient's.
    """
    if reading.processing_id is None:
        return Processing.EXPECTED
    said, policy, profile = reading.processing_id.text, tables.policy, tables.profiles[reading.profile]
    expected = policy.processing_ids.get(reading.analyzer, LIVE)
    if said == expected:
        return Processing.EXPECTED
    if said == QUALITY_CONTROL and expected == LIVE and profile.lis2 is not None:
        is_control = _understood_number(reading, profile.numbers).purpose is Purpose.CONTROL
        return Processing.EXPECTED if is_control else Processing.OTHER
    return Processing.TEST if said in processing_taken(reading.analyzer, policy) else Processing.OTHER


def processing_taken(analyzer: str, policy: Policy) -> frozenset[str]:
    """Give the processing IDs that are taken of an analyzer: the one expected, and tests beside it where the site keeps them for training."""
    expected = policy.processing_ids.get(analyzer, LIVE)
    return frozenset({expected}) | (TESTS if expected == LIVE and policy.test_messages == "training" else frozenset())


def understand_number(reading: Reading, scheme: NumberScheme, processing: Processing = Processing.EXPECTED) -> UnderstoodNumber:
    """Take the number apart, and find what its word, or the purpose field's, means.

    A profile has the word in one of the two places (tables/profiles.py refuses both); no word is the scheme's default. A test is
    for training whatever its word, and has no number: it may repeat or leave out any, and none of them is missing.
    """
    understood = _understood_number(reading, scheme)
    if processing is Processing.TEST and understood.mode:
        return replace(understood, number=None, mode=TEST_MODE, purpose=Purpose.TRAINING, priority=Priority.ROUTINE)
    return understood


def _understood_number(reading: Reading, scheme: NumberScheme) -> UnderstoodNumber:
    printed, beside = reading.number, text_of(reading.purpose)
    if printed is None or not printed.text:
        return _missing_number(reading, scheme)
    match = re.fullmatch(scheme.pattern, printed.text)
    if match is None:
        return _without_key(NumberFault.UNREADABLE, printed, scheme.modes.get(beside))
    inside = (match.groupdict().get("mode") or "").strip()
    rule = scheme.modes.get(inside or beside)
    if rule is None:
        return _without_key(NumberFault.UNKNOWN_WORD, reading.purpose if beside and not inside else printed, None)
    number = _counted(match["number"])
    if number is None:
        return _without_key(NumberFault.UNREADABLE, printed, rule)
    return _number(number=number, mode=_counted_mode(scheme, rule), purpose=rule.purpose, priority=rule.priority)


def _missing_number(reading: Reading, scheme: NumberScheme) -> UnderstoodNumber:
    """Give what is known of a strip that bears no number: the purpose field, or the scheme's default, still names its mode."""
    beside = text_of(reading.purpose)
    rule = scheme.modes.get(beside)
    if rule is None:
        return _without_key(NumberFault.UNKNOWN_WORD, reading.purpose if beside else None, None)
    return UnderstoodNumber(
        number=None,
        mode=_counted_mode(scheme, rule),
        purpose=rule.purpose,
        priority=rule.priority,
        fault=NumberFault.MISSING,
        word=reading.number,
    )


def _counted_mode(scheme: NumberScheme, rule: ModeRule) -> str:
    return SHARED_MODE if scheme.shared else rule.mode


def _counted(digits: str | None) -> int | None:
    """Give the number that plain digits stand for; None for anything else, or more digits than a column of the store holds."""
    if digits and digits.isascii() and digits.isdigit() and len(digits) <= LONGEST_NUMBER:
        return int(digits)
    return None


def _without_key(fault: NumberFault, word: Printed | None, rule: ModeRule | None) -> UnderstoodNumber:
    """Give a number without a place in any series. Where its purpose is unknown it meets every rule of a patient's strip."""
    return UnderstoodNumber(
        number=None,
        mode="",
        purpose=rule.purpose if rule else Purpose.PATIENT,
        priority=rule.priority if rule else Priority.ROUTINE,
        fault=fault,
        word=word,
    )


# --- pads ------------------------------------------------------------------------------------


def _understand_pad(printed: PrintedPad, profile: Profile, strip_type: StripType, memo: Memo) -> UnderstoodPad:
    unit = printed.unit.text if printed.unit else None
    question = ("understood", profile.name, strip_type.name, printed.label.text, printed.value.text, unit)
    known = memo.once(question, strip_type, lambda: _understood_pad(printed, profile, strip_type))
    if known.printed is printed:
        return known
    return _understood(
        printed=printed,
        pad=known.pad,
        meaning=known.meaning,
        step=known.step,
        other=known.other,
        possible=known.possible,
        moved=known.moved,
        stops_all=known.stops_all,
    )


def _understood_pad(printed: PrintedPad, profile: Profile, strip_type: StripType) -> UnderstoodPad:
    pad = profile.labels.get(text_of(printed.label), "")
    if not pad:
        return UnderstoodPad(printed=printed, pad="", meaning=Meaning.UNKNOWN_LABEL)
    if pad not in strip_type.places:
        return UnderstoodPad(printed=printed, pad=pad, meaning=Meaning.UNEXPECTED)
    if text_of(printed.value) in profile.fault_tokens:
        return UnderstoodPad(printed=printed, pad=pad, meaning=Meaning.ERROR)
    words = profile.vocabularies.get((strip_type.name, pad))
    meaning, token = _understand_value(printed, words)
    if words is None or token.step is None:
        return UnderstoodPad(printed=printed, pad=pad, meaning=meaning, other=token.other, stops_all=meaning in STOPS_ALL_PADS)
    elsewhere = possible_elsewhere(words, text_of(printed.value), text_of(printed.unit))
    return UnderstoodPad(
        printed=printed,
        pad=pad,
        meaning=meaning,
        step=token.step,
        possible=_bits(elsewhere),
        moved=_bits(system for system, ranks in elsewhere.items() if ranks != {token.step.rank}),
    )


def _bits(systems: Iterable[UnitSystem]) -> int:
    return sum(_BITS[system] for system in systems)


def _understand_value(printed: PrintedPad, vocabulary: PadVocabulary | None) -> tuple[Meaning, Token]:
    """Give what a value came to, and what it stands for; that is nothing where its unit, or the value itself, is unknown."""
    value, unit = text_of(printed.value), text_of(printed.unit)
    if vocabulary is None or value not in vocabulary.tokens:
        is_bare_number = not unit and any(char.isdigit() for char in value)
        return Meaning.OFF_SCALE if is_bare_number else Meaning.UNKNOWN_VALUE, NO_TOKEN
    token = vocabulary.tokens[value]
    if token.step is None:
        return Meaning.OTHER_SYSTEM, token
    if unit not in vocabulary.units:
        return Meaning.OTHER_UNIT, NO_TOKEN
    return Meaning.KNOWN, token


def rival_systems(pads: tuple[UnderstoodPad, ...]) -> tuple[UnitSystem, ...]:
    """Give the other unit systems in which the whole strip could have been printed as it stands, and a pad at another step.

    The whole strip judges: one understood value that a system does not print rules that system out for all pads.
    """
    rivals = _rivals(pads)
    return tuple(system for system, bit in _BITS.items() if rivals & bit) if rivals else ()


def _rivals(pads: tuple[UnderstoodPad, ...]) -> int:
    left, moved = -1, 0  # every system; none in which a pad would stand at another step
    for each in pads:
        if each.step is not None:
            left &= each.possible
            moved |= each.moved
    return left & moved


def undecided_pads(pads: tuple[UnderstoodPad, ...]) -> tuple[UnderstoodPad, ...]:
    """Give the pads that would stand at another step in a unit system that the strip does not rule out."""
    rivals = _rivals(pads)
    return tuple(each for each in pads if each.step is not None and each.moved & rivals) if rivals else ()


def content_of(understood: Understood, *, is_decided: bool = False) -> StripContent:
    """Give what two records of one strip must agree on, from printed evidence alone.

    Pads stand in the strip type's order, whatever order a layout prints. Where a value shows another unit system no
    pad of the strip counts as understood; where the system is undecided, the pads that hang on it are in doubt, so that a
    record that decides them is no other strip. ``is_decided`` says that a named person saw the declared one on the analyzer.
    """
    reading = understood.reading
    order = understood.strip_type.places if understood.strip_type else {}
    undecided = () if is_decided else undecided_pads(understood.pads)
    ranked = [
        (each.pad, NOT_UNDERSTOOD if understood.is_doubtful else _ranked(each, is_decided=each not in undecided))
        for each in understood.pads
        if each.pad in order
    ]
    return _content(
        patient_id=_exact(reading.patient_id),
        operator=_exact(reading.operator),
        strip_type=understood.strip_type.name if understood.strip_type else "",
        strip_lot=_exact(reading.strip_lot),
        pads=tuple(sorted(ranked, key=lambda each: order[each[0]])),
    )


def _ranked(pad: UnderstoodPad, *, is_decided: bool) -> int:
    if pad.step is None:
        return NOT_UNDERSTOOD
    return pad.step.rank if is_decided else in_doubt(pad.step.rank)


def _exact(printed: Printed | None) -> str:
    """Give the printed text as it stands, blanks and all; "" where nothing was printed."""
    return printed.text if printed else ""


def checked_pads(understood: Understood) -> tuple[CheckedPad, ...]:
    """Give the pads that were understood, in the strip type's order."""
    order = understood.strip_type.places if understood.strip_type else {}
    known = [
        _checked_pad(
            pad=each.pad,
            step=each.step,
            printed=each.printed.value.text,
            place=each.printed.value.place,
            marked=marked(each.printed.mark, understood.profile),
        )
        for each in understood.pads
        if each.step is not None
    ]
    return tuple(sorted(known, key=lambda each: order[each.pad]))


def marked(mark: Printed | None, profile: Profile) -> bool | None:
    """Say whether the analyzer marked a pad abnormal; None if it prints no marks or the mark is unknown."""
    return None if profile.marks is None else profile.marks.get(text_of(mark))
