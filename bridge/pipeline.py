"""What follows what, as long as it is pure: understand, needs, judge. The fetch between them is the service's.

``judge`` is the one seam where a RejectError of coding becomes a row for the rejected-messages page.
"""

from __future__ import annotations

from dataclasses import replace

from bridge import check as checks
from bridge.check import Moment, Verdict
from bridge.coding import code
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
    NonPatient,
    Outcome,
    Place,
    Purpose,
    Reading,
    Rejected,
    Severity,
    Unreadable,
)
from bridge.read import read_capture
from bridge.tables.types import Profile, Tables

__all__ = ["Moment", "finding_of", "judge", "needs", "not_sent", "understand"]

# ours, decision 0013: what a destination may ask for besides patients' strips; proficiency and training never leave the house
MAY_GO = frozenset({Purpose.CONTROL, Purpose.COMPARISON})


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
        return Held(checked=checked, findings=findings)
    if checked.purpose is not Purpose.PATIENT and checked.purpose not in MAY_GO:
        return NonPatient(checked=checked, findings=findings)
    try:
        result = _result(verdict, checked, facts, tables, moment=moment, result_id=result_id)
    except RejectError as reject:
        return _uncoded(checked, verdict, reject)
    if checked.purpose is Purpose.PATIENT:
        return Coded(checked=checked, result=result, findings=findings)
    return NonPatient(checked=checked, findings=findings, result=_of_no_patient(result))


def _result(
    verdict: Verdict, checked: CheckedReading, facts: Facts, tables: Tables, *, moment: Moment, result_id: str
) -> CodedResult:
    # Where nothing (whole) was printed, a note or a person's release let the arrival stand for the time of analysis;
    # the checked reading keeps the gap, so that identity never rests on the order of arrival.
    at = checked.analyzed_at or moment.arrived_at.astimezone(tables.profiles[checked.reading.profile].zone)
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
