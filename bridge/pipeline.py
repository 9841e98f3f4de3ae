"""What follows what, as long as it is pure: understand, needs, judge. The fetch between them is the service's.

``judge`` is the one seam where a RejectError of coding becomes a row for the rejected-messages page.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import replace
from datetime import datetime

from bridge import check as checks
from bridge.bench.controls import ControlRun, Flaw, judge_control
from bridge.check import Moment, Verdict, controls, entries
from bridge.coding import code, with_additions
from bridge.errors import RejectError
from bridge.model import (
    Capture,
    CheckedReading,
    Coded,
    CodedResult,
    Copy,
    Facts,
    Finding,
    Held,
    Needs,
    Neighbours,
    NonPatient,
    Outcome,
    Place,
    Purpose,
    ReadBy,
    Reading,
    Rejected,
    Severity,
    Unreadable,
    Waiting,
)
from bridge.read import read_capture
from bridge.tables.control_table import ControlLot, ShutDoes
from bridge.tables.types import Profile, Tables

__all__ = ["Moment", "asks_for_neighbours", "control_run", "finding_of", "judge", "needs", "not_sent", "resembles", "understand"]

# ours, decision 0013: what a destination may ask for besides patients' strips; proficiency and training never leave the house
MAY_GO = frozenset({Purpose.CONTROL, Purpose.COMPARISON})
RELEASED = "Released before the analyzer's controls were right,"  # the comment on the report, with the person's name


def understand(capture: Capture, profile: Profile, *, analyzer: str) -> tuple[Reading | Unreadable, ...]:
    """Give every strip of a capture, as printed, in the order of the bytes; a bad one costs no neighbour."""
    return read_capture(capture, profile, analyzer=analyzer)


def needs(reading: Reading, tables: Tables) -> Needs:
    """Give the keys to look up before ``reading`` can be judged. Raises KeyError if its profile is not in ``tables``."""
    return checks.needs(reading, tables)


def judge(reading: Reading, facts: Facts, tables: Tables, *, moment: Moment, result_id: str) -> Outcome:
    """Take one reading as far as it goes: to a coded result, to a stop, or to a note.

    ``result_id`` is used for a new result only; a result that was refused everywhere keeps its identity and gets
    the next version. Raises KeyError if the reading's profile is not in ``tables``.
    """
    verdict = checks.check(reading, facts, tables, arrived_at=moment.arrived_at, live=moment.live, now=moment.now)
    checked, findings = verdict.checked, verdict.findings
    if checked is None or (verdict.copy_of is None and verdict.has(Severity.REJECT)):
        return Rejected(findings=findings, checked=checked)
    if verdict.copy_of is not None:
        return Copy(of=verdict.copy_of, checked=checked, findings=findings)
    if verdict.has(Severity.HOLD):
        return _held(checked, findings, tables)
    if checked.purpose is not Purpose.PATIENT and checked.purpose not in MAY_GO:
        return NonPatient(checked=checked, findings=findings)
    try:
        result = _result(verdict, checked, facts, tables, moment=moment, result_id=result_id)
    except RejectError as reject:
        return _uncoded(checked, verdict, reject)
    if checked.purpose is Purpose.PATIENT:
        told = _entered(_timed(_told_of(result, findings, facts), checked), checked, facts, tables)
        if facts.added is not None:
            told = with_additions(told, facts.added.values, tables)
        return Coded(checked=checked, result=_commented(told, findings, tables.holds.reports), findings=findings)
    return NonPatient(checked=checked, findings=findings, result=_of_no_patient(result))


def asks_for_neighbours(outcome: Outcome, tables: Tables) -> bool:
    """Say whether a strip's neighbours are to be looked at: a patient's, with as many abnormal pads as a rule of the site asks for."""
    least, checked = tables.holds.least_abnormal, outcome.checked
    if least is None or checked is None or checked.purpose is not Purpose.PATIENT or isinstance(outcome, Copy):
        return False
    return checks.abnormal_pads(checked) >= least


def resembles(outcome: Outcome, neighbours: Neighbours, tables: Tables) -> bool:
    """Say whether a strip is to be judged once more with ``Facts.neighbours``: it looks like one of them. Of any other they say nothing."""
    return outcome.checked is not None and checks.resembles(outcome.checked, neighbours, tables)


def control_run(outcome: Outcome, tables: Tables, lots: Iterable[ControlLot], *, arrived_at: datetime) -> ControlRun | None:
    """Judge a control by its lot, whatever became of its record; None for other strips, for copies, and where the site has no policy.

    What was stopped can fail, since a pad that is missing or no value is a failure; it never passes before a person has decided about it.
    """
    checked, policy = outcome.checked, tables.controls.policy
    if policy is None or checked is None or isinstance(outcome, Copy) or checked.purpose is not Purpose.CONTROL:
        return None
    strip_type = tables.strip_types.get(checked.strip_type)
    if strip_type is None:
        return None
    run = judge_control(checked, lots, strip_type, policy, arrived_at=arrived_at)
    return run if isinstance(outcome, NonPatient) else replace(run, flaws=(*run.flaws, Flaw.STOPPED))


def _held(checked: CheckedReading, findings: tuple[Finding, ...], tables: Tables) -> Held | Waiting:
    """Hold a strip for a person; where controls are all that it lacks and the site says so, let it wait for them.

    A person who decides about something else decides nothing about controls that may pass meanwhile: it is judged again then.
    """
    policy = tables.controls.policy
    if policy is None or policy.shut is not ShutDoes.WAIT:
        return Held(checked=checked, findings=findings)
    others = tuple(each for each in findings if each.rule != controls.DUE)
    if all(each.severity is Severity.NOTE for each in others):
        return Waiting(checked=checked, findings=findings)
    return Held(checked=checked, findings=others)


def _told_of(result: CodedResult, findings: tuple[Finding, ...], facts: Facts) -> CodedResult:
    """Give the result with a comment for its reader where a person let it go though its controls were not right."""
    accepted_by = facts.decisions.accepted_by
    by = next((accepted_by[each.rule] for each in findings if each.rule in controls.RULES & accepted_by.keys()), None)
    if by is None:
        return result
    return replace(result, comments=(*result.comments, f"{RELEASED} by {by.name}."))


def _entered(result: CodedResult, checked: CheckedReading, facts: Facts, tables: Tables) -> CodedResult:
    """Give the result with a comment for its reader where a person entered the strip: who, and who compared it."""
    by = checked.reading.entered_by
    if by is None:
        return result
    is_by_eye = tables.profiles[checked.reading.profile].read_by is ReadBy.EYE
    said = f"Read by eye and entered by {by.text}" if is_by_eye else f"Typed in from the analyzer's slip by {by.text}"
    second = facts.decisions.accepted_by.get(entries.UNCONFIRMED)
    return replace(result, comments=(*result.comments, f"{said}, compared by {second.name}." if second else f"{said}."))


def _timed(result: CodedResult, checked: CheckedReading) -> CodedResult:
    """Give the result with a comment for its reader where a person corrected the time: the printed one stays beside it."""
    if checked.corrected_at is None or checked.timed_by is None:
        return result
    printed = f"the analyzer printed {checked.analyzed_at:%Y-%m-%d %H:%M}" if checked.analyzed_at else "the analyzer printed none"
    return replace(result, comments=(*result.comments, f"Time of analysis given by {checked.timed_by.name}; {printed}."))


def _commented(result: CodedResult, findings: tuple[Finding, ...], reports: Mapping[str, str]) -> CodedResult:
    """Give the result with the comments that the laboratory has signed for the declared rules that it meets."""
    said = tuple(reports[each.rule] for each in findings if each.rule in reports) if reports else ()
    return replace(result, comments=(*result.comments, *said)) if said else result


def _result(
    verdict: Verdict, checked: CheckedReading, facts: Facts, tables: Tables, *, moment: Moment, result_id: str
) -> CodedResult:
    # Where nothing (whole) was printed, a note or a person's release let the arrival stand for the time of analysis;
    # the checked reading keeps the gap, so that identity never rests on the order of arrival.
    at = (
        checked.corrected_at or checked.analyzed_at or moment.arrived_at.astimezone(tables.profiles[checked.reading.profile].zone)
    )
    prior = facts.prior
    return code(
        checked if checked.analyzed_at is at else replace(checked, analyzed_at=at),
        tables,
        result_id=prior.result_id if prior else result_id,
        version=prior.version + 1 if prior else 1,
        assessment=verdict.assessment if checked.analyzed_at is at else None,
    )


def _uncoded(checked: CheckedReading, verdict: Verdict, reject: RejectError) -> Rejected | NonPatient:
    """Stop a patient's strip that cannot be coded; a control is kept all the same, with a note."""
    if checked.purpose is Purpose.PATIENT:
        return Rejected(findings=(finding_of(reject), *verdict.findings), checked=checked)
    return not_sent(NonPatient(checked=checked, findings=verdict.findings), reject)


def _of_no_patient(result: CodedResult) -> CodedResult:
    """Take out whatever could lead a receiver to a patient: what a control prints in a patient's place is nobody's."""
    specimen = "" if result.specimen_id == result.patient_id else result.specimen_id  # some analyzers print one field as both
    return replace(
        result, patient_id="", patient_name="", specimen_id=specimen, born=None, sex=None, order_number="", comments=()
    )


def not_sent(outcome: NonPatient, reject: RejectError) -> NonPatient:
    """Give a control that cannot be coded or said: it goes nowhere and stops nothing, and a note says why."""
    note = replace(finding_of(reject), severity=Severity.NOTE)
    return replace(outcome, findings=(note, *outcome.findings), result=None)


def finding_of(reject: RejectError) -> Finding:
    """Give what a strip that cannot be coded or said is stopped with."""
    place = Place(start=reject.start, end=reject.end) if reject.start is not None and reject.end is not None else None
    return Finding(rule=reject.rule, severity=Severity.REJECT, sentence=reject.sentence, remedy=reject.remedy, place=place)
