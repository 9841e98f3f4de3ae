"""What there is to say of a strip's flags: a band that could not be told, and a critical rule of the site that is met.

Notes, all of them: a critical strip that is clean goes at once, and one that is stopped says in its notes what it is.
"""

from __future__ import annotations

from collections.abc import Mapping

from bridge.check.rulebook import finding
from bridge.check.understanding import Understood
from bridge.coding import Assessment, Person, assess
from bridge.model import Finding, Purpose
from bridge.tables.types import CataloguePad, Tables


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
        finding("critical.met", f"Critical by the laboratory's rule {rule.rule}: {rule.text}", pad=rule.when[0].pad)
        for rule in assessment.critical
    )
