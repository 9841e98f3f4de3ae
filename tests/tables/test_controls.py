"""The site's word on controls: what compiles, and what is explained with file, line and key."""

from __future__ import annotations

import hashlib
from copy import deepcopy
from datetime import date, time, timedelta
from pathlib import Path
from typing import Any

import pytest
import yaml

from bridge.errors import TableError
from bridge.settings import Document, shipped_mappings
from bridge.site import load_tables
from bridge.tables.control_table import ControlTable, DriftRule, GatePolicy, LevelKind, ShutDoes
from bridge.tables.controls import control_doubts, control_lot, control_table, is_negative, must_be_found, with_controls
from bridge.tables.controls_document import ControlsDocument, LotRow
from bridge.tables.differences import differences
from tests.bench.controls_for_tests import compiled, document, expected, lot
from tests.tables.shipped_tables import POLICY, ZONE, tables

PADS = {pad.pad: pad for pad in tables().strip_types["quill-10"].pads}


def test_a_lot_is_typed_on_the_ladders() -> None:
    """Each pad of the strip has the steps that the insert allows, in the order of the strip."""
    first, second = compiled().lots
    assert {each.pad: each.ranks for each in first.expected} == {
        "ketones": (0,),
        "protein": (0,),
        "nitrite": (0,),
        "specific_gravity": (1, 2, 3),
        "urobilinogen": (0,),
        "glucose": (0,),
        "leukocytes": (0,),
        "ph": (1, 2, 3),
        "blood": (0,),
        "bilirubin": (0,),
    }
    assert [each.pad for each in second.expected] == list(tables().strip_types["quill-10"].places)
    assert {each.pad: each.ranks for each in second.expected}["glucose"] == (3, 4, 5)
    assert (first.lot, first.level, first.expires, first.labels) == ("B1-0771", "1", date(2027, 3, 31), frozenset({"VIAL-B1"}))
    assert (second.entered_by, second.signed_by, second.is_signed) == ("R. Holm", "T. Vance", True)


def test_the_policy_is_the_sites() -> None:
    """What is not said is the strictest: each day, each container, after service, no grace, no step to spare."""
    assert compiled().policy == GatePolicy(
        levels=frozenset({"1", "2"}), zone=ZONE, shut=ShutDoes.HOLD, day_starts=time(6), one_step=False
    )
    gate = {
        "levels": ["2", "1"],
        "shut": "wait",
        "due": [],
        "shifts": ["22:00", "14:00"],
        "every_strips": 100,
        "grace_minutes": 30,
        "one_step_either_side": {"signed": "Dr Q. Example, 2026-11-25", "source": "our procedure 12"},
    }
    assert compiled(gate=gate).policy == GatePolicy(
        levels=frozenset({"1", "2"}),
        zone=ZONE,
        shut=ShutDoes.WAIT,
        each_day=False,
        shifts=(time(14), time(22)),
        every_strips=100,
        new_container=False,
        after_service=False,
        grace=timedelta(minutes=30),
        one_step=True,
    )
    assert compiled(gate=None).policy is None
    assert compiled(drift={"runs": 4}).drift == DriftRule(off=4, of=20)
    assert control_table(ControlsDocument(), tables().strip_types, zone=ZONE) == ControlTable(drift=DriftRule(off=3, of=20))


def changed(*path: str | int, to: Any = None) -> dict[str, Any]:
    """Give the whole document with one value changed; ``to`` None takes the key away."""
    values = deepcopy(document())
    inner: Any = values
    for key in path[:-1]:
        inner = inner[key]
    if to is None:
        del inner[path[-1]]
    else:
        inner[path[-1]] = to
    return values


GLUCOSE = 5  # its place among the rows of a lot
WRONG = [
    (changed("lots", 0, "material", to="brich"), "lots[0].material", "There is no control material 'brich'. Did you mean 'birch'?"),
    (changed("lots", 1, "level", to="3"), "lots[1].level", "birch has no level '3'. Use one of: 1, 2."),
    (changed("lots", 0, "strip_type", to="quill-11"), "lots[0].strip_type", "There is no strip type 'quill-11'. Did you mean 'quill-10'?"),
    (changed("lots", 0, "signed", to="R. Holm"), "lots[0].signed", "R. Holm both entered and signed the lot. A second person compares it with the insert and signs."),
    (changed("lots", 0, "expires", to="2027-02-30"), "lots[0].expires", "'2027-02-30' is no day of the calendar. Write the last day of use as 2027-05-31."),
    (changed("lots", 0, "expected", GLUCOSE, "pad", to="glucoze"), "lots[0].expected[5].pad", "quill-10 has no pad 'glucoze'. Did you mean 'glucose'?"),
    (changed("lots", 0, "expected", GLUCOSE, "pad", to="blood"), "lots[0].expected[8].pad", "The pad 'blood' is given twice. Keep one."),
    (changed("lots", 0, "expected", GLUCOSE), "lots[0].expected", "Nothing is expected of glucose. Give what the insert says of it, or write claimed: false if the insert says nothing of it."),
    (changed("lots", 0, "expected", GLUCOSE, "low", to="50"), "lots[0].expected[5].low", "Whether negative of glucose belongs to a range from 50 is not said by numbers. Write negative as the low end if the insert's range takes it in, or 60 if not."),
    (changed("lots", 0, "expected", GLUCOSE, "low", to="60"), "lots[0].expected", "Level 1 of birch is a negative one, and glucose would have to be found in it. Compare with the insert: the columns of two levels may be mixed up."),
    (changed("lots", 1, "expected", to=expected({**dict.fromkeys(PADS, ("negative", "")), "urobilinogen": ("normal", ""), "specific_gravity": ("1.010", ""), "ph": ("7.0", "")})), "lots[1].expected", "Level 2 of birch is a positive one, and no pad would have to find anything in it. Compare with the insert: the columns of two levels may be mixed up."),
    (changed("lots", 1, "labels", to=["VIAL-B1"]), "lots[1]", "'VIAL-B1' names two lots on quill-10: lots[0] and lots[1]. Give each lot what only its own vial says."),
    (changed("lots", 1, to=lot("1", "B1-0771")), "lots[1]", "'B1-0771' names two lots on quill-10: lots[0] and lots[1]. Give each lot what only its own vial says."),
    (changed("gate", "levels", to=["1", "3"]), "gate.levels[1]", "No control material has the level '3'. Use one of: 1, 2."),
    (changed("materials", "birch", "levels", 1, "level", to="1"), "materials.birch.levels[1].level", "The level '1' is given twice. Keep one."),
    (document(drift={"runs": 9, "of": 8}), "drift.runs", "9 of 8 runs can never be off. Let runs be smaller than of."),
]  # fmt: skip


@pytest.mark.parametrize(("values", "key", "words"), WRONG, ids=[f"{number}-{each[1]}" for number, each in enumerate(WRONG)])
def test_what_contradicts_itself_is_explained(values: dict[str, Any], key: str, words: str) -> None:
    """An insert typed wrong would pass or fail every control after it: file, key, what is wrong, what would be right."""
    with pytest.raises(TableError) as caught:
        control_table(ControlsDocument.model_validate(values), tables().strip_types, zone=ZONE)
    dotted = "".join(f"[{part}]" if isinstance(part, int) else f".{part}" for part in caught.value.path[1:]).lstrip(".")
    assert (caught.value.path[0], dotted) == ("controls.yaml", key)
    assert f"{caught.value.sentence} {caught.value.remedy}" == words


def test_an_error_finds_its_line(tmp_path: Path) -> None:
    """The path leads to the line of the file that an editor jumps to."""
    file = tmp_path / "controls.yaml"
    file.write_text(yaml.safe_dump(changed("lots", 1, "level", to="3"), sort_keys=False), encoding="utf-8")
    read = Document(file, "controls.yaml")
    with pytest.raises(TableError) as caught:
        control_table(read.shaped(ControlsDocument), tables().strip_types, zone=ZONE)
    spot = read.spot(caught.value.path[1:])
    assert file.read_text(encoding="utf-8").splitlines()[spot.line - 1].strip() == "level: '3'"


@pytest.mark.parametrize(
    "row",
    [
        {"pad": "glucose"},
        {"pad": "glucose", "high": "60"},
        {"pad": "glucose", "low": "60", "claimed": False},
        {"pad": "glucose", "low": "60", "words": ["clear"]},
    ],
)
def test_an_expectation_says_one_thing(row: dict[str, Any]) -> None:
    """A row with two meanings, or none, is nobody's word."""
    values = lot("2", "B2-0772")
    values["expected"][GLUCOSE] = row
    with pytest.raises(TableError, match="What is expected of glucose is not clear"):
        control_lot(LotRow.model_validate(values), compiled().materials, tables().strip_types)


def test_a_pad_that_the_insert_leaves_out_is_said_to_be_so() -> None:
    """Silence of the insert is a fact that somebody typed, not an oversight."""
    values = lot("2", "B2-0772")
    values["expected"][GLUCOSE] = {"pad": "glucose", "claimed": False}
    made = control_lot(LotRow.model_validate(values), compiled().materials, tables().strip_types)
    assert [(each.pad, each.is_claimed) for each in made.expected if not each.ranks] == [("glucose", False)]


def test_two_levels_may_share_a_lot_code() -> None:
    """Some materials print one code on both vials; then the record must say the level too."""
    assert len(compiled(lots=[lot("1", "B-0771"), lot("2", "B-0771")]).lots) == 2


def test_controls_are_part_of_what_is_signed() -> None:
    """Another range is another table set; a site that says nothing of controls has the set that it had before."""
    bare = tables()
    assert with_controls(bare, ControlsDocument(), zone=ZONE) is bare
    said = with_controls(bare, ControlsDocument.model_validate(document()), zone=ZONE)
    other = with_controls(bare, ControlsDocument.model_validate(changed("lots", 0, "expires", to="2027-04-30")), zone=ZONE)
    assert len({bare.digest, said.digest, other.digest}) == 3
    assert said.digest == hashlib.sha256(said.canonical).hexdigest()
    assert said.controls == compiled()
    assert differences(said.canonical, other.canonical) == ('controls.yaml: lots[0].expires: was "2027-03-31", is "2027-04-30"',)
    assert [line.partition(":")[0] for line in differences(bare.canonical, said.canonical)] == ["controls.yaml"]


def test_a_sites_file_is_read_with_its_other_mappings(tmp_path: Path) -> None:
    """No controls.yaml is shipped; one in the site's own folder counts, and an error in it names file, line and key."""
    assert load_tables(shipped_mappings(), tmp_path, POLICY, zone=ZONE).digest == tables().digest
    file = tmp_path / "controls.yaml"
    file.write_text(yaml.safe_dump(document(), sort_keys=False), encoding="utf-8")
    assert load_tables(shipped_mappings(), tmp_path, POLICY, zone=ZONE).controls == compiled()
    file.write_text(yaml.safe_dump(document(gate={"levels": ["3"], "shut": "hold"}), sort_keys=False), encoding="utf-8")
    with pytest.raises(TableError, match=r"controls\.yaml:\d+: gate\.levels\[0\]: No control material has the level '3'"):
        load_tables(shipped_mappings(), tmp_path, POLICY, zone=ZONE)


def test_what_keeps_a_gate_shut_by_oversight_is_told() -> None:
    """A gate that can never open would be found out on the first morning; `padpost check` says it before."""
    assert list(control_doubts(compiled(), ["quill-10"])) == []
    assert list(control_doubts(compiled(gate=None, lots=[]), ["quill-10"])) == []
    unsigned = compiled(lots=[lot("1", "B1-0771", signed=""), lot("2", "B2-0772")])
    assert [(doubt.path, doubt.sentence) for doubt in control_doubts(unsigned, ["quill-10", "sedge-5", "quill-10"])] == [
        (("controls.yaml", "lots", 0, "signed"), "Nobody has signed lot B1-0771: its runs count for nothing."),
        (
            ("controls.yaml", "gate", "levels"),
            "quill-10 has no signed lot of level 1 here: its gate opens by lots entered on the page Controls only.",
        ),
        (
            ("controls.yaml", "gate", "levels"),
            "sedge-5 has no signed lot of level 1, 2 here: its gate opens by lots entered on the page Controls only.",
        ),
    ]


def test_the_manuals_example_compiles() -> None:
    """Whoever copies it has a file that stands: one lot and a gate with everything that can be said of one."""
    page = (Path(__file__).parents[2] / "docs/how-to/judge-controls.md").read_text(encoding="utf-8")
    example = "\n".join(line[4:] for line in page.splitlines() if line.startswith("    "))
    made = control_table(ControlsDocument.model_validate(yaml.safe_load(example)), tables().strip_types, zone=ZONE)
    assert [(lot.lot, [each.pad for each in lot.expected if not each.is_claimed]) for lot in made.lots] == [
        ("B1-0771", ["protein"])
    ]
    assert made.policy is not None
    assert (made.policy.shut, made.policy.shifts, made.policy.one_step) == (ShutDoes.WAIT, (time(14), time(22)), True)


def test_what_counts_as_negative() -> None:
    """Negative and normal say that nothing was found; pH and specific gravity have no such step."""
    assert [is_negative(PADS["urobilinogen"], rank) for rank in range(4)] == [True, False, False, False]
    assert not any(is_negative(PADS["ph"], rank) for rank in range(7))
    first, second = compiled().lots
    assert [each.pad for each in first.expected if must_be_found(each, PADS[each.pad])] == []
    found = [each.pad for each in second.expected if must_be_found(each, PADS[each.pad])]
    assert found == [pad for pad in PADS if pad not in {"specific_gravity", "ph"}]
    assert compiled().materials["birch"].levels == {"1": LevelKind.NEGATIVE, "2": LevelKind.POSITIVE}
