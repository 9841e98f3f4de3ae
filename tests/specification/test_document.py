"""The whole document: every block, nothing blank, and the same digest for the same interface."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import fields, is_dataclass, replace
from datetime import timedelta

import pytest

from bridge.errors import RejectError
from bridge.model import Format
from bridge.specification import Door, Specification, specify
from bridge.specification.document import LETTERS
from bridge.specification.types import FILL_IN, AnswerTable, Facts, FieldTable, Sample, Subject
from tests.render.every_sample import terms_for
from tests.specification.subjects import FHIR, bare, document, hostile, subject
from tests.tables.additions_for_tests import asking


def blanks(value: object, path: str = "") -> Iterator[str]:
    """Give the path of every empty text, but for the slots that people fill and the message of a sample that says why it has none."""
    if isinstance(value, tuple):
        for number, inner in enumerate(value):
            yield from blanks(inner, f"{path}[{number}]")
    elif is_dataclass(value):
        for field in fields(value):
            if not (field.name in FILL_IN or (isinstance(value, Sample) and field.name == "message")):
                yield from blanks(getattr(value, field.name), f"{path}.{field.name}")
    elif isinstance(value, str) and not value.strip():
        yield path


@pytest.mark.parametrize("door", Door)
@pytest.mark.parametrize("given", [document, bare])
def test_every_block_is_there_and_nothing_is_blank(door: Door, given: object) -> None:
    """The questionnaire asks for A to P (trade reference, section 6); a blank could be read as "nothing to say"."""
    assert given in (document, bare)
    made: Specification = document(door) if given is document else bare(door)
    assert "".join(block.letter for block in made.blocks) == LETTERS == "ABCDEFGHIJKLMNOP"
    assert list(blanks(made)) == []
    assert all(block.parts for block in made.blocks)


def test_a_blank_would_be_found() -> None:
    """The test above can fail."""
    made = document()
    assert list(blanks(replace(made, site=" "))) == [".site"]


def test_a_site_that_settled_everything_lacks_nothing() -> None:
    """Then the document may go to the vendor as it is."""
    assert [block.letter for door in Door for block in document(door).blocks if block.lacking] == []


def test_a_site_that_settled_nothing_is_told_block_by_block() -> None:
    """D, F, I, J and K rest on nothing that only people know; all others say what they lack, by name and key."""
    lacking = {block.letter: block.lacking for block in bare().blocks if block.lacking}
    assert "".join(lacking) == "ABCEGHLMNOP"
    assert lacking["A"][0] == "laboratory, name and address (agreement.laboratory)"
    assert lacking["C"] == lacking["G"] == ("a source (sources)",)
    assert lacking["L"] == ("a source (sources)", "strips an hour and a day, and the peak (agreement.volumes)")


def test_the_digest_tells_the_interface_and_not_the_moment() -> None:
    """Two prints of one interface must compare as equal; a changed option must not."""
    given = subject()
    later = replace(given, made_at=given.made_at + timedelta(days=1))
    other = replace(given, terms=replace(given.terms, local_codes=False))
    assert specify(later).digest == document().digest
    assert specify(other).digest != document().digest


def test_a_folder_may_get_either_format() -> None:
    """The door decides what an answer is, the format what a message is: neither is taken for the other."""
    made = specify(replace(subject(Door.FOLDER), terms=FHIR))
    assert list(blanks(made)) == []
    assert [block.letter for block in made.blocks if block.lacking] == []
    titles = [part.title for block in made.blocks for part in block.parts if isinstance(part, FieldTable | AnswerTable)]
    assert titles == ["Elements", "Ends of writing a file", "No answer"]
    oru = [part.title for block in document(Door.FOLDER).blocks for part in block.parts if isinstance(part, FieldTable)]
    assert oru == ["Segments and fields"]


def test_the_seven_samples_are_shown_or_said() -> None:
    """Normal, abnormal, STAT, corrected and withdrawn are messages; what Padpost does not send today is said in words, never faked."""
    samples = [part for block in document().blocks for part in block.parts if isinstance(part, Sample)]
    assert [sample.name.partition(":")[0] for sample in samples] == [
        *["Normal", "Abnormal", "STAT"],
        *["Corrected", "Withdrawn"],  # of the first strip type
        *["Normal", "Abnormal", "STAT"] * 3,  # four strip types are read by the two profiles
        "Control",
        "Refused",
    ]
    assert [bool(sample.message) for sample in samples] == [True] * 14 + [False] * 2
    assert all("never sent" in s.says for s in samples[14:])


def test_a_name_outside_the_character_set_is_an_error() -> None:
    """The samples are real messages: what could not be sent cannot be shown either."""
    given = subject()
    with pytest.raises(RejectError, match="ASCII"):
        specify(replace(given, terms=replace(given.terms, charset="ASCII", sending_facility="São Brás")))


def test_a_hostile_site_makes_a_document_all_the_same() -> None:
    """Names are text; the writers' tests look at what becomes of them."""
    assert len(specify(hostile()).blocks) == 16


@pytest.mark.parametrize(
    ("form", "door", "says"),
    [
        (
            "grades",
            Door.MLLP,
            "CWE: .1 to .3 the LOINC answer where there is one, else .2 the grade's text; .9 the text as printed",
        ),
        ("grades", Door.FHIR, "valueCodeableConcept: coding is the LOINC answer where there is one; text as printed"),
        ("text", Door.MLLP, "ST: the grade's text; the text as printed in the NTE after the OBX"),
        ("text", Door.FHIR, "valueString: the grade's text; the text as printed in the first note"),
        (
            "local",
            Door.MLLP,
            "CWE: .1 to .3 the laboratory's code (99QLB), else .2 the grade's text; .4 to .6 the LOINC answer where there is one; .9 the text as printed",
        ),
        (
            "local",
            Door.FHIR,
            "valueCodeableConcept: coding is the laboratory's code (urn:oid:2.999.7), then the LOINC answer where there is one; text as printed",
        ),
        ("snomed", Door.FHIR, "valueCodeableConcept: coding is the SNOMED CT concept; text as printed"),
    ],
)
def test_the_form_of_grades_is_said(form: str, door: Door, says: str) -> None:
    """The vendor's analyst builds the interface from this sentence."""
    told = terms_for(Format.ORU_R01, form)
    given = subject(door)
    made = specify(replace(given, terms=replace(given.terms, grades=told.grades, grade_table=told.grade_table)))
    facts = [part for block in made.blocks for part in block.parts if isinstance(part, Facts) and part.title == "Value formats"]
    assert [fact.says for part in facts for fact in part.rows if fact.name == "grade"] == [says]


@pytest.mark.parametrize(
    ("door", "word", "ratio"),
    [
        (
            Door.MLLP,
            "CWE, with Padpost's own code (L); text as for a grade; a word has no order",
            "a number like others; OBX-17 and the NTE after the OBX say that Padpost computed it, and from what. Left out where the two values do not decide it",
        ),
        (
            Door.FHIR,
            "valueCodeableConcept, with Padpost's own code (urn:padpost:local); text as for a grade; a word has no order",
            "a number like others; method, the first note and derivedFrom say that Padpost computed it, and from what. Left out where the two values do not decide it",
        ),
    ],
)
def test_words_and_ratios_are_described_where_a_strip_has_them(door: Door, word: str, ratio: str) -> None:
    """A vendor who gets a colour must be told its code system; one whose strips have none is not bothered."""
    told = {}
    for profiles in (("wren",), ("brook",)):
        facts = [
            part for block in specify(subject(door, profiles=profiles)).blocks for part in block.parts if isinstance(part, Facts)
        ]
        told[profiles[0]] = {fact.name: fact.says for part in facts for fact in part.rows}
    assert (told["wren"]["colour and clarity"], told["wren"]["computed ratio"]) == (word, ratio)
    assert not told["brook"].keys() & {"colour and clarity", "computed ratio"}


def test_what_a_technician_adds_is_said_where_a_source_asks_for_it() -> None:
    """And that a destination does not take it, where its settings say so; a site where nobody asks is told of nothing."""

    def said(given: Subject) -> list[str]:
        facts = (part for block in specify(given).blocks for part in block.parts if isinstance(part, Facts))
        return [fact.says for each in facts for fact in each.rows if fact.name.endswith("added by a technician")]

    given = subject()
    assert said(given) == []
    asks = replace(given, tables=replace(given.tables, additions=asking().additions))
    (words,) = said(asks)
    assert "a comment says added by hand, and by whom" in words
    assert said(replace(asks, terms=replace(asks.terms, added=False))) == ["not sent to this destination"]
