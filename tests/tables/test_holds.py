"""The site's word on holds: what compiles, what is refused with file and key, and what of it is signed."""

from __future__ import annotations

import hashlib
import json
from pathlib import Path
from typing import Any

import pytest

from bridge.errors import TableError
from bridge.model import Severity
from bridge.settings import Document, shipped_mappings
from bridge.site import load_tables
from bridge.tables.compiled import compile_tables
from bridge.tables.differences import differences
from bridge.tables.documents import CatalogueDocument, ProfileDocument, StripTypeDocument
from bridge.tables.hold_table import HoldTable, ReleasePolicy
from bridge.tables.holds import hold_table, with_holds
from bridge.tables.holds_document import HoldsDocument
from bridge.tables.types import Tables
from tests.tables.holds_page import PAGE, with_list
from tests.tables.shipped_tables import POLICY, ZONE, spoiled, tables


def rule(**more: Any) -> dict[str, Any]:
    """Give one rule as a file has it: a note on two pads, unless told otherwise."""
    return {
        "id": "plausible.pair",
        "when": {"pads": [{"pad": "nitrite", "shows": "found"}, {"pad": "leukocytes", "shows": "negative"}]},
        "severity": "note",
        "message": "Both.",
        "remedy": "Look.",
        "source": "invented",
        **more,
    }


def made(*rules: dict[str, Any], policies: tuple[dict[str, Any], ...] = ()) -> HoldTable:
    """Compile rules for the shipped strip types."""
    return hold_table(HoldsDocument.model_validate({"rules": rules, "policies": policies}), tables().strip_types)


def ranks(table: HoldTable, strip_type: str) -> list[list[tuple[str, list[int]]]]:
    """Give the steps at which the one rule of a table is met."""
    (only,) = table.pads[strip_type]
    return [[(pad, sorted(steps)) for pad, steps in alternatives] for alternatives in only.when]


def bare() -> Tables:
    """Compile the shipped files without a word on holds."""
    root = shipped_mappings()
    return compile_tables(
        Document(root / "catalogue.yaml").shaped(CatalogueDocument),
        {path.stem: Document(path).shaped(StripTypeDocument) for path in (root / "strip_types").glob("*.yaml")},
        {path.stem: Document(path).shaped(ProfileDocument) for path in (root / "profiles").glob("*.yaml")},
        POLICY,
        zone=ZONE,
    )


@pytest.mark.parametrize(
    ("condition", "strip_type", "steps"),
    [
        ({"pad": "glucose", "shows": "negative"}, "quill-10", [0]),
        ({"pad": "glucose", "shows": "found"}, "quill-10", [1, 2, 3, 4, 5]),
        ({"pad": "glucose", "shows": "lowest"}, "quill-10", [0]),
        ({"pad": "glucose", "shows": "highest"}, "quill-10", [5]),
        ({"pad": "urobilinogen", "shows": "negative"}, "quill-10", [0]),  # its lowest grade is called normal
        ({"pad": "ascorbic_acid", "shows": "found"}, "plover-12", [1, 2]),  # numbers alone: what the ladder calls abnormal
        ({"pad": "ascorbic_acid", "shows": "negative"}, "plover-12", [0]),
        ({"pad": "glucose", "at_least": "2+"}, "quill-10", [3, 4, 5]),
        ({"pad": "glucose", "at_most": "trace"}, "quill-10", [0, 1]),
        ({"pad": "nitrite", "at_least": "positive"}, "quill-10", [1]),
        ({"pad": "ph", "at_least": "8.2", "unit": "[pH]"}, "quill-10", [5, 6]),
        ({"pad": "ph", "at_most": "5.8", "unit": "[pH]"}, "quill-10", [0, 1]),
        ({"pad": "glucose", "at_least": "1000", "unit": "mg/dL"}, "quill-10", [5]),  # >=1200
        ({"pad": "glucose", "at_most": "300", "unit": "mg/dL"}, "quill-10", [1, 2, 3]),  # negative has no number to compare
        (
            {"pad": "specific_gravity", "at_least": "1.000", "unit": "1"},
            "plover-12",
            [1, 2, 3, 4, 5, 6, 7],
        ),  # "<=1.001" is not sure
        ({"pad": "colour", "words": ["red", "green"]}, "sorrel-14", [4, 7]),
    ],
)
def test_a_condition_is_met_at_these_steps(condition: dict[str, Any], strip_type: str, steps: list[int]) -> None:
    """One condition means the same on every ladder; a number with an open end counts only where it surely lies on that side."""
    if condition["pad"] == "colour":
        words = [step.word for pad in tables().strip_types[strip_type].pads if pad.pad == "colour" for step in pad.ladder]
        steps = sorted(words.index(word) for word in condition["words"])
    assert ranks(made(rule(when={"pads": [condition]})), strip_type) == [[(condition["pad"], steps)]]


def test_a_strip_type_without_a_pad_is_not_asked_and_one_of_several_is_enough() -> None:
    """Two pads of albumin and creatinine say nothing about nitrite; of any_of those that the strip has are asked, in the row's order."""
    table = made(rule(when={"pads": [{"any_of": ["ascorbic_acid", "protein", "blood"], "shows": "found"}]}))
    assert table.pads["pebble-2"] == ()
    assert [pad for pad, _ in table.pads["sedge-5"][0].when[0]] == ["protein"]
    assert [pad for pad, _ in table.pads["plover-12"][0].when[0]] == ["ascorbic_acid", "protein", "blood"]
    (only,) = table.pads["plover-12"]
    assert only.met_by({"ascorbic_acid": 0, "protein": 0, "blood": 2}) == "blood"
    assert only.met_by({"ascorbic_acid": 0, "protein": 0, "blood": 0}) == ""
    assert only.met_by({}) == ""


def test_others_asks_every_pad_that_is_not_named_and_can_be_negative() -> None:
    """PH has no negative step and is not asked; what is named is asked for what its own condition says."""
    when = {"pads": [{"pad": "nitrite", "shows": "found"}], "others": "negative"}
    asked = ranks(made(rule(when=when)), "sedge-5")
    assert asked == [[("nitrite", [1])], [("leukocytes", [0])], [("glucose", [0])], [("protein", [0])]]


BAD = [
    (rule(severity="hold"), "release", "The rule 'plausible.pair' holds, and says not who may release."),
    (rule(release={"persons": 1, "bulk": False}), "release", "The rule 'plausible.pair' holds nothing."),
    (rule(report="Said."), "", "The rule 'plausible.pair' puts a comment on the report, but nobody has signed it."),
    (rule(when={}), "when", "When 'plausible.pair' is met is not clear."),
    (rule(when={"others": "negative"}), "when", "When 'plausible.pair' is met is not clear."),
    (
        rule(when={"like_previous": {"abnormal_pads": 3}, "like_control": {"abnormal_pads": 3, "steps": 1}}),
        "when",
        "When 'plausible.pair' is met is not clear.",
    ),
    (rule(when={"like_previous": {"abnormal_pads": 3}}), "id", "The rule 'plausible.pair' is of the family look_alike."),
    (rule(id="look_alike.pair"), "id", "The rule 'look_alike.pair' is of the family plausible."),
    (rule(when={"pads": [{"shows": "found"}]}), "when.pads.0", "The condition needs exactly one of pad and any_of."),
    (
        rule(when={"pads": [{"pad": "ph", "any_of": ["ph"], "shows": "lowest"}]}),
        "when.pads.0",
        "The condition needs exactly one of pad and any_of.",
    ),
    (
        rule(when={"pads": [{"pad": "nitrite"}]}),
        "when.pads.0",
        "The condition needs exactly one of shows, at_least, at_most and words.",
    ),
    (rule(when={"pads": [{"pad": "nitrate", "shows": "found"}]}), "when.pads.0.pad", "No strip type has the pad 'nitrate'."),
    (
        rule(when={"pads": [{"pad": "nitrite", "at_least": "2+"}]}),
        "when.pads.0",
        "No ladder of nitrite has the grade '2+'.",
    ),
    (rule(when={"pads": [{"pad": "ph", "at_least": "high"}]}), "when.pads.0", "'high' is neither a grade nor a plain number."),
    (rule(when={"pads": [{"pad": "ph", "at_least": "."}]}), "when.pads.0", "'.' is neither a grade nor a plain number."),
    (rule(when={"pads": [{"pad": "ph", "at_least": "8"}]}), "when.pads.0.unit", "The number has no unit."),
    (
        rule(when={"pads": [{"pad": "ph", "shows": "lowest", "unit": "[pH]"}]}),
        "when.pads.0.unit",
        "Only a number has a unit.",
    ),
    (
        rule(when={"pads": [{"pad": "ph", "at_least": "12", "unit": "[pH]"}]}),
        "when.pads.0",
        "No ladder of ph has such a step.",
    ),
    (rule(when={"pads": [{"pad": "colour", "words": ["violet"]}]}), "when.pads.0", "No ladder of colour has such a step."),
    (rule(when={"pads": [{"pad": "colour", "shows": "found"}]}), "when.pads.0", "No ladder of colour has such a step."),
]


@pytest.mark.parametrize(("row", "key", "sentence"), BAD)
def test_what_cannot_stand_is_told_with_file_and_key(row: dict[str, Any], key: str, sentence: str) -> None:
    """A rule with a slip would never hold anything, and nobody would know. Rules that are off are looked at all the same."""
    for is_on in (True, False):
        if not is_on and "report" in row:
            continue  # nobody need have signed what is off
        with pytest.raises(TableError) as caught:
            made({**row, "switched_on": is_on})
        assert (caught.value.sentence, caught.value.path[:3]) == (sentence, ("holds.yaml", "rules", 0))
        assert ".".join(map(str, caught.value.path[3:])) == key
        assert caught.value.remedy


def test_two_rows_may_not_say_the_same() -> None:
    """Of two rules of one name, two look-alikes or two terms nobody could say which holds."""
    term = {"rule": "controls.due", "persons": 1, "bulk": True, "source": "x"}
    alike = rule(id="look_alike.one", when={"like_previous": {"abnormal_pads": 3}})
    for rules, policies, sentence in (
        ((rule(), rule()), (), "Two rules are called 'plausible.pair'."),
        ((alike, {**alike, "id": "look_alike.two"}), (), "Two rules ask for like_previous."),
        ((), (term, term), "The terms of 'controls.due' are given twice."),
        ((rule(),), ({**term, "rule": "plausible.pair"},), "The terms of 'plausible.pair' are given twice."),
    ):
        with pytest.raises(TableError) as caught:
            made(*rules, policies=policies)
        assert caught.value.sentence == sentence
    assert made(alike, {**alike, "id": "look_alike.two", "switched_on": False}).off == 1


def test_the_strictest_terms_count() -> None:
    """A strip that several rules hold needs two persons where one of them does, and goes in bulk only where all allow it."""
    held = rule(severity="hold", release={"persons": 2, "bulk": True})
    table = made(held, policies=({"rule": "controls.due", "persons": 1, "bulk": True, "source": "x"},))
    assert table.policy(["controls.due"]) == ReleasePolicy(persons=1, bulk=True)
    assert table.policy(["controls.due", "plausible.pair"]) == ReleasePolicy(persons=2, bulk=True)
    assert table.policy(["controls.due", "time.future"]) == ReleasePolicy(persons=1, bulk=False)
    assert table.policy([]) == ReleasePolicy(persons=1, bulk=False)


def test_terms_stay_when_their_rule_is_switched_off() -> None:
    """What it held before is still to be decided about."""
    table = made(rule(severity="hold", release={"persons": 2, "bulk": False}, switched_on=False))
    assert (table.pads["quill-10"], table.policy(["plausible.pair"]).persons) == ((), 2)


def test_a_site_without_a_word_keeps_the_set_that_it_signed() -> None:
    """And what it says is part of the digest, and is told as differences of the file."""
    before = bare()
    assert with_holds(before, HoldsDocument()) is before
    said = with_holds(before, HoldsDocument.model_validate({"rules": [rule()]}))
    other = with_holds(before, HoldsDocument.model_validate({"rules": [rule(message="Other.")]}))
    assert said.digest == hashlib.sha256(said.canonical).hexdigest() != before.digest
    assert differences(said.canonical, other.canonical) == ('holds.yaml: rules[0].message: was "Both.", is "Other."',)
    assert [line.partition(":")[0] for line in differences(before.canonical, said.canonical)] == ["holds.yaml"]


def test_a_rule_that_no_strip_type_can_meet_is_doubted() -> None:
    """Each pad exists, but on no one strip."""
    when = {"pads": [{"pad": "albumin", "shows": "found"}, {"pad": "ascorbic_acid", "shows": "found"}]}
    (doubt,) = with_holds(bare(), HoldsDocument.model_validate({"rules": [rule(when=when)]})).doubts[len(bare().doubts) :]
    assert (doubt.path, doubt.sentence) == (
        ("holds.yaml", "rules", 0, "when"),
        "No strip type has the pads of plausible.pair.",
    )


def test_the_shipped_rules_hold_whole_strips_and_note_pads() -> None:
    """What pads say together stops nothing as shipped; whatever would go out with a result is off until somebody signs it."""
    holds = tables().holds
    assert (holds.control, holds.previous) != (None, None)
    assert holds.least_abnormal == 3
    assert {each.declared.severity for rules in holds.pads.values() for each in rules} == {Severity.NOTE}
    assert (holds.off, dict(holds.reports)) == (1, {})
    assert not any("holds.yaml" in doubt.path for doubt in tables().doubts)


def test_the_page_lists_what_is_shipped() -> None:
    """Who signs reads the rules in words; write the page again with python -m tests.tables.holds_page."""
    page = PAGE.read_text(encoding="utf-8")
    assert with_list(page) == page


def test_a_site_that_wants_none_of_it_has_the_set_that_it_had(tmp_path: Path) -> None:
    """Its own empty file replaces the shipped one: nothing is asked, and the digest is the one from before there were such rules."""
    (tmp_path / "holds.yaml").write_text("rules: []\npolicies: []\n", encoding="utf-8")
    own = load_tables(shipped_mappings(), tmp_path, POLICY, zone=ZONE)
    before = {key: value for key, value in json.loads(tables().canonical).items() if key != "holds"}
    canonical = json.dumps(before, sort_keys=True, separators=(",", ":")).encode()
    assert (own.canonical, own.holds) == (canonical, HoldTable())
    assert own.digest == hashlib.sha256(canonical).hexdigest() != tables().digest


def test_a_slip_in_the_sites_own_file_is_told_with_its_line(tmp_path: Path) -> None:
    """The site's copy replaces the shipped file."""
    own = spoiled(tmp_path, "holds.yaml", "{persons: 1, bulk: false}", "{persons: 3, bulk: false}")
    with pytest.raises(TableError, match=r"holds\.yaml:\d+") as caught:
        load_tables(shipped_mappings(), own, POLICY, zone=ZONE)
    assert caught.value.spot is not None


@pytest.mark.parametrize(
    ("old", "new", "sentence"),
    [
        (
            "rule: controls.failed, persons: 1, bulk: false",
            "rule: controls.failed, persons: 1, bulk: true",
            "is decided one by one",
        ),
        ("rule: controls.due,", "rule: controls.dew,", "There is no rule 'controls.dew'."),
        ("rule: message.processing_id, persons: 1", "rule: message.processing_id, persons: 2", "Nobody may release"),
    ],
)
def test_terms_that_cannot_stand_stop_the_start(tmp_path: Path, old: str, new: str, sentence: str) -> None:
    """Bulk for what is decided one by one, terms for no rule, a second person where there is nothing to release."""
    own = spoiled(tmp_path, "holds.yaml", old, new)
    with pytest.raises(TableError, match=sentence):
        load_tables(shipped_mappings(), own, POLICY, zone=ZONE)
