"""Understand, needs, judge: the hard cases of a strip's identity, with a small memory in place of the store.

The memory answers as store/api.py says the store does; the store's own tests hold it to the same words.
"""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass, field, replace
from datetime import UTC, date, datetime, timedelta
from decimal import Decimal
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from bridge import pipeline
from bridge.errors import RejectError
from bridge.model import (
    Actor,
    Capture,
    CheckedReading,
    Coded,
    Copy,
    Decisions,
    Facts,
    Flag,
    Grade,
    Held,
    Needs,
    NonPatient,
    Outcome,
    Place,
    PriorResult,
    Purpose,
    Quantity,
    Reading,
    Rejected,
    ResultStatus,
    SeenStrip,
    SeenStrips,
    SeriesState,
    Severity,
    Sex,
    Way,
)
from bridge.pipeline import Moment
from bridge.settings import shipped_mappings
from bridge.site import load_tables
from bridge.tables.flag_table import Band, Condition, CriticalRule, FlagTable
from bridge.tables.types import PatientIdPolicy, Tables
from tests.check.tables_for_tests import ARRIVED, DAILY, NEGATIVE, POLICY, TABLES, VOCABULARIES, ZONE, pad, printed, reading

ANY_PATIENT_ID = PatientIdPolicy(pattern=r".+", check_digit="", denied=frozenset(), denied_patterns=())
WINDOW = timedelta(minutes=POLICY.rerun_window_minutes)


@dataclass
class _Strip:
    """One judged strip of the memory. A newer interpretation of the same place takes the older one's seat."""

    place: str
    seen: SeenStrip | None
    outcome: Outcome


@dataclass
class Memory:
    """What was judged so far, and what the store would tell of it."""

    tables: Tables = TABLES
    strips: list[_Strip] = field(default_factory=list)
    decisions: dict[str, Decisions] = field(default_factory=dict)

    def judge(self, of: Reading, *, at: datetime = ARRIVED, live: bool = True, place: str = "") -> Outcome:
        """Judge ``of`` as arrived at ``at``, and remember the outcome. ``place`` names its capture, by default its own."""
        seat = place or f"capture {len(self.strips)}"
        needs = pipeline.needs(of, self.tables)
        facts = Facts(
            seen=self._seen(needs, at, seat), series=self._newest(needs, seat), decisions=self.decisions.get(seat, Decisions())
        )
        moment = Moment(arrived_at=at, live=live, now=at + timedelta(seconds=1))
        outcome = pipeline.judge(of, facts, self.tables, moment=moment, result_id=f"T1R{len(self.strips)}")
        self.strips = [each for each in self.strips if each.place != seat]
        self.strips.append(_Strip(place=seat, seen=self._remembered(outcome, at), outcome=outcome))
        return outcome

    def count(self) -> Counter[str]:
        """Count the strips by outcome."""
        return Counter(type(each.outcome).__name__ for each in self.strips)

    def _remembered(self, outcome: Outcome, at: datetime) -> SeenStrip | None:
        checked: CheckedReading | None = outcome.checked
        if checked is None or isinstance(outcome, Copy):
            return None
        return SeenStrip(
            strip_id=len(self.strips) + 1,
            key=checked.key,
            content=checked.content,
            printed_at=checked.analyzed_at.astimezone(UTC) if checked.analyzed_at else None,
            arrived_at=at,
            record_digest=checked.reading.record_digest,
            open_stop=isinstance(outcome, Held | Rejected),
        )

    def _others(self, seat: str) -> list[SeenStrip]:
        return [each.seen for each in reversed(self.strips) if each.seen and each.place != seat]

    def _seen(self, needs: Needs, at: datetime, seat: str) -> SeenStrips:
        others = self._others(seat)
        own = [each for each in others if each.key.analyzer == needs.analyzer]
        return SeenStrips(
            same_number=tuple(
                each for each in own if needs.number and (each.key.mode, each.key.number) == (needs.mode, needs.number)
            ),
            same_record=tuple(each for each in own if each.record_digest == needs.record_digest),
            same_patient=tuple(
                each
                for each in others
                if needs.patient_id and each.content.patient_id == needs.patient_id and abs(each.arrived_at - at) <= WINDOW
            ),
        )

    def _newest(self, needs: Needs, seat: str) -> SeriesState | None:
        mine = [each for each in self._others(seat) if (each.key.analyzer, each.key.mode) == (needs.analyzer, needs.mode)]
        dated = [each for each in mine if each.key.series and each.printed_at]
        if not dated:
            return None
        last = max(dated, key=lambda each: (each.printed_at or ARRIVED, each.strip_id))
        return SeriesState(series=last.key.series, last_number=int(last.key.number), last_printed_at=last.printed_at)


def _day(day: int, numbers: range = range(1, 61), *, profile: str = "daily") -> list[Reading]:
    """Give one day's strips: a patient each, a strip every five minutes from eight, all of them negative."""
    start = datetime(2026, 11, day, 8, 0, tzinfo=ZoneInfo("Europe/Berlin"))
    times = [start + timedelta(minutes=5 * index) for index in range(len(numbers))]
    return [
        reading(profile, number=str(number), day=f"{at:%Y-%m-%d}", clock=f"{at:%H:%M}", patient=f"{day}{number:03}")
        for number, at in zip(numbers, times, strict=True)
    ]


EVENING = datetime(2026, 11, 24, 20, 0, tzinfo=UTC)


# --- the four hard cases -----------------------------------------------------------------------


@pytest.mark.parametrize("profile", ["daily", "fall"])
def test_two_days_of_numbers_and_a_resend_are_120_results(profile: str) -> None:
    """Numbers 1 to 60 on two days, day one sent again on the second evening: 120 results and 60 copies."""
    memory = Memory()
    day_1, day_2 = _day(23, profile=profile), _day(24, profile=profile)
    for of in [*day_1, *day_2, *day_1]:
        memory.judge(of, at=EVENING)
    assert memory.count() == {"Coded": 120, "Copy": 60}
    results = {each.outcome.result.result_id for each in memory.strips if isinstance(each.outcome, Coded)}
    assert len(results) == 120


@pytest.mark.parametrize("profile", ["daily", "fall"])
def test_one_strip_by_file_and_by_line_is_one_result(profile: str) -> None:
    """The file prints seconds and no lot, in other bytes and another pad order; the strip is the same."""
    memory = Memory(
        tables=replace(
            TABLES,
            profiles={
                **TABLES.profiles,
                "file": replace(TABLES.profiles[profile], name="file", date_format="%d.%m.%y", time_format="%H:%M:%S"),
            },
        )
    )
    by_line = reading(profile, number="7", pads=(("GLU", "100"), ("PRO", "NEG"), ("NIT", "NEG")))
    by_file = replace(
        reading("file", number="007", day="25.11.26", clock="09:58:31", pads=(("NIT", "NEG"), ("GLU", "100"), ("PRO", "NEG"))),
        strip_lot=None,
    )
    assert isinstance(memory.judge(by_line), Coded)
    second = memory.judge(by_file, live=False)
    assert isinstance(second, Copy)
    assert (second.of, [each.rule for each in second.findings]) == (1, ["copy.same_strip"])


def test_two_identical_strips_without_a_date_are_both_judged() -> None:
    """Byte for byte the same, and two patients' strips perhaps: the second waits for a person, none is lost."""
    memory = Memory()
    strip = reading("undated", number="1", day=None, clock=None)
    first = memory.judge(strip)
    second = memory.judge(strip, at=ARRIVED + timedelta(days=9), place="second")
    assert isinstance(first, Coded)
    assert first.result.analyzed_at == ARRIVED
    assert first.checked.analyzed_at is None
    assert [each.rule for each in first.findings] == ["time.arrival_used"]
    assert isinstance(second, Held)
    (doubt,) = (each for each in second.findings if each.severity is Severity.HOLD)
    assert (doubt.rule, doubt.releasable) == ("copy.doubt", True)
    memory.decisions["second"] = Decisions(accepted_by={"copy.doubt": Actor(name="B. Ahlers", verified="unverified")})
    released = memory.judge(strip, at=ARRIVED + timedelta(days=9), place="second")
    assert isinstance(released, Coded)
    assert memory.count() == {"Coded": 2}


def test_reading_again_under_a_corrected_profile_is_no_copy() -> None:
    """The profile did not know TRACE; once it does, the same capture's stop becomes a result, not a copy of itself."""
    memory = Memory()
    strip = reading(pads=(("GLU", "NEG"), ("PRO", "TRACE"), ("NIT", "NEG")))
    stopped = memory.judge(strip, place="one")
    assert isinstance(stopped, Rejected)
    assert [each.rule for each in stopped.findings] == ["pad.unknown_value"]
    protein = VOCABULARIES["fern-3", "protein"]
    wider = replace(protein, tokens={**protein.tokens, "TRACE": protein.tokens["TR"]})
    corrected = replace(DAILY, vocabularies={**VOCABULARIES, ("fern-3", "protein"): wider})
    memory.tables = replace(TABLES, profiles={**TABLES.profiles, "daily": corrected})
    assert isinstance(memory.judge(strip, place="one"), Coded)
    assert memory.count() == {"Coded": 1}


def test_a_copy_that_came_before_the_correction_is_not_its_original() -> None:
    """First stopped, then sent again (a copy), then read again: the strip must not be lost as a copy of its copy."""
    memory = Memory()
    strip = reading(patient="47A1")
    assert isinstance(memory.judge(strip, place="one"), Rejected)
    assert isinstance(memory.judge(strip, place="again"), Copy)
    memory.decisions["one"] = Decisions(patient_id="4711", corrected_by=Actor(name="B. Ahlers", verified="unverified"))
    outcome = memory.judge(strip, place="one")
    assert isinstance(outcome, Coded)
    assert (outcome.result.patient_id, outcome.checked.content.patient_id) == ("4711", "47A1")
    assert memory.count() == {"Coded": 1, "Copy": 1}


def test_the_remedy_for_a_unit_mix_up_works() -> None:
    """Units set right, the strip sent again from memory and marked as resent: it goes; the first stays stopped."""
    memory = Memory()
    mixed = reading(pads=(("GLU", "5.6"), ("PRO", "NEG"), ("NIT", "NEG")))
    right = reading(pads=(("GLU", "100"), ("PRO", "NEG"), ("NIT", "NEG")), copy_mark=printed("COPY"))
    assert isinstance(memory.judge(mixed), Rejected)
    outcome = memory.judge(right)
    assert isinstance(outcome, Coded)
    assert [each.rule for each in outcome.findings] == ["copy.replaces_stopped"]
    assert memory.count() == {"Rejected": 1, "Coded": 1}


# --- random orders -----------------------------------------------------------------------------

DAYS = [*_day(23, range(1, 6)), *_day(24, range(1, 5)), *_day(25, range(2, 4))]
arrivals = st.lists(st.sampled_from(range(len(DAYS))), min_size=1, max_size=40)


@settings(deadline=None)
@given(arrivals)
def test_dated_days_may_arrive_in_any_order_and_number(order: list[int]) -> None:
    """Where the series is the printed day, each strip is one result and each repeat a copy, whatever came when."""
    memory = Memory()
    for index in order:
        memory.judge(DAYS[index], at=EVENING + timedelta(days=1))
    distinct = len(set(order))
    assert memory.count() == Counter({"Coded": distinct, "Copy": len(order) - distinct})


@settings(deadline=None)
@given(arrivals)
def test_falling_numbers_in_any_order_lose_nothing(order: list[int]) -> None:
    """Where a fall opens the series, a wild order may make a person look, but no strip passes as another's copy."""
    memory = Memory()
    first: dict[int, Outcome] = {}
    for index in order:
        outcome = memory.judge(replace(DAYS[index], profile="fall"), at=EVENING + timedelta(days=1))
        if index in first:
            assert isinstance(outcome, Copy)
        else:
            first[index] = outcome
            assert isinstance(outcome, Coded | Held)
    assert memory.count()["Copy"] == len(order) - len(first)


@settings(deadline=None)
@given(st.data())
def test_falling_numbers_in_order_with_resends_between_are_all_results(data: st.DataObject) -> None:
    """Days in their order, any earlier strip sent again at any moment: every strip a result, every resend a copy."""
    memory = Memory()
    resent = 0
    for index, of in enumerate(DAYS[:9]):
        memory.judge(replace(of, profile="fall"), at=EVENING)
        for old in data.draw(st.lists(st.integers(0, index), max_size=3)):
            memory.judge(replace(DAYS[old], profile="fall"), at=EVENING)
            resent += 1
    assert memory.count() == Counter({"Coded": 9, "Copy": resent})


@settings(deadline=None)
@given(st.lists(st.tuples(st.integers(1, 3), st.sampled_from(["4711", "4712"]), st.booleans()), min_size=1, max_size=12))
def test_undated_strips_are_never_copies(strips: list[tuple[int, str, bool]]) -> None:
    """Without a time no likeness proves a copy: each strip is a result or waits for a person."""
    memory = Memory()
    for number, patient, is_positive in strips:
        pads = (("GLU", "100" if is_positive else "NEG"), ("PRO", "NEG"), ("NIT", "NEG"))
        memory.judge(reading("undated", number=str(number), day=None, clock=None, patient=patient, pads=pads))
    counted = memory.count()
    assert counted["Coded"] + counted["Held"] == len(strips)
    assert counted["Coded"] >= 1


# --- the ways out of judging -------------------------------------------------------------------


def _judge(of: Reading, facts: Facts | None = None, tables: Tables = TABLES) -> Outcome:
    moment = Moment(arrived_at=ARRIVED, live=True, now=ARRIVED)
    return pipeline.judge(of, facts or Facts(), tables, moment=moment, result_id="T1R9")


def test_birth_date_and_sex_of_a_record_pick_the_limits() -> None:
    """From the bytes of a P record (LIS02-A2 P.8 and P.9) to the flag: brook's own example under a site's band for women."""
    shipped = load_tables(shipped_mappings(), None, replace(POLICY, patient_id=ANY_PATIENT_ID), zone=ZONE)
    band = Band(
        pad="ph",
        sex=Sex.FEMALE,
        from_age=58,
        to_age=59,
        expected="5.0-6.5",
        low=Quantity(value=Decimal("5.0"), unit="[pH]"),
        high=Quantity(value=Decimal("6.5"), unit="[pH]"),
    )
    tables = replace(shipped, flags=FlagTable(bands={"ph": (band,)}))
    payload = tables.profiles["brook"].example.payload
    capture = Capture(source="line", way=Way.SERIAL, arrived_at=datetime(2026, 11, 25, 9, 15, tzinfo=UTC), payload=payload)
    (strip,) = pipeline.understand(capture, tables.profiles["brook"], analyzer="bench-1")
    assert isinstance(strip, Reading)
    for site, flag, expected in ((tables, Flag.HIGH, "5.0-6.5"), (shipped, Flag.NORMAL, "4.5-8.0")):
        outcome = pipeline.judge(
            strip,
            Facts(),
            site,
            moment=Moment(arrived_at=capture.arrived_at, live=False, now=capture.arrived_at),
            result_id="T1R9",
        )
        assert isinstance(outcome, Coded)
        assert (outcome.result.born, outcome.result.sex) == (date(1968, 2, 29), Sex.FEMALE)
        ph = outcome.result.pads[0]
        assert (ph.pad, ph.printed, ph.flag, ph.expected) == ("ph", "6.8", flag, expected)


def test_a_critical_strip_goes_at_once_and_a_held_one_says_so() -> None:
    """Nothing is delayed by a critical rule; the comment that goes with the result names it."""
    rule = CriticalRule(rule="sugar", when=(Condition(pad="glucose", grade=Grade.PLUS_2),), text="Sugar.")
    tables = replace(TABLES, flags=FlagTable(critical=(rule,)))
    sweet = (("GLU", "500"), ("PRO", "NEG"), ("NIT", "NEG"))
    outcome = _judge(reading(pads=sweet), tables=tables)
    assert isinstance(outcome, Coded)
    assert [pad.flag.value for pad in outcome.result.pads] == ["AA", "N", "N"]
    assert outcome.result.comments == ("Flagged critical by the laboratory's rule sugar.",)
    assert [(each.rule, each.severity) for each in outcome.findings] == [("critical.met", Severity.NOTE)]
    held = _judge(reading(pads=sweet, clock="13:00"), tables=tables)
    assert isinstance(held, Held)
    assert [each.rule for each in held.findings] == ["time.future", "critical.met"]
    control = _judge(reading(number="C7", pads=sweet), tables=tables)
    assert isinstance(control, NonPatient)
    assert control.findings == ()


def test_a_clean_strip_becomes_version_one() -> None:
    """A new result has the identity that it was given, and the analyzer's own time."""
    outcome = _judge(reading(number="S7"))
    assert isinstance(outcome, Coded)
    assert (outcome.result.result_id, outcome.result.version, outcome.result.status) == ("T1R9", 1, ResultStatus.FINAL)
    assert outcome.result.analyzed_at == datetime(2026, 11, 25, 9, 58, tzinfo=ZONE)
    assert [each.pad for each in outcome.result.pads] == ["glucose", "protein", "nitrite"]


def test_a_refused_result_keeps_its_identity() -> None:
    """Judged again, it is the next version of the same result (ARCHITECTURE rule 6)."""
    outcome = _judge(reading(), Facts(prior=PriorResult(result_id="T1R2", version=3)))
    assert isinstance(outcome, Coded)
    assert (outcome.result.result_id, outcome.result.version) == ("T1R2", 4)


@pytest.mark.parametrize(
    ("of", "kind"),
    [
        (reading(number="C7"), NonPatient),
        (reading(number="T7", patient=None), NonPatient),
        (reading(patient=None), Rejected),
        (reading(number="7#"), Rejected),
        (reading(clock="13:00"), Held),
        (reading(clock="13:00", patient=None), Rejected),  # what cannot be sent outweighs what a person could decide
        (reading(number="C7", clock="13:00"), Held),
    ],
)
def test_each_verdict_has_its_outcome(of: Reading, kind: type[Outcome]) -> None:
    """Only a patient's clean reading becomes a result."""
    assert type(_judge(of)) is kind


def test_a_pad_without_a_code_rejects_the_reading_here() -> None:
    """The one seam where coding's error becomes a finding, with its place; nothing of the strip goes out."""
    bare = replace(TABLES.catalogue.pads["nitrite"], codes=())
    tables = replace(TABLES, catalogue=replace(TABLES.catalogue, pads={**TABLES.catalogue.pads, "nitrite": bare}))
    pads = (pad("GLU", "NEG"), pad("PRO", "NEG"), replace(pad("NIT", "NEG"), value=printed("NEG", 40)))
    outcome = _judge(replace(reading(), pads=pads), tables=tables)
    assert isinstance(outcome, Rejected)
    found = outcome.findings[0]
    assert (found.rule, found.severity, found.releasable, found.place) == (
        "code.unmapped",
        Severity.REJECT,
        False,
        Place(start=40, end=43),
    )
    assert outcome.checked is not None
    assert issubclass(RejectError, Exception)


def _purposes(purpose: Purpose) -> Tables:
    """Give the tables with strips numbered C read for another purpose."""
    modes = {**DAILY.numbers.modes, "C": replace(DAILY.numbers.modes["C"], purpose=purpose)}
    daily = replace(DAILY, numbers=replace(DAILY.numbers, modes=modes))
    return replace(TABLES, profiles={**TABLES.profiles, "daily": daily})


@pytest.mark.parametrize(
    ("purpose", "goes"),
    [(Purpose.CONTROL, True), (Purpose.COMPARISON, True), (Purpose.PROFICIENCY, False), (Purpose.TRAINING, False)],
)
def test_only_controls_and_comparisons_may_be_asked_for(purpose: Purpose, *, goes: bool) -> None:
    """Decision 0013: what an outside body sent to test the laboratory, and what was read to learn, never leaves the house."""
    outcome = _judge(reading(number="C7"), tables=_purposes(purpose))
    assert isinstance(outcome, NonPatient)
    assert (outcome.result is not None, outcome.findings) == (goes, ())
    if outcome.result is not None:
        result = outcome.result
        assert (result.purpose, result.result_id, result.version, result.number) == (purpose, "T1R9", 1, "7")
        assert (result.strip_type, result.strip_lot, result.operator) == (outcome.checked.strip_type, "L100", "12")
        assert [each.pad for each in result.pads] == ["glucose", "protein", "nitrite"]


def test_what_a_control_prints_in_a_patients_place_is_never_sent() -> None:
    """Whatever a receiver could take for a patient is out of the result; what was printed stays with the reading."""
    odd = replace(
        reading(number="C7"),
        patient_name=printed("Ada"), birth_date=printed("1950-01-02"), sex=printed("F"), order_number=printed("O-1"),
        specimen_id=printed("U-1"), comments=(printed("4711 again"),),
    )  # fmt: skip
    outcome = _judge(odd)
    assert isinstance(outcome, NonPatient)
    assert outcome.result is not None
    result = outcome.result
    assert (result.patient_id, result.patient_name, result.born, result.sex, result.order_number) == ("", "", None, None, "")
    assert (result.comments, result.specimen_id) == ((), "U-1")
    assert outcome.checked.patient_id == "4711"
    same = _judge(reading(number="C7", specimen_id=printed("4711")))
    assert isinstance(same, NonPatient)
    assert same.result is not None
    assert same.result.specimen_id == ""  # the analyzer printed one field as both


def test_a_control_judged_again_is_the_next_version() -> None:
    """One that was turned away keeps its identity, as a patient's does."""
    outcome = _judge(reading(number="C7"), Facts(prior=PriorResult(result_id="T1R2", version=3)))
    assert isinstance(outcome, NonPatient)
    assert outcome.result is not None
    assert (outcome.result.result_id, outcome.result.version) == ("T1R2", 4)


def test_a_control_that_cannot_be_coded_is_kept_with_a_note_and_stops_nothing() -> None:
    """Sending controls must not make a stop where there was none: it is shown, goes nowhere, and says why."""
    bare = replace(TABLES.catalogue.pads["nitrite"], codes=())
    tables = replace(TABLES, catalogue=replace(TABLES.catalogue, pads={**TABLES.catalogue.pads, "nitrite": bare}))
    outcome = _judge(reading(number="C7"), tables=tables)
    assert isinstance(outcome, NonPatient)
    assert outcome.result is None
    (found,) = outcome.findings
    assert (found.rule, found.severity) == ("code.unmapped", Severity.NOTE)
    assert isinstance(_judge(reading(), tables=tables), Rejected)


def test_negative_strips_of_many_patients_are_nobodys_copies() -> None:
    """Most strips of a morning are all negative; sixty of them are sixty results."""
    memory = Memory()
    for of in _day(25):
        assert {(each.label.text, each.value.text) for each in of.pads} == set(NEGATIVE)
        memory.judge(of, at=EVENING + timedelta(days=1))
    assert memory.count() == {"Coded": 60}


# --- on the shipped mappings -------------------------------------------------------------------

SHIPPED = load_tables(Path(__file__).parents[1] / "mappings", None, replace(POLICY, patient_id=ANY_PATIENT_ID), zone=ZONE)
THAT_DAY = datetime(2026, 11, 25, 20, 0, tzinfo=UTC)


def _example(profile: str) -> list[Reading]:
    """Give the readings of a shipped profile's worked example, as of one analyzer."""
    capture = Capture(source="bench", way=Way.FOLDER, arrived_at=THAT_DAY, payload=SHIPPED.profiles[profile].example.payload)
    strips = pipeline.understand(capture, SHIPPED.profiles[profile], analyzer="bench-1")
    return [each for each in strips if isinstance(each, Reading)]


@pytest.mark.parametrize("profile", sorted(SHIPPED.profiles))
def test_shipped_examples_come_to_what_they_show(profile: str) -> None:
    """Each example strip is understood whole; only what the example shows on purpose stops it."""
    memory = Memory(tables=SHIPPED)
    strips = _example(profile)
    assert strips != []
    for strip in strips:
        outcome = memory.judge(strip, at=THAT_DAY)
        stopping = [each.rule for each in outcome.findings if each.severity is not Severity.NOTE]
        expected = ["analyzer.fault"] if strip.fault else ["copy.original_unknown"] if _is_marked(strip) else []
        assert stopping == expected


def _is_marked(strip: Reading) -> bool:
    return strip.copy_mark is not None and strip.copy_mark.text in SHIPPED.profiles[strip.profile].copy_marks


def test_a_shipped_strip_by_line_and_by_file_is_one_result() -> None:
    """The line profile and the file profile of one analyzer print strip 12 alike enough to be known as one."""
    memory = Memory(tables=SHIPPED)
    by_line, by_file = _example("brook")[0], _example("brook-file")[0]
    assert by_line.record_digest != by_file.record_digest
    assert isinstance(memory.judge(by_line, at=THAT_DAY), Coded)
    second = memory.judge(by_file, at=THAT_DAY, live=False)
    assert isinstance(second, Copy)
    assert [each.rule for each in second.findings] == ["copy.same_strip"]
