"""Control strips judged: which lot they are of, and pad by pad."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from datetime import UTC, date, datetime

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bridge.bench.controls import (
    ControlRun,
    Fit,
    Flaw,
    PadFit,
    RunVerdict,
    Unmatched,
    judge_control,
    match,
    pad_fit,
    texts_of,
)
from bridge.model import CheckedPad, CheckedReading, Place, Priority, Purpose, StripContent, StripKey
from bridge.tables.control_table import ControlLot, ExpectedPad, GatePolicy
from tests.bench.controls_for_tests import compiled, lot
from tests.check.tables_for_tests import reading
from tests.tables.shipped_tables import tables

QUILL = tables().strip_types["quill-10"]
PADS = {pad.pad: pad for pad in QUILL.pads}
LOTS = compiled().lots
ARRIVED = datetime(2026, 11, 25, 8, 0, tzinfo=UTC)
POLICY = compiled().policy
assert POLICY is not None
ONE_STEP = replace(POLICY, one_step=True)

NO_CHANGE: Mapping[str, int | None] = {}
# the lowest step that each pad of each level may show
SOUND = {lot.level: {each.pad: each.ranks[0] for each in lot.expected} for lot in LOTS}


def control(
    level: str = "1", pads: Mapping[str, int | None] = NO_CHANGE, *, specimen: str = "", at: datetime | None = ARRIVED
) -> CheckedReading:
    """Give a checked control strip, sound unless told otherwise; a pad at None is missing."""
    ranks: dict[str, int | None] = {**SOUND[level], **pads}
    return CheckedReading(
        reading=reading(),
        key=StripKey(analyzer="bench-1", mode="control", series="2026-11-25", number="3"),
        content=StripContent(patient_id="", operator="", strip_type="quill-10", strip_lot="L100", pads=()),
        purpose=Purpose.CONTROL,
        priority=Priority.ROUTINE,
        patient_id="",
        corrected_by=None,
        patient_name="",
        specimen_id=specimen or {"1": "B1-0771", "2": "B2-0772"}[level],
        operator="12",
        strip_type="quill-10",
        strip_lot="L100",
        analyzed_at=at,
        pads=tuple(
            CheckedPad(pad=pad, step=PADS[pad].ladder[rank], printed="", place=Place(start=0, end=0))
            for pad, rank in ranks.items()
            if rank is not None
        ),
    )


def judged(
    checked: CheckedReading, policy: GatePolicy = POLICY, lots: tuple[ControlLot, ...] = LOTS, at: datetime = ARRIVED
) -> ControlRun:
    """Judge one control that arrived at ``at``."""
    return judge_control(checked, lots, QUILL, policy, arrived_at=at)


def fits(run: ControlRun) -> dict[str, Fit]:
    """Give what is not as expected."""
    return {each.pad: each.fit for each in run.pads if each.fit is not Fit.WITHIN}


# --- which lot ----------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("texts", "found"),
    [
        ({"B1-0771"}, LOTS[0]),
        ({"VIAL-B1", "control"}, LOTS[0]),
        ({"B2-0772", "1"}, LOTS[1]),  # the lot's own code says more than a level
        ({"b1-0771"}, Unmatched.NOT_KNOWN),  # another spelling is another text
        ({"B1"}, Unmatched.NOT_KNOWN),
        ({"1"}, Unmatched.NOT_KNOWN),
        (set(), Unmatched.NO_TEXT),
        ({"B1-0771", "B2-0772"}, Unmatched.MANY),
    ],
)
def test_a_control_is_what_its_record_says(texts: set[str], found: ControlLot | Unmatched) -> None:
    """The wrong vial must not find the lot that its values fit: texts decide, exactly, and a doubt stays a doubt."""
    assert match(frozenset(texts), "quill-10", LOTS) == found


def test_a_lot_counts_for_its_strip_type_only() -> None:
    """The same vial reads otherwise on other strips."""
    assert match(frozenset({"B1-0771"}), "sedge-5", LOTS) is Unmatched.OTHER_STRIP_TYPE


def test_levels_that_share_a_code_need_the_level_too() -> None:
    """One code on both vials says nothing of which was poured; the level's own name beside it does."""
    shared = compiled(lots=[lot("1", "B-9"), lot("2", "B-9")]).lots
    assert match(frozenset({"B-9"}), "quill-10", shared) is Unmatched.MANY
    assert match(frozenset({"B-9", "2"}), "quill-10", shared) == shared[1]


def test_what_a_record_says() -> None:
    """Analyzers print a control's lot in the place of the specimen, the patient or the order, or as a mode of their own."""
    said = replace(control(), patient_id="VIAL-B1", order_number="77", specimen_id="")
    assert texts_of(said) == {"VIAL-B1", "77", "control"}


def test_an_unmatched_control_compares_nothing() -> None:
    """It opens nothing and fails nothing; it says why."""
    run = judged(control(specimen="B1-0770"))
    assert run == ControlRun(lot=None, unmatched=Unmatched.NOT_KNOWN, flaws=(), pads=())
    assert run.verdict is RunVerdict.NOT_COUNTED


# --- the range as printed -----------------------------------------------------------------------


@pytest.mark.parametrize("level", ["1", "2"])
def test_both_ends_of_every_range_pass(level: str) -> None:
    """The range counts exactly as the insert prints it, ends included."""
    lot = next(each for each in LOTS if each.level == level)
    for end in (0, -1):
        run = judged(control(level, {each.pad: each.ranks[end] for each in lot.expected}))
        assert (run.lot, fits(run), run.flaws, run.verdict) == (lot, {}, (), RunVerdict.PASSED)


@pytest.mark.parametrize("level", ["1", "2"])
def test_one_step_past_any_end_fails(level: str) -> None:
    """As shipped no pad may be off by a single step, on either side."""
    for each in next(each for each in LOTS if each.level == level).expected:
        for rank, offset in ((each.ranks[0] - 1, -1), (each.ranks[-1] + 1, 1)):
            if 0 <= rank < len(PADS[each.pad].ladder):
                run = judged(control(level, {each.pad: rank}))
                assert fits(run) == {each.pad: Fit.OUTSIDE}
                assert next(pad.offset for pad in run.pads if pad.pad == each.pad) == offset
                assert run.verdict is RunVerdict.FAILED


def test_a_missing_pad_fails() -> None:
    """A strip that lost a pad proves nothing of that pad, even where the insert says nothing of it. HZ-E05."""
    assert (fits(judged(control(pads={"blood": None}))), judged(control(pads={"blood": None})).verdict) == (
        {"blood": Fit.MISSING},
        RunVerdict.FAILED,
    )
    silent = ExpectedPad(pad="blood", ranks=())
    assert pad_fit(silent, None, PADS["blood"], one_step=True).fit is Fit.MISSING
    assert pad_fit(silent, 3, PADS["blood"], one_step=False) == PadFit(
        pad="blood", expected=(), observed=3, offset=None, fit=Fit.NOT_CLAIMED
    )


# --- one step either side -----------------------------------------------------------------------

TARGETS = [
    # pad, target, observed, allowed: written from the rule, not from the code
    ("leukocytes", 2, 1, True),  # 1+ may read trace
    ("leukocytes", 2, 3, True),
    ("leukocytes", 2, 0, False),
    ("leukocytes", 2, 4, False),
    ("glucose", 1, 0, False),  # a trace that must be found may not read negative
    ("glucose", 1, 2, True),
    ("glucose", 0, 1, False),  # negative stays negative: not even a trace
    ("urobilinogen", 0, 1, False),  # normal is this pad's negative
    ("urobilinogen", 1, 0, False),
    ("nitrite", 1, 0, False),
    ("nitrite", 0, 1, False),
    ("ph", 3, 2, True),  # no negative step: one step of its own to either side
    ("ph", 3, 4, True),
    ("ph", 3, 5, False),
    ("specific_gravity", 0, 1, True),
]


@pytest.mark.parametrize(("pad", "target", "observed", "allowed"), TARGETS)
def test_one_step_only_where_the_laboratory_allows_it(pad: str, target: int, observed: int, allowed: bool) -> None:
    """One target may be missed by one step, if signed, and never across the line between negative and found."""
    expected = ExpectedPad(pad=pad, ranks=(target,))
    assert pad_fit(expected, observed, PADS[pad], one_step=False).fit is Fit.OUTSIDE
    fit = pad_fit(expected, observed, PADS[pad], one_step=True)
    assert fit.fit is (Fit.ONE_OFF if allowed else Fit.OUTSIDE)
    assert fit.offset == observed - target  # the chart shows it either way


def test_a_printed_range_gets_no_step_more() -> None:
    """Where the insert gives a range, the range is the acceptance: the signed step is for single targets."""
    run = judged(control("2", {"ketones": 4}), ONE_STEP)
    assert (fits(run), run.verdict) == ({"ketones": Fit.OUTSIDE}, RunVerdict.FAILED)
    assert judged(control("2", {"leukocytes": 3}), ONE_STEP).verdict is RunVerdict.PASSED


def test_words_fit_or_do_not() -> None:
    """A colour is no step away from another."""
    color = next(pad for pad in tables().strip_types["sorrel-14"].pads if pad.ladder[0].word)
    expected = ExpectedPad(pad=color.pad, ranks=(1,))
    assert pad_fit(expected, 2, color, one_step=True) == PadFit(
        pad=color.pad, expected=(1,), observed=2, offset=None, fit=Fit.OUTSIDE
    )
    assert pad_fit(expected, 1, color, one_step=True).fit is Fit.WITHIN


@given(st.sampled_from(sorted(PADS)), st.data(), st.booleans())
def test_a_pad_never_crosses_the_line(pad: str, data: st.DataObject, one_step: bool) -> None:
    """Whatever is expected and seen: what passes outside the range is one step off a single target, on the same side of negative."""
    ladder = PADS[pad]
    steps = st.integers(0, len(ladder.ladder) - 1)
    low, high = sorted((data.draw(steps), data.draw(steps)))
    observed = data.draw(steps)
    fit = pad_fit(ExpectedPad(pad=pad, ranks=tuple(range(low, high + 1))), observed, ladder, one_step=one_step)
    grades = [step.grade.value if step.grade else "" for step in ladder.ladder]
    crosses = (grades[observed] in {"negative", "normal"}) != (grades[low] in {"negative", "normal"})
    if low <= observed <= high:
        assert (fit.fit, fit.offset) == (Fit.WITHIN, 0)
    else:
        near = one_step and low == high and abs(observed - low) == 1 and not crosses
        assert fit.fit is (Fit.ONE_OFF if near else Fit.OUTSIDE)
        assert fit.offset == (observed - low if observed < low else observed - high)


# --- what does not count --------------------------------------------------------------------------


def test_a_lot_that_nobody_signed_opens_nothing_and_fails_nothing() -> None:
    """A mistyped range is nobody's measure: good values and bad ones are kept and do not count. HZ-E04."""
    unsigned = compiled(lots=[lot("1", "B1-0771", signed="")]).lots
    for blood in (0, 3):
        run = judged(control(pads={"blood": blood}), lots=unsigned)
        assert (run.flaws, run.verdict) == ((Flaw.UNSIGNED,), RunVerdict.NOT_COUNTED)


@pytest.mark.parametrize(
    ("arrived", "flaws"),
    [
        (datetime(2027, 3, 31, 22, 59, tzinfo=UTC), ()),  # 23:59 in Lisbon, summer time, on the last day
        (datetime(2027, 3, 31, 23, 0, tzinfo=UTC), (Flaw.EXPIRED,)),  # midnight there
    ],
)
def test_a_lot_may_be_used_on_its_last_day(arrived: datetime, flaws: tuple[Flaw, ...]) -> None:
    """42 CFR 493.1252(d): expired material must not be used. The day ends at the site's midnight."""
    run = judged(control(at=arrived), at=arrived)
    assert (run.lot and run.lot.expires, run.flaws) == (date(2027, 3, 31), flaws)
    assert run.verdict is (RunVerdict.NOT_COUNTED if flaws else RunVerdict.PASSED)


def test_another_days_control_opens_nothing() -> None:
    """A wrong date on the analyzer, or yesterday's strip sent again, is not today's control. HZ-E10."""
    printed = datetime(2026, 11, 24, 8, 0, tzinfo=UTC)
    assert (judged(control(at=printed)).flaws, judged(control(at=printed)).verdict) == ((Flaw.OTHER_DAY,), RunVerdict.NOT_COUNTED)
    assert judged(control(at=None)).verdict is RunVerdict.PASSED  # no time was printed: that of its arrival stands


def test_a_flaw_hides_no_failure() -> None:
    """An expired lot or a doubtful day is no excuse for a pad that is off."""
    late = datetime(2027, 4, 2, 8, 0, tzinfo=UTC)
    run = judged(control(pads={"blood": 3}), at=late)
    assert (run.flaws, run.verdict) == ((Flaw.EXPIRED, Flaw.OTHER_DAY), RunVerdict.FAILED)
