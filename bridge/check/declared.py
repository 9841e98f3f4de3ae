"""Rules that the site declares in its file of holds: what pads say together, and what a whole strip looks like."""

from __future__ import annotations

from collections.abc import Mapping

from bridge.check.copies import Claim, apart
from bridge.check.rulebook import RULES, concern_of, is_for_one_by_one
from bridge.check.understanding import Processing, content_of, understand_reading
from bridge.errors import TableError
from bridge.model import CheckedReading, ControlLook, Finding, Neighbour, Neighbours, Purpose, Reading, Severity
from bridge.tables.hold_table import DeclaredRule, HoldTable, LookAlike, RulesToTry
from bridge.tables.holds import HOLDS_FILE
from bridge.tables.types import StripType, Tables

TWO_STEPS = 2  # of a pad with two steps each lies within one of the other: such a pad must be exact


def check_terms(holds: HoldTable) -> None:
    """Refuse terms for a rule that there is not, and bulk for what is decided one by one. Raises TableError."""
    for rule, policy in holds.policies.items():
        path = (HOLDS_FILE, "policies")
        try:
            concern_of(rule)
        except KeyError:
            raise TableError(
                f"There is no rule {rule!r}.", remedy="Compare with the list in docs/rejections.md.", path=path
            ) from None
        if policy.bulk and is_for_one_by_one(rule):
            raise TableError(
                f"What {rule!r} stops is decided one by one: identity, units, failed controls, conflicts and what is critical.",
                remedy="Write bulk: false.",
                path=path,
            )
        if policy.persons != 1 and rule in RULES and not RULES[rule].releasable and rule not in _SOMETIMES:
            raise TableError(f"Nobody may release what {rule!r} stops.", remedy="Write persons: 1.", path=path)


_SOMETIMES = frozenset({"copy.conflict"})  # copies.conflict says when


def pads_plausible(checked: CheckedReading, tables: Tables) -> tuple[Finding, ...]:
    """Give each declared rule that the strip's pads meet together."""
    rules = tables.holds.pads.get(checked.strip_type)
    if not rules:
        return ()
    ranks = dict(checked.content.pads)
    met = [(rule.declared, pad) for rule in rules if (pad := rule.met_by(ranks))]
    return tuple([_found(declared, declared.sentence, checked, pad=pad) for declared, pad in met])


def rules_met(reading: Reading, rules: RulesToTry, tables: Tables) -> frozenset[str]:
    """Give which of some rules a patient's reading would meet, on or off; none of a strip whose values are in doubt.

    Raises KeyError if ``tables`` lacks the profile that it was read by.
    """
    understood = understand_reading(reading, tables)
    is_patient = understood.processing is not Processing.OTHER and understood.number.purpose is Purpose.PATIENT
    if not is_patient or understood.strip_type is None:
        return frozenset()
    ranks = dict(content_of(understood).pads)
    return frozenset(rule.declared.rule for rule in rules.pads.get(understood.strip_type.name, ()) if rule.met_by(ranks))


def abnormal_pads(checked: CheckedReading) -> int:
    """Give how many pads the ladder calls abnormal."""
    return sum([pad.step.abnormal for pad in checked.pads])


def resembles(checked: CheckedReading, neighbours: Neighbours, tables: Tables) -> bool:
    """Say whether a strip looks like one of its neighbours at all; the rules below say whether that counts."""
    strip_type = tables.strip_types.get(checked.strip_type)
    if strip_type is None:
        return False
    return _is_as_another(checked, neighbours.previous) or bool(
        looks_like_control(checked, strip_type, neighbours.controls, tables.holds.control)
    )


def looks_like_control(
    checked: CheckedReading, strip_type: StripType, controls: tuple[ControlLook, ...], rule: LookAlike | None
) -> tuple[Finding, ...]:
    """Find a patient's strip that looks like a control in use: as many abnormal pads, and all of them as the lot's insert has them, give or take a step.

    A lot that expects fewer abnormal pads (a negative level) is like every healthy person's strip, and says nothing.
    """
    if rule is None or abnormal_pads(checked) < rule.abnormal_pads:
        return ()
    ranks = dict(checked.content.pads)
    for control in controls:
        if control.strip_type == strip_type.name and _is_within(control, strip_type, ranks, rule):
            return (_found(rule.declared, f"{rule.declared.sentence} ({control.name})", checked),)
    return ()


def _is_within(control: ControlLook, strip_type: StripType, ranks: Mapping[str, int], rule: LookAlike) -> bool:
    ladders = {pad.pad: pad.ladder for pad in strip_type.pads}
    expects = sum(all(ladders[pad][rank].abnormal for rank in allowed) for pad, allowed in control.pads)
    if expects < rule.abnormal_pads:
        return False
    for pad, allowed in control.pads:
        has_order = len(ladders[pad]) > TWO_STEPS and not ladders[pad][0].word
        steps = rule.steps if has_order else 0
        rank = ranks.get(pad, -1)
        if not (min(allowed) - steps <= rank <= max(allowed) + steps if has_order else rank in allowed):
            return False
    return True


def looks_like_previous(
    checked: CheckedReading, previous: Neighbour | None, rule: LookAlike | None, claim: Claim
) -> tuple[Finding, ...]:
    """Find a strip whose pads all equal those of the analyzer's strip before, which is another patient's: the IDs may have shifted, or one cup was dipped twice.

    Two that lie further apart than the policy's re-run window are no neighbours.
    """
    if rule is None or previous is None or abnormal_pads(checked) < rule.abnormal_pads:
        return ()
    if not _is_as_another(checked, previous) or apart(claim, previous) > claim.window:
        return ()
    number = f"strip {previous.number}" if previous.number else "the strip"
    return (_found(rule.declared, f"{rule.declared.sentence} ({number} before it)", checked),)


def _is_as_another(checked: CheckedReading, previous: Neighbour | None) -> bool:
    """Say whether the strip before is another patient's and all its pads read alike."""
    if previous is None or "" in {previous.patient_id, checked.patient_id} or previous.patient_id == checked.patient_id:
        return False
    one, other = checked.content, previous.content
    return (one.strip_type, one.pads) == (other.strip_type, other.pads)


def _found(declared: DeclaredRule, sentence: str, checked: CheckedReading, *, pad: str = "") -> Finding:
    place = next((each.place for each in checked.pads if each.pad == pad), None)
    return Finding(
        rule=declared.rule,
        severity=declared.severity,
        sentence=sentence,
        remedy=declared.remedy,
        place=place,
        pad=pad,
        releasable=declared.severity is Severity.HOLD,
    )
