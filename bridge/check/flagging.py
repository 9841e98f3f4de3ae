"""What there is to say of a strip's flags: a band that could not be told, and a critical rule of the site that is met.

Notes, all of them: a critical strip that is clean goes at once, and one that is stopped says in its notes what it is.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

from bridge.bench.telling import Critical
from bridge.check.rulebook import finding
from bridge.check.understanding import Processing, Understood, understand_reading
from bridge.coding import Assessment, Person, assess
from bridge.model import Finding, Outcome, PrintedPad, Purpose, Reading, Step
from bridge.tables.types import CataloguePad, Tables

MET = "critical.met"


def assessed(understood: Understood, person: Person, tables: Tables) -> Assessment:
    """Give the flags of the pads that were understood. Only a patient's strip has bands and can be critical.

    Where the unit system is in doubt no value of the strip can be trusted, so nothing is critical.
    """
    steps = {each.pad: each.step for each in understood.pads if each.step is not None}
    is_patient = understood.number.purpose is Purpose.PATIENT
    return assess(steps, person if is_patient and not understood.is_doubtful else None, tables)


def band_applied(assessment: Assessment, names: Mapping[str, CataloguePad]) -> tuple[Finding, ...]:
    """Note the pads whose expectation depends on an age or sex that is not known."""
    if not assessment.unsure:
        return ()
    listed = ", ".join(names[pad].name for pad in assessment.unsure)
    sentence = f"The patient's age or sex is not known, so the limits for it were not applied: {listed}."
    return (finding("flag.no_band", sentence, pad=assessment.unsure[0]),)


def critical_met(assessment: Assessment) -> tuple[Finding, ...]:
    """Note each critical rule of the site that the strip meets."""
    return tuple(
        replace(finding(MET, f"Critical by the laboratory's rule {rule.rule}: {rule.text}", pad=rule.when[0].pad), row=rule.rule)
        for rule in assessment.critical
    )


def critical_steps(reading: Reading, tables: Tables) -> Mapping[str, Step]:
    """Give the steps by pad by which a strip may meet critical rules; none of a strip of no patient, or whose units are in doubt.

    Raises KeyError if ``tables`` lacks the profile that it was read by.
    """
    understood = understand_reading(reading, tables)
    is_patient = understood.processing is not Processing.OTHER and understood.number.purpose is Purpose.PATIENT
    if not is_patient or understood.is_doubtful:
        return {}
    return {each.pad: each.step for each in understood.pads if each.step is not None and each.pad in tables.catalogue.pads}


def to_tell(reading: Reading, outcome: Outcome, tables: Tables) -> tuple[Critical, ...]:
    """Give the critical rules that a judged strip meets, whatever became of it, each with the values that met it, as printed and with their grades.

    Raises KeyError if ``tables`` are not those that it was judged by.
    """
    met = {each.row for each in outcome.findings if each.rule == MET}
    if not met:
        return ()
    printed = {each.pad: _as_printed(each.printed, each.step) for each in understand_reading(reading, tables).pads if each.step}
    names = tables.catalogue.pads
    return tuple(
        Critical(
            rule=rule.rule, text=rule.text, values=tuple((names[each.pad].name, printed.get(each.pad, "")) for each in rule.when)
        )
        for rule in tables.flags.critical
        if rule.rule in met
    )


def _as_printed(pad: PrintedPad, step: Step) -> str:
    """Give a value as it stands on the slip; the ladder's grade beside it, since a number without a unit is misheard."""
    text = f"{pad.value.text} {pad.unit.text}" if pad.unit else pad.value.text
    return f"{text} ({step.grade.value})" if step.grade and step.grade.value not in text.casefold() else text
