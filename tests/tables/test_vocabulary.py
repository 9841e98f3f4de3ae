"""The closed vocabulary: every legal printed text, and nothing else."""

from __future__ import annotations

from dataclasses import replace

import pytest

from bridge.errors import TableError
from bridge.model import UnitSystem
from bridge.settings import Document, shipped_mappings
from bridge.tables.documents import ProfileDocument
from bridge.tables.types import PadVocabulary
from bridge.tables.vocabulary import number_of, possible_elsewhere, printed_units, prints_units, step_name, vocabulary
from tests.tables.shipped_tables import tables


def told(words: PadVocabulary) -> dict[str, object]:
    """Give each printed text with the rank of its step, or the unit system that it belongs to."""
    return {text: token.step.rank if token.step else token.other for text, token in words.tokens.items()}


SI, CONVENTIONAL, ARBITRARY = UnitSystem.SI, UnitSystem.CONVENTIONAL, UnitSystem.ARBITRARY


def test_conventional_numbers() -> None:
    """Brook prints numbers, and a word where the ladder has none; SI numbers and grades are told apart from nonsense."""
    words = tables().profiles["brook"].vocabularies["quill-10", "glucose"]
    assert told(words) == {
        "NEG": 0, "60": 1, "120": 2, "300": 3, "600": 4, ">=1200": 5,
        "TR": ARBITRARY, "+1": ARBITRARY, "+2": ARBITRARY, "+3": ARBITRARY, "+4": ARBITRARY,
        "3.3": SI, "6.7": SI, "16.7": SI, "33.3": SI, ">=66.6": SI,
    }  # fmt: skip
    assert words.units == {"", "mg/dL"}


def test_si_numbers_with_decimal_comma() -> None:
    """Tern prints SI with a comma, and no unit; its conventional twin is known as such. HZ-D06, HZ-K08."""
    words = tables().profiles["tern"].vocabularies["plover-12", "ketones"]
    assert told(words) == {
        "Negativo": 0, "0,6": 1, "1,8": 2, "4,4": 3, "10,8": 4,
        "Vestígios": ARBITRARY, "+": ARBITRARY, "++": ARBITRARY, "+++": ARBITRARY,
        "6": CONVENTIONAL, "18": CONVENTIONAL, "45": CONVENTIONAL, "110": CONVENTIONAL,
    }  # fmt: skip
    assert words.units == {""}


def test_grade_and_value_together() -> None:
    """Alder prints both; a grade beside another step's number is in no vocabulary."""
    words = tables().profiles["alder"].vocabularies["larch-9", "blood"]
    known = told(words)
    assert {text: rank for text, rank in known.items() if isinstance(rank, int)} == {
        "neg": 0, "trace 0.03": 1, "1+ 0.08": 2, "2+ 0.22": 3, "3+ 0.70": 4,
    }  # fmt: skip
    assert known["1+ 0.8"] is SI
    assert known["1+"] is ARBITRARY
    assert "1+ 0.22" not in known
    assert words.units == {"", "mg/dL"}


def test_grades_alone_with_words_of_one_pad() -> None:
    """Moss prints words; nitrite has words of its own, and the density prints its number though the profile prints grades."""
    moss = tables().profiles["moss"]
    assert told(moss.vocabularies["quill-10", "nitrite"]) == {"nein": 0, "ja": 1}
    density = told(moss.vocabularies["quill-10", "specific_gravity"])
    assert density == {"1,000": 0, "1,006": 1, "1,010": 2, "1,016": 3, "1,020": 4, "1,026": 5, "1,032": 6}
    assert told(moss.vocabularies["quill-10", "protein"])["40"] is CONVENTIONAL


def test_the_declared_system_wins() -> None:
    """A text of both systems (blood counts are alike in /uL and 10*6/L) means the declared one; the unit text decides the rest."""
    words = tables().profiles["brook"].vocabularies["quill-10", "blood"]
    assert told(words)["30"] == 2
    assert words.units == {"", "/uL"}
    assert "M/L" not in words.units


def test_where_else_a_text_is_printed() -> None:
    """Cell counts and words are the same step in every system that prints them; a number of one system only is found nowhere else."""
    blood = tables().profiles["brook"].vocabularies["quill-10", "blood"]
    assert blood.tokens["30"].elsewhere == {SI: {2}}
    assert blood.tokens["NEG"].elsewhere == {ARBITRARY: {0}, SI: {0}}
    assert blood.tokens["+1"].elsewhere == {ARBITRARY: {2}}
    assert tables().profiles["brook"].vocabularies["quill-10", "glucose"].tokens["60"].elsewhere == {}
    assert possible_elsewhere(blood, "30", "") == {SI: {2}}
    assert possible_elsewhere(blood, "30", "/uL") == {}
    assert possible_elsewhere(blood, "30", "M/L") == {SI: {2}}
    assert possible_elsewhere(blood, "31", "") == {}


def test_one_text_for_two_steps_of_another_system_keeps_both() -> None:
    """Ketones 5 mg/dL and 5 mmol/L are two steps; grades that share a word are refused only where they are printed."""
    pad = next(pad for pad in tables().strip_types["quill-10"].pads if pad.pad == "ketones")
    trace, third = pad.ladder[1], pad.ladder[3]
    assert trace.conventional is not None
    assert third.si is not None
    shared = replace(third, si=replace(trace.conventional, unit="mmol/L"))
    ladder = tuple(shared if step is third else step for step in pad.ladder)
    words = vocabulary(replace(pad, ladder=ladder), document("brook-file"), ("profiles/brook-file.yaml",))
    assert words.tokens["8"].step == trace
    assert words.tokens["8"].elsewhere == {SI: {3}}
    same_word = {grade: ("HIGH",) if grade.value in ("2+", "3+") else texts for grade, texts in document("brook").words.items()}
    made = document("brook-file").model_copy(update={"words": same_word})
    assert vocabulary(pad, made, ("profiles/brook-file.yaml",)).tokens["HIGH"].elsewhere == {ARBITRARY: {3, 4}}


@pytest.mark.parametrize("name", ["alder", "brook", "brook-file", "fjord", "moss", "tern"])
def test_every_step_can_be_printed(name: str) -> None:
    """Each step of each pad of each strip of a profile has at least one text, and each text one step. HZ-G02, HZ-G03."""
    profile = tables().profiles[name]
    for strip in set(profile.strip_types.values()):
        for pad in tables().strip_types[strip].pads:
            ranks = [token.step.rank for token in profile.vocabularies[strip, pad.pad].tokens.values() if token.step]
            assert sorted(set(ranks)) == [step.rank for step in pad.ladder]
            for text, token in profile.vocabularies[strip, pad.pad].tokens.items():
                assert text == " ".join(text.split())
                assert (token.step is None) is (token.other is not None)


@pytest.mark.parametrize("near", ["neg", "Neg", " NEG", "60.0", "060", "+ 1", "60 mg/dL", "", "-", "6O"])
def test_near_words_are_unknown(near: str) -> None:
    """Nothing like a known word is taken for it: unknown never becomes negative."""
    assert near not in tables().profiles["brook"].vocabularies["quill-10", "glucose"].tokens


def document(name: str) -> ProfileDocument:
    """Read a shipped profile's document."""
    return Document(shipped_mappings() / "profiles" / f"{name}.yaml").shaped(ProfileDocument)


def test_one_text_for_two_steps_is_refused() -> None:
    """Two steps under one text could not be told apart; the error names both and the text. HZ-G03."""
    pad = tables().strip_types["quill-10"].pads[0]
    profile = document("moss")
    spoilt = profile.model_copy(
        update={"words": {**profile.words, next(g for g in profile.words if g.value == "3+"): ("wenig",)}}
    )
    with pytest.raises(TableError) as caught:
        vocabulary(pad, spoilt, ("profiles/moss.yaml",))
    assert caught.value.sentence == "ketones: 1+ and 3+ are both printed as 'wenig'."
    assert caught.value.path == ("profiles/moss.yaml", "words")


def test_unit_inside_the_value() -> None:
    """Where a profile prints the unit inside the value, it is part of the text, and no unit stands beside."""
    pad = next(pad for pad in tables().strip_types["quill-10"].pads if pad.pad == "ketones")
    inside = document("tern").model_copy(
        update={"printed": ("{value} {unit}",), "units": {"mmol/L": ("mmol/l", "mmol"), "mg/dL": ("mg/dl",)}}
    )
    known = told(vocabulary(pad, inside, ("profiles/tern.yaml",)))
    assert {text: rank for text, rank in known.items() if isinstance(rank, int)} == {
        "Negativo": 0,
        "0,8 mmol/l": 1, "0,8 mmol": 1, "2,0 mmol/l": 2, "2,0 mmol": 2, "4,9 mmol/l": 3, "4,9 mmol": 3, "9,8 mmol/l": 4, "9,8 mmol": 4,
    }  # fmt: skip
    assert known["8 mg/dl"] is CONVENTIONAL


def test_a_grade_stands_without_a_unit() -> None:
    """An analyzer set to conventional units may print the grade alone; no unit stands beside it, nor is one missed."""
    pads = {pad.pad: pad for pad in tables().strip_types["quill-10"].pads}
    grades = document("brook").model_copy(update={"printed": ("{grade}",)})
    assert vocabulary(pads["urobilinogen"], grades, ("profiles/brook.yaml",)).units == {"", "mg/dL"}
    assert vocabulary(pads["urobilinogen"], document("brook"), ("profiles/brook.yaml",)).units == {"mg/dL"}
    assert vocabulary(pads["specific_gravity"], grades, ("profiles/brook.yaml",)).units == {""}


def test_comparators_in_the_analyzers_own_words() -> None:
    """A comparator may be printed as a word."""
    pad = next(pad for pad in tables().strip_types["quill-10"].pads if pad.pad == "glucose")
    words = document("tern").model_copy(update={"comparators": {">=": "mais "}})
    assert told(vocabulary(pad, words, ("profiles/tern.yaml",)))["mais 66,6"] == 5


def test_what_each_system_prints() -> None:
    """A pad without SI values prints its one number everywhere; under arbitrary units a grade hides the number."""
    pads = {pad.pad: pad for pad in tables().strip_types["plover-12"].pads}
    assert [printed_units(pads["ph"], system) for system in UnitSystem] == [{"[pH]"}] * 3
    assert [printed_units(pads["glucose"], system) for system in (ARBITRARY, CONVENTIONAL, SI)] == [
        frozenset(),
        {"mg/dL"},
        {"mmol/L"},
    ]
    assert [printed_units(pads["ascorbic_acid"], system) for system in (ARBITRARY, CONVENTIONAL, SI)] == [{"mg/dL"}] * 3
    negative = pads["glucose"].ladder[0]
    assert [number_of(negative, pads["glucose"], system) for system in UnitSystem] == [None] * 3
    assert [step_name(step) for step in pads["ascorbic_acid"].ladder] == ["<=5", "15", "35"]
    assert step_name(negative) == "negative"


def test_who_prints_units_beside_values() -> None:
    """These have a place of its own for the unit."""
    assert {name: prints_units(document(name)) for name in tables().profiles} == {
        "alder": True, "brook": True, "brook-file": False, "dipper": True, "fjord": False, "heron": False, "lark": True, "moss": False,
        "tern": False, "wren": True,
    }  # fmt: skip
