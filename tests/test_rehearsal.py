"""Rules tried over stored captures: counted against what judging itself noted, and against a plain reckoning."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

from hypothesis import given, settings
from hypothesis import strategies as st

from bridge.check import check, rules_met
from bridge.model import Capture, Facts, Grade, Reading, Severity, Way
from bridge.pipeline import understand
from bridge.rehearsal import SHOWN, Example, Kept, KeptStrip, Rehearsal
from bridge.tables.flag_table import Condition, CriticalRule, FlagTable
from bridge.tables.hold_table import HoldTable, RulesToTry
from bridge.tables.holds import rules_to_try, with_holds
from bridge.tables.holds_document import HoldsDocument
from tests.judging_for_tests import NOW, kept, strip
from tests.tables.shipped_tables import tables

SUGAR = CriticalRule(rule="sugar", when=(Condition(pad="glucose", grade=Grade.PLUS_3),), text="Sugar.")
LESS = replace(SUGAR, when=(Condition(pad="glucose", grade=Grade.PLUS_1),))
BLOOD = CriticalRule(rule="blood", when=(Condition(pad="blood", grade=Grade.PLUS_1),), text="Blood.")
OLD = CriticalRule(rule="old", when=(Condition(pad="blood", grade=Grade.PLUS_2),), text="Old.")
TABLES = replace(tables(), flags=FlagTable(critical=(SUGAR,), off=(BLOOD,)))
STEPS = ("negative", "trace", "1+", "2+", "3+", "4+")  # plover-12's ladder of glucose; blood has one less


def stored(number: int, *, told: tuple[str, ...] = (), **ranks: int) -> Kept:
    """Give a stored capture of one patient's strip, as the store gives it."""
    command = kept(strip(number, ranks=ranks))
    (reading,) = understand(command.capture, tables().profiles["tern"], analyzer="bench-b")
    return Kept(
        capture_id=number,
        analyzer="bench-b",
        profile="tern",
        capture=command.capture,
        strips=(
            KeptStrip(
                strip_id=100 + number, index=0, number=str(number), record_digest=reading.record_digest, told=frozenset(told)
            ),
        ),
    )


def counts(trial: Rehearsal) -> list[tuple[str, bool, int | None, int | None, int]]:
    return [(each.rule, each.is_on, each.met, each.signed, each.told) for each in trial.rules()]


def test_each_rule_is_counted_beside_the_signed_one() -> None:
    """On or off; what only the signed set has stands last; of the same name each set's own conditions count."""
    trial = Rehearsal(TABLES, signed=(LESS, OLD), profiles={})
    for each in (stored(3, glucose=4), stored(2, glucose=2, blood=3, told=("sugar",)), stored(1, blood=2)):
        trial.add(each)
    assert counts(trial) == [("sugar", True, 1, 2, 1), ("blood", False, 2, None, 0), ("old", False, None, 1, 0)]
    assert (trial.looked_at, trial.purged, trial.unread) == (3, 0, 0)
    sugar, blood, old = trial.rules()
    assert sugar.examples == (Example(strip_id=103, analyzer="bench-b", number="3", arrived_at=NOW),)
    assert [each.number for each in blood.examples] == ["2", "1"]
    assert [each.number for each in old.examples] == ["2"]


def declared(*rows: dict[str, Any]) -> RulesToTry:
    """Give rules on what pads say together, compiled from rows as a file has them."""
    given = {"severity": "note", "message": "M.", "remedy": "R.", "source": "invented"}
    document = HoldsDocument.model_validate({"rules": [{**given, **row} for row in rows]})
    return rules_to_try(document, tables().strip_types)


BLOOD_SEEN = {"id": "plausible.blood_seen", "when": {"pads": [{"pad": "blood", "shows": "found"}]}}
HOLDS_SUGAR = {
    "id": "plausible.sugar",
    "when": {"pads": [{"pad": "glucose", "at_least": "3+"}]},
    "severity": "hold",
    "release": {"persons": 1, "bulk": False},
}


def test_rules_on_what_pads_say_together_are_tried_on_or_off() -> None:
    """Beside what the signed rule of that name would say now, and what each strip bore when it was judged. A look-alike is none of them."""
    off = {**HOLDS_SUGAR, "switched_on": False, "when": {"pads": [{"pad": "glucose", "at_least": "2+"}]}}
    alike = {**HOLDS_SUGAR, "id": "look_alike.previous", "when": {"like_previous": {"abnormal_pads": 3}}}
    trial = Rehearsal(
        TABLES, signed=(), profiles={}, declared=declared(BLOOD_SEEN, off, alike), signed_declared=declared(HOLDS_SUGAR)
    )
    bearing = stored(3, glucose=4)
    (strip_,) = bearing.strips
    trial.add(replace(bearing, strips=(replace(strip_, found=frozenset({"plausible.sugar", "mark.disagrees"})),)))
    for each in (stored(2, glucose=3, blood=2), stored(1, glucose=1)):
        trial.add(each)
    seen, sugar = trial.declared()
    assert (seen.declared.rule, seen.is_on, seen.met, seen.signed, seen.found) == ("plausible.blood_seen", True, 1, None, 0)
    assert (sugar.declared.severity, sugar.is_on, sugar.met, sugar.signed, sugar.found) == (Severity.HOLD, False, 2, 1, 1)
    assert [each.number for each in sugar.examples] == ["3", "2"]


def test_what_is_tried_is_what_judging_finds() -> None:
    """The same strip through judging bears the rules that trying it names."""
    rules = declared(BLOOD_SEEN, {**HOLDS_SUGAR, "severity": "note", "release": None})
    document = HoldsDocument.model_validate(
        {"rules": [{"severity": "note", "message": "M.", "remedy": "R.", "source": "x", **BLOOD_SEEN}]}
    )
    own = with_holds(replace(tables(), holds=HoldTable()), document)
    command = kept(strip(7, ranks={"blood": 2}))
    (reading,) = understand(command.capture, own.profiles["tern"], analyzer="bench-b")
    assert isinstance(reading, Reading)
    judged = check(reading, Facts(), own, arrived_at=NOW, live=True, now=NOW)
    assert {each.rule for each in judged.findings} & rules.on == rules_met(reading, rules, own) == {"plausible.blood_seen"}


def test_what_cannot_be_tried_is_counted_apart() -> None:
    """Purged bytes, a profile that is no more, a strip that today's profile cuts otherwise, a capture without patients' strips."""
    trial = Rehearsal(TABLES, signed=(), profiles={})
    whole = stored(1, glucose=5)
    emptied = Capture(source="drops", way=Way.FOLDER, arrived_at=NOW, payload=b"", live=True)
    trial.add(replace(whole, capture=emptied))
    trial.add(replace(whole, profile="gone"))
    trial.add(replace(whole, strips=(replace(whole.strips[0], record_digest="0" * 64),)))
    trial.add(replace(whole, strips=()))
    assert (trial.looked_at, trial.purged, trial.unread) == (0, 1, 2)
    assert counts(trial) == [("sugar", True, 0, None, 0), ("blood", False, 0, None, 0)]


def test_it_is_read_by_the_profile_that_its_source_has_today() -> None:
    """As reading again does: a mended profile is what will judge from now on."""
    trial = Rehearsal(TABLES, signed=(), profiles={"drops": "tern"})
    trial.add(replace(stored(1, glucose=5), profile="gone"))
    assert counts(trial)[0] == ("sugar", True, 1, None, 0)


def test_controls_and_doubtful_strips_meet_nothing() -> None:
    """The number says control: the store lists it as none, and if it did, no rule would be met by it."""
    command = kept(strip(1, ranks={"glucose": 5}, word="Controlo"))
    (reading,) = understand(command.capture, tables().profiles["tern"], analyzer="bench-b")
    assert isinstance(reading, Reading)
    of = KeptStrip(strip_id=1, index=0, number="1", record_digest=reading.record_digest, told=frozenset())
    trial = Rehearsal(TABLES, signed=(), profiles={})
    trial.add(Kept(capture_id=1, analyzer="bench-b", profile="tern", capture=command.capture, strips=(of,)))
    assert (trial.looked_at, counts(trial)[0][2]) == (1, 0)


@settings(max_examples=30, deadline=None)
@given(st.lists(st.tuples(st.integers(0, 5), st.integers(0, 4)), min_size=1, max_size=9))
def test_random_strips(ranks: list[tuple[int, int]]) -> None:
    """Counted by ladder places alone: 3+ is the fifth step of glucose, 1+ the third of blood; never more examples than are shown."""
    trial = Rehearsal(TABLES, signed=(LESS,), profiles={})
    for number, (first, second) in enumerate(ranks, 1):
        trial.add(stored(number, glucose=first, blood=second))
    sugar, blood = trial.rules()
    assert (sugar.met, sugar.signed) == (sum(g >= 4 for g, _ in ranks), sum(g >= 2 for g, _ in ranks))
    met = sum(b >= 2 for _, b in ranks)
    assert (blood.met, len(blood.examples)) == (met, min(met, SHOWN))
