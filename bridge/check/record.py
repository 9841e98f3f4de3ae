"""Rules of the record itself: number, strip type, pads, values, units, marks, faults.

An unknown or error token never becomes a value. Where the unit system is in doubt the whole strip is
judged, never the one pad that showed it: the others may be wrong and still look right.
"""

from __future__ import annotations

from collections.abc import Mapping

from bridge.check.rulebook import finding
from bridge.check.understanding import (
    Meaning,
    NumberFault,
    UnderstoodNumber,
    UnderstoodPad,
    rival_systems,
    text_of,
    undecided_pads,
)
from bridge.model import LIVE, Finding, Flag, Printed, Reading, UnitSystem
from bridge.tables.types import CataloguePad, Policy, StripType

_SYSTEM_NAMES: Mapping[UnitSystem, str] = {
    UnitSystem.ARBITRARY: "grades without units",
    UnitSystem.CONVENTIONAL: "conventional units",
    UnitSystem.SI: "SI units",
}
_PROCESSING = {
    "P": "live",
    "T": "a test",
    "D": "for debugging",
    "Q": "of a control",
}  # HL7 table 0103 and LIS02-A2 H.12, in words


def processing_unexpected(reading: Reading, policy: Policy) -> Finding:
    """Say why a message stops that is not of the kind (live, test, debugging) that this analyzer's must be."""
    said = reading.processing_id
    expected = policy.processing_ids.get(reading.analyzer, LIVE)
    what = f"says that it is {_kind(said.text)}" if said and said.text else "does not say whether it is live or a test"
    sentence = f"The message {what}; here {_kind(expected)} is expected."
    return finding("message.processing_id", sentence, place=said.place if said else None)


def _kind(processing_id: str) -> str:
    kind = _PROCESSING.get(processing_id)
    return f"{kind} (processing ID {processing_id})" if kind else f"of the processing ID “{processing_id}”"


def number_understood(number: UnderstoodNumber) -> tuple[Finding, ...]:
    """Say why the strip's number, or the words about its purpose, give it no place in a series."""
    if number.fault is None:
        return ()
    place = number.word.place if number.word else None
    text = number.word.text if number.word else ""
    match number.fault:
        case NumberFault.MISSING:
            return (finding("number.missing", "The record has no strip number.", place=place),)
        case NumberFault.UNREADABLE:
            return (finding("number.unreadable", f"The strip number “{text}” cannot be read.", place=place),)
        case NumberFault.UNKNOWN_WORD:
            sentence = f"“{text}” does not say for what the strip was read: patient, control or another purpose."
            return (finding("number.unknown_word", sentence, place=place),)


def strip_type_known(strip_type: StripType | None, printed: Printed | None) -> tuple[Finding, ...]:
    """Stop a strip whose type the profile does not declare: its pads cannot be told apart."""
    if strip_type is not None:
        return ()
    sentence = f"The strip type “{printed.text}” is not known." if printed and printed.text else "The record names no strip type."
    return (finding("strip_type.unknown", sentence, place=printed.place if printed else None),)


def pads_known(pads: tuple[UnderstoodPad, ...], strip_type: StripType, names: Mapping[str, CataloguePad]) -> tuple[Finding, ...]:
    """Stop pads that nobody knows, that are not on this strip type, or that come twice."""
    found: list[Finding] = []
    seen: set[str] = set()
    for each in pads:
        label = each.printed.label
        if each.meaning is Meaning.UNKNOWN_LABEL:
            found.append(finding("pad.unknown", f"The pad “{label.text}” is not known.", place=label.place))
        elif each.meaning is Meaning.UNEXPECTED:
            sentence = f"{_name(each.pad, names)} is not a pad of the strip type {strip_type.title}."
            found.append(finding("pad.unexpected", sentence, place=label.place, pad=each.pad))
        if each.pad and each.pad in seen:
            found.append(finding("pad.twice", f"{_name(each.pad, names)} comes twice.", place=label.place, pad=each.pad))
        seen.add(each.pad)
    return tuple(found)


def pads_complete(
    pads: tuple[UnderstoodPad, ...], strip_type: StripType, names: Mapping[str, CataloguePad]
) -> tuple[Finding, ...]:
    """Stop a strip that lacks a pad of its type; a missing pad is never taken for a negative one."""
    present = {each.pad for each in pads}
    missing = [each.pad for each in strip_type.pads if each.pad not in present]
    if not missing:
        return ()
    listed = ", ".join(_name(pad, names) for pad in missing)
    return (finding("pad.missing", f"The record lacks {listed}.", pad=missing[0]),)


def values_known(pads: tuple[UnderstoodPad, ...], names: Mapping[str, CataloguePad]) -> tuple[Finding, ...]:
    """Stop values that are error tokens, or that stand nowhere on their pad's scale."""
    found = []
    for each in pads:
        value = each.printed.value
        if each.meaning is Meaning.ERROR:
            sentence = f"The analyzer could not read {_name(each.pad, names)}: it printed “{value.text}”."
            found.append(finding("pad.error", sentence, place=value.place, pad=each.pad))
        elif each.meaning is Meaning.UNKNOWN_VALUE:
            said = f"“{value.text}” is not on its scale" if value.text else "it has no value"
            found.append(finding("pad.unknown_value", f"{_name(each.pad, names)}: {said}.", place=value.place, pad=each.pad))
    return tuple(found)


def units_agree(pads: tuple[UnderstoodPad, ...], declared: UnitSystem, names: Mapping[str, CataloguePad]) -> tuple[Finding, ...]:
    """Stop the whole strip where its units are not those that the analyzer is declared to print."""
    doubtful = [each for each in pads if each.stops_all]
    found = []
    for each in doubtful[:1]:  # one finding a strip: the first pad that shows it stands for all
        value, unit, name = text_of(each.printed.value), text_of(each.printed.unit), _name(each.pad, names)
        place = each.printed.value.place
        if each.meaning is Meaning.OFF_SCALE:
            sentence = f"{name}: “{value}” is not on its scale and no unit is printed, so no value of this strip can be trusted."
            found.append(finding("unit.off_scale", sentence, place=place, pad=each.pad))
        elif each.meaning is Meaning.OTHER_SYSTEM:
            other = _SYSTEM_NAMES[each.other] if each.other else "other units"
            sentence = f"{name}: “{value}” is a value in {other}; this analyzer is set up for {_SYSTEM_NAMES[declared]}."
            found.append(finding("unit.other_system", sentence, place=place, pad=each.pad))
        else:
            said = f"the unit “{unit}” is not the one" if unit else "the record prints no unit where one is"
            sentence = f"{name}: {said} declared for this analyzer, so no value of this strip can be trusted."
            found.append(
                finding("unit.differs", sentence, place=each.printed.unit.place if each.printed.unit else place, pad=each.pad)
            )
    return tuple(found)


def units_decided(
    pads: tuple[UnderstoodPad, ...], declared: UnitSystem, names: Mapping[str, CataloguePad]
) -> tuple[Finding, ...]:
    """Hold a strip whose values would be other steps in another unit system, while none of them rules that system out.

    Where a value shows another system, ``units_agree`` has stopped the strip already.
    """
    undecided = undecided_pads(pads)
    if not undecided or any(each.stops_all for each in pads):
        return ()
    listed = ", ".join(f"{_name(each.pad, names)} “{text_of(each.printed.value)}”" for each in undecided)
    systems = " or ".join(_SYSTEM_NAMES[system] for system in rival_systems(pads))
    sentence = (
        f"{listed}: the same text is another step in {systems}, "
        f"and no value of this strip shows that the analyzer still prints {_SYSTEM_NAMES[declared]}."
    )
    return (finding("unit.undecided", sentence, place=undecided[0].printed.value.place, pad=undecided[0].pad),)


def marks_agree(
    pads: tuple[UnderstoodPad, ...],
    marks: Mapping[str, bool] | None,
    flags: Mapping[str, Flag],
    names: Mapping[str, CataloguePad],
) -> tuple[Finding, ...]:
    """Note where the analyzer's own mark and our flag differ on abnormal; hold a mark that nobody knows.

    ``flags`` holds the flag of every pad that was understood, from the scale and the limits that hold for the patient.
    """
    if marks is None:
        return ()
    found = []
    for each in pads:
        mark = text_of(each.printed.mark)
        if mark and mark not in marks:
            place = each.printed.mark.place if each.printed.mark else None
            sentence = f"{_name(each.pad, names) or each.printed.label.text}: the mark “{mark}” is not known."
            found.append(finding("mark.unknown", sentence, place=place, pad=each.pad))
            continue
        is_abnormal = flags.get(each.pad, Flag.NORMAL) is not Flag.NORMAL
        if each.step is not None and marks.get(mark, is_abnormal) is not is_abnormal:
            by = "scale" if each.step.abnormal is is_abnormal else "patient's reference range"
            said = f"marks it abnormal, the {by} does not" if marks[mark] else f"does not mark it, the {by} says abnormal"
            sentence = f"{_name(each.pad, names)} {each.printed.value.text}: the analyzer {said}."
            found.append(finding("mark.disagrees", sentence, place=each.printed.value.place, pad=each.pad))
    return tuple(found)


def ratios_computed(
    pads: tuple[UnderstoodPad, ...], strip_type: StripType, names: Mapping[str, CataloguePad]
) -> tuple[Finding, ...]:
    """Note each ratio that the strip type has and these values do not give; a pad that was not understood is told of by itself."""
    known = {each.pad: each for each in pads if each.step is not None}
    found = []
    for ratio in strip_type.ratios:
        of, to = known.get(ratio.of), known.get(ratio.to)
        if of is None or to is None or of.step is None or to.step is None or (of.step.rank, to.step.rank) in ratio.steps:
            continue
        said = f"{_name(ratio.of, names)} {of.printed.value.text} and {_name(ratio.to, names)} {to.printed.value.text}"
        sentence = f"{_name(ratio.pad.pad, names)}: {said} do not decide it, so none is sent."
        found.append(finding("ratio.not_computed", sentence, place=of.printed.value.place, pad=ratio.pad.pad))
    return tuple(found)


def no_fault(fault: Printed | None) -> tuple[Finding, ...]:
    """Stop a strip for which the analyzer printed an error in place of results."""
    if fault is not None and fault.text:
        return (finding("analyzer.fault", f"The analyzer reports “{fault.text}” for this strip.", place=fault.place),)
    return ()


def _name(pad: str, names: Mapping[str, CataloguePad]) -> str:
    return names[pad].name if pad in names else pad
