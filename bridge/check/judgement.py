"""The order of the rules: one reading and the known facts in, everything that is wrong with it out."""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import UTC, date, datetime, timedelta

from bridge.bench.believed import read_at
from bridge.bench.series import Evidence, series_of
from bridge.bench.shift import Read
from bridge.check import (
    additions,
    analyzer_life,
    clock,
    containers,
    controls,
    copies,
    day_log,
    declared,
    declared_run,
    entries,
    evidence,
    flagging,
    operators,
    patient,
    record,
    registered,
    shift,
    specimen,
    timing,
)
from bridge.check.copies import Claim, Original
from bridge.check.rulebook import OF_TIME, in_order
from bridge.check.understanding import (
    Processing,
    Understood,
    checked_pads,
    content_of,
    processing_of,
    text_of,
    understand_number,
    understand_reading,
)
from bridge.check.when import printed_when
from bridge.coding import Assessment, Person
from bridge.identity.patient_id import id_fault
from bridge.identity.strip import key_of
from bridge.making import maker
from bridge.model import CheckedReading, Facts, Finding, Needs, Purpose, Reading, SeenStrip, SeenStrips, Severity, StripKey
from bridge.tables.types import Policy, SeriesRule, StripType, Tables


@dataclass(frozen=True, kw_only=True, slots=True)
class Moment:
    """When a capture arrived and is judged (aware), and whether it came over a line as the strip was read."""

    arrived_at: datetime
    live: bool
    now: datetime


@dataclass(frozen=True, kw_only=True, slots=True)
class Verdict:
    """What the rules say of a reading. ``findings`` is ordered: the first is shown first. ``assessment`` is what they went by, of a reading that may go.

    ``checked`` is None where the strip's number gives it no key, or its message is not of the kind that is taken. ``copy_of`` is the strip that came before, else None.
    """

    checked: CheckedReading | None
    findings: tuple[Finding, ...]
    copy_of: int | None = None
    assessment: Assessment | None = None

    def has(self, severity: Severity) -> bool:
        """Say whether a finding asks for this."""
        return bool(self.findings) and any(each.severity is severity for each in self.findings)


_needs = maker(Needs)
_moment = maker(Moment)
_verdict = maker(Verdict)
_checked_reading = maker(CheckedReading)
_evidence = maker(Evidence)
_made_claim = maker(Claim)


def needs(reading: Reading, tables: Tables) -> Needs:
    """Give the keys by which the facts about ``reading`` are fetched. A key that it does not carry is empty."""
    profile = tables.profiles[reading.profile]
    number = understand_number(reading, profile.numbers, processing_of(reading, tables))
    return _needs(
        analyzer=reading.analyzer,
        mode=number.mode,
        number="" if number.number is None else str(number.number),
        record_digest=reading.record_digest,
        patient_id=reading.patient_id.text if reading.patient_id else "",
        printed_at=_utc(printed_when(profile, reading.printed_date, reading.printed_time).at),
        strip_type=profile.strip_types.get(text_of(reading.strip_type), ""),
        strip_lot=reading.strip_lot.text if reading.strip_lot else "",  # as printed, since strips stand in the store by it
    )


def check(reading: Reading, facts: Facts, tables: Tables, *, arrived_at: datetime, live: bool, now: datetime) -> Verdict:
    """Hold a reading against every rule. Raises KeyError if ``tables`` lacks the profile that it was read by.

    A copy is told from its record alone and ends the matter: what else is wrong with it was said of the first.
    """
    understood = understand_reading(reading, tables)
    if understood.processing is Processing.OTHER:  # it gets no identity, so that no live strip could be taken for a copy of it
        return Verdict(checked=None, findings=(record.processing_unexpected(reading, tables.policy),))
    understood = _as_declared(_as_registered(understood, facts, tables.policy), facts, tables.policy)
    moment = _moment(arrived_at=min(arrived_at, now), live=live, now=now)  # the service's own clock may have been set back
    person = _person(understood, facts, moment)
    collected = _collected(understood, facts, tables.policy, moment)
    checked = None if _has_no_key(understood) else _checked(understood, facts, person, collected.sent_at, moment)
    assessment = flagging.assessed(understood, person, tables)
    findings = [
        *record.number_understood(understood.number),
        *_record_findings(understood, assessment, tables),
        *_time_findings(understood, facts, tables.policy, moment),
        *_flag_findings(understood, assessment, person.on, tables),
    ]
    if checked is not None:
        claim = _claim(understood, checked, tables.policy, moment)
        known = copies.original(
            claim,
            same_number=facts.seen.same_number,
            same_record=facts.seen.same_record,
            same_patient=facts.seen.same_patient,
        )
        if known is not None:
            return Verdict(checked=checked, findings=(known.note,), copy_of=known.seen.strip_id)
        findings += _copy_findings(claim, facts.seen, known, purpose=checked.purpose)
        if checked.purpose is Purpose.PATIENT and facts.decisions.patient_id is None:  # a corrected ID did not stay from anybody
            findings += _patients_strips_before(claim, checked.specimen_id, facts.seen.same_patient, tables.policy)
        findings += _order_findings(checked, facts, tables.policy, moment)
        if checked.purpose is Purpose.PATIENT:
            findings += _declared_findings(checked, understood.strip_type, claim, facts, tables)
    findings += operators.operator_right(facts.operator, text_of(reading.operator), stops=tables.policy.operators == "hold")
    if understood.number.purpose is Purpose.CONTROL:
        findings += _control_findings(understood, facts, tables)
    if understood.number.purpose is Purpose.PATIENT:
        findings += _patient_findings(understood, facts, tables.policy)
        findings += declared_run.patient_in_run(facts.life, understood.profile.zone, analyzer=reading.analyzer)
        findings += analyzer_life.analyzer_fit(
            facts.life,
            reading.serial,
            strip_type=understood.strip_type.name if understood.strip_type else "",
            analyzer=reading.analyzer,
            power_on=tables.policy.power_on,
        )
        findings += day_log.day_log_right(facts.day_log, tables.policy.day_log, analyzer=reading.analyzer)
        findings += specimen.specimen_right(collected, tables.policy.specimen, _strip_type_of(understood))
        findings += controls.controls_right(facts.gate, tables.controls.policy, analyzer=reading.analyzer)
        is_one_enough = reading.analyzer in tables.policy.one_person
        findings += entries.seen_by_two(reading.entered_by, understood.profile.read_by, is_one_enough=is_one_enough)
        findings += _added_findings(understood, facts, tables)
        if checked is not None and facts.run is not None:
            read = Read(printed_at=read_at(understood.when.at, arrived_at), arrived_at=arrived_at)
            findings += shift.run_unbroken(checked.key, read, facts.run, facts.series, tables.policy)
        if facts.containers is not None:
            findings += containers.container_right(facts.containers, tables.containers, _asked(understood, moment))
    accepted = facts.decisions.accepted_rules | (OF_TIME if facts.decisions.analyzed_at else frozenset())
    passed = in_order(tuple([_passed_over(each, accepted) for each in findings])) if findings else ()
    may_go_by = None if understood.is_doubtful else assessment  # of a doubtful strip the rules went by less than coding may know
    return _verdict(checked=checked, findings=passed, assessment=may_go_by)


def _as_registered(understood: Understood, facts: Facts, policy: Policy) -> Understood:
    """Give what was understood with the purpose for which the strip's identifier is registered, where that decides it."""
    if facts.registered is None:
        return understood
    patient_id = _patient_id(understood, facts)
    is_patients = id_fault(patient_id, policy.patient_id, also_denied=frozenset()) is None
    printed = understood.number.purpose
    purpose = registered.purpose_of(printed, facts.registered, patient_id=patient_id, is_patients=is_patients)
    return replace(understood, number=replace(understood.number, purpose=purpose))


def _as_declared(understood: Understood, facts: Facts, policy: Policy) -> Understood:
    """Give what was understood with the purpose that the analyzer was declared to run then, where the strip is no patient's by its ID."""
    if facts.life is None or not facts.life.run:
        return understood
    is_patients = id_fault(_patient_id(understood, facts), policy.patient_id) is None
    purpose = declared_run.purpose_in_run(understood.number.purpose, facts.life, is_patients=is_patients)
    return replace(understood, number=replace(understood.number, purpose=purpose))


def _added_findings(understood: Understood, facts: Facts, tables: Tables) -> tuple[Finding, ...]:
    if facts.added is None:
        return ()
    analyzer = understood.reading.analyzer
    asked = tables.additions.asked(analyzer, {pad.pad for pad in understood.pads})
    return additions.added_in_time(facts.added, asked, analyzer=analyzer)


def _asked(understood: Understood, moment: Moment) -> containers.Asked:
    reading = understood.reading
    return containers.Asked(
        analyzer=reading.analyzer,
        strip_type=_strip_type_of(understood),
        strip_lot=reading.strip_lot.text if reading.strip_lot else "",
        read_at=_utc(understood.when.at) or moment.arrived_at,
    )


def _strip_type_of(understood: Understood) -> str:
    return understood.strip_type.name if understood.strip_type else ""


def _collected(understood: Understood, facts: Facts, policy: Policy, moment: Moment) -> specimen.Collected:
    """Give what is known of the specimen's collection; nothing where a person corrected the ID beside which it was printed."""
    reading, corrected = understood.reading, facts.decisions.patient_id
    if corrected is not None and corrected != text_of(reading.patient_id):
        return specimen.NOT_TOLD
    read_at = facts.decisions.analyzed_at or understood.when.at or moment.arrived_at
    tolerance = timedelta(minutes=policy.future_tolerance_minutes)
    return specimen.collected(reading.collected, understood.profile, read_at=read_at, tolerance=tolerance)


def _has_no_key(understood: Understood) -> bool:
    return not understood.number.mode


def _person(understood: Understood, facts: Facts, moment: Moment) -> Person:
    """Give what is known of the patient, on the day of analysis by the analyzer's calendar.

    A person's correction of the ID says that the record is of another patient than it was printed for: what is printed of birth and
    sex may be that one's, so it counts as not known.
    """
    reading, profile = understood.reading, understood.profile
    given = facts.decisions.analyzed_at
    at = given.astimezone(profile.zone) if given else understood.when.at or moment.arrived_at.astimezone(profile.zone)
    on = at.date()
    corrected = facts.decisions.patient_id
    if corrected is not None and corrected != text_of(reading.patient_id):
        return Person(sex=None, born=None, on=on)
    return Person(
        sex=evidence.sex_of(reading.sex, profile.sexes),
        born=evidence.born_of(reading.birth_date, profile.birth_format, on=on),
        on=on,
    )


def _flag_findings(understood: Understood, assessment: Assessment, on: date, tables: Tables) -> tuple[Finding, ...]:
    reading, profile = understood.reading, understood.profile
    return (
        *evidence.birth_date_readable(reading.birth_date, profile.birth_format, on=on),
        *evidence.sex_known(reading.sex, profile.sexes),
        *flagging.band_applied(assessment, tables.catalogue.pads),
        *flagging.critical_met(assessment),
    )


def _checked(
    understood: Understood, facts: Facts, person: Person, collected_at: datetime | None, moment: Moment
) -> CheckedReading:
    reading, decisions = understood.reading, facts.decisions
    return _checked_reading(
        reading=reading,
        key=_key(understood, facts, moment),
        content=content_of(understood, is_decided="unit.undecided" in decisions.accepted_rules),
        purpose=understood.number.purpose,
        priority=understood.number.priority,
        patient_id=_patient_id(understood, facts),
        corrected_by=decisions.corrected_by if decisions.patient_id is not None else None,
        patient_name=reading.patient_name.text if reading.patient_name else "",
        specimen_id=reading.specimen_id.text if reading.specimen_id else "",
        order_number=reading.order_number.text if reading.order_number else "",
        operator=reading.operator.text if reading.operator else "",
        strip_type=_strip_type_of(understood),
        strip_lot=reading.strip_lot.text if reading.strip_lot else "",
        analyzed_at=understood.when.at,
        pads=checked_pads(understood),
        born=person.born,
        sex=person.sex,
        collected_at=collected_at,
        corrected_at=decisions.analyzed_at.astimezone(understood.profile.zone) if decisions.analyzed_at else None,
        timed_by=decisions.timed_by,
    )


def _key(understood: Understood, facts: Facts, moment: Moment) -> StripKey:
    number, when = understood.number, understood.when
    series = series_of(
        understood.profile.numbers,
        _evidence(
            number=number.number,
            printed_day=when.day,
            printed_at=when.at,
            arrived_at=moment.arrived_at,
            is_live=moment.live,
            placed=facts.placed,
        ),
        newest=facts.series,
        same_number=facts.seen.same_number,
    )
    return key_of(analyzer=understood.reading.analyzer, mode=number.mode, series=series, number=number.number)


def _utc(at: datetime | None) -> datetime | None:
    """Give the instant in UTC: within one zone Python compares clock faces, and those go back once a year."""
    return at.astimezone(UTC) if at else None


def _patient_id(understood: Understood, facts: Facts) -> str:
    if facts.decisions.patient_id is not None:
        return facts.decisions.patient_id
    return understood.reading.patient_id.text if understood.reading.patient_id else ""


def _claim(understood: Understood, checked: CheckedReading, policy: Policy, moment: Moment) -> Claim:
    return _made_claim(
        key=checked.key,
        content=checked.content,
        printed_at=_utc(understood.when.at),
        arrived_at=moment.arrived_at,
        is_daily=understood.profile.numbers.series is SeriesRule.DAILY,
        is_marked=text_of(understood.reading.copy_mark) in understood.profile.copy_marks,
        window=timedelta(minutes=policy.rerun_window_minutes),
    )


def _patient_findings(understood: Understood, facts: Facts, policy: Policy) -> tuple[Finding, ...]:
    reading = understood.reading
    patient_id = _patient_id(understood, facts)
    place = reading.patient_id if facts.decisions.patient_id is None else None
    found = patient.patient_identity(
        patient_id,
        policy.patient_id,
        place=place,
        strip_lot=reading.strip_lot.text if reading.strip_lot else "",
        operator=reading.operator.text if reading.operator else "",
    )
    is_patients = not found
    doubt = registered.not_registered(facts.registered, patient_id=patient_id, is_patients=is_patients)
    return (*doubt, *(found or patient.not_registered(facts.known_as, patient_id, place=place)))


def _control_findings(understood: Understood, facts: Facts, tables: Tables) -> tuple[Finding, ...]:
    if tables.controls.policy is None:
        return ()
    reading = understood.reading
    beside = frozenset(each.text for each in (reading.strip_lot, reading.operator, reading.specimen_id) if each)
    known = controls.ControlKnown(
        patient_id=facts.known_as, specimen_id=facts.specimen_known_as, is_registered=facts.registered is not None
    )
    is_patients = id_fault(_patient_id(understood, facts), tables.policy.patient_id, also_denied=beside) is None
    return controls.not_a_patients(known, tables.controls.policy, is_patients=is_patients)


def _record_findings(understood: Understood, assessment: Assessment, tables: Tables) -> tuple[Finding, ...]:
    """Ask the rules of the record; a fault in place of results speaks for the pads that it left out."""
    strip_type, pads, names = understood.strip_type, understood.pads, tables.catalogue.pads
    fault = record.no_fault(understood.reading.fault)
    if fault and not understood.reading.pads:
        return fault
    typed = record.strip_type_known(strip_type, understood.reading.strip_type)
    if strip_type is None:
        return (*typed, *fault)
    return (
        *record.pads_known(pads, strip_type, names),
        *record.units_agree(pads, understood.profile.unit_system, names),
        *record.values_known(pads, names),
        *record.units_decided(pads, understood.profile.unit_system, names),
        *record.marks_agree(pads, None if understood.reading.entered_by else understood.profile.marks, assessment.flags, names),
        *record.ratios_computed(pads, strip_type, names),
        *fault,
        *record.pads_complete(pads, strip_type, names),
    )


def _time_findings(understood: Understood, facts: Facts, policy: Policy, moment: Moment) -> tuple[Finding, ...]:
    """Ask the rules of time; where the strip alone is not to be believed, nothing more is said of its analyzer's clock."""
    reading, when = understood.reading, understood.when
    place = reading.printed_date.place if reading.printed_date else None
    legible = timing.time_legible(when, reading.printed_date, reading.printed_time, is_live=moment.live)
    plausible = timing.time_plausible(
        when.at,
        place,
        arrived_at=moment.arrived_at,
        future_tolerance=timedelta(minutes=policy.future_tolerance_minutes),
        oldest=timedelta(days=policy.oldest_days),
    )
    if policy.clock is None or legible or plausible:
        return (*legible, *plausible)
    return clock.clock_right(when.at, place, arrived_at=moment.arrived_at, clock=facts.clock, rule=policy.clock)


def _order_findings(checked: CheckedReading, facts: Facts, policy: Policy, moment: Moment) -> tuple[Finding, ...]:
    """Ask whether time goes on with the numbers, of strips that may have waited; one that was sent as it was read has its arrival."""
    if policy.clock is None or (facts.clock is not None and facts.clock.is_fresh):
        return ()
    return clock.order_kept(checked.key, checked.analyzed_at, facts.series, arrived_at=moment.arrived_at, rule=policy.clock)


def _patients_strips_before(
    claim: Claim, specimen_id: str, same_patient: tuple[SeenStrip, ...], policy: Policy
) -> tuple[Finding, ...]:
    """Ask of the patient's earlier strips: an ID that may have stayed, and a specimen that was run before."""
    again = copies.run_again(claim, specimen_id, same_patient) if policy.run_again == "hold" else ()
    return (*copies.same_id_again(claim, same_patient), *again)


def _copy_findings(claim: Claim, seen: SeenStrips, known: Original | None, *, purpose: Purpose) -> tuple[Finding, ...]:
    """Ask the rules of copies. Controls are run again and look alike by nature: only their number must be their own."""
    numbered = (
        *copies.conflict(claim, seen.same_number),
        *copies.purged(claim, seen.same_number),
        *copies.other_time(claim, seen.same_number),
        *copies.replaces_stopped(claim, seen.same_number),
    )
    if purpose is not Purpose.PATIENT:
        return numbered
    return (
        *numbered,
        *copies.marked_copy(claim, known, seen.same_number),
        *copies.doubt(claim, same_number=seen.same_number, same_record=seen.same_record),
        *copies.possible_rerun(claim, seen.same_patient),
    )


def _declared_findings(
    checked: CheckedReading, strip_type: StripType | None, claim: Claim, facts: Facts, tables: Tables
) -> tuple[Finding, ...]:
    """Ask the site's declared rules; those on neighbours only where they were fetched."""
    plausible = declared.pads_plausible(checked, tables)
    if facts.neighbours is None or strip_type is None:
        return plausible
    return (
        *declared.looks_like_control(checked, strip_type, facts.neighbours.controls, tables.holds.control),
        *declared.looks_like_previous(checked, facts.neighbours.previous, tables.holds.previous, claim),
        *plausible,
    )


def _passed_over(finding: Finding, accepted: frozenset[str]) -> Finding:
    """Give a releasable finding that a named person accepted as a note: it stops no more, and stays on record."""
    if finding.rule in accepted and finding.releasable:
        return replace(finding, severity=Severity.NOTE)
    return finding
