"""With a site's bands and critical rules in force, every band x step is among the prepared texts, passes our rules and the libraries.

A flag or a range that a plan does not know would stop a patient's strip as ``render.unplanned`` on the day that it comes.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from datetime import date
from functools import cache
from itertools import product

import orjson
import pytest

from bridge.coding import code
from bridge.model import CheckedReading, CodedResult, Flag, Format, Purpose, Sex
from bridge.render import compile_plan
from bridge.render.conformance import faults
from bridge.render.forms import every_pad, text_key
from bridge.render.oracles import oracle_faults
from bridge.render.samples import samples
from tests.render.flags_for_tests import banded
from tests.render.results_for_tests import MADE_AT, checked
from tests.render.tables_for_tests import BASIC, GRADES_FIRST, NUMBERS_FIRST, SI_FIRST, shipped, terms

PROFILES = tuple(
    (name, strip) for name, profile in shipped().profiles.items() for strip in sorted(set(profile.strip_types.values()))
)
PEOPLE = tuple(
    (sex, born)
    for sex, born in product(
        (None, Sex.FEMALE, Sex.MALE), (None, date(2026, 5, 1), date(2016, 5, 1), date(2010, 5, 1), date(1980, 2, 29))
    )
)


def strips(profile: str, strip: str) -> Iterator[CheckedReading]:
    """Give strips of every person that together show every step of every pad, and those with every pad at its ends."""
    kind = banded().strip_types[strip]
    longest = max(len(pad.ladder) for pad in kind.pads)
    for sex, born in PEOPLE:
        for number in range(longest):
            ranks = tuple(min(number, len(pad.ladder) - 1) for pad in kind.pads)
            acid = tuple(0 if pad.pad == "ph" else rank for pad, rank in zip(kind.pads, ranks, strict=True))
            for each in dict.fromkeys((ranks, acid)):
                of = checked(each, strip=kind)
                yield replace(of, reading=replace(of.reading, profile=profile), sex=sex, born=born)


@cache
def results(profile: str, strip: str) -> tuple[CodedResult, ...]:
    """Code them."""
    return tuple(code(of, banded(), result_id=f"B{n}", version=1) for n, of in enumerate(strips(profile, strip)))


@pytest.mark.parametrize("fmt", BASIC)
@pytest.mark.parametrize(("profile", "strip"), PROFILES)
def test_every_person_at_every_step_is_prepared(profile: str, strip: str, fmt: Format) -> None:
    """Nothing is unplanned, in each order of forms, and what is written passes our own rules."""
    for order in (GRADES_FIRST, NUMBERS_FIRST, SI_FIRST):
        plan = compile_plan(terms(fmt, order), profile, strip, banded())
        for number, result in enumerate(results(profile, strip)):
            message = plan.render(result, control_id=f"BANDM{number}", made_at=MADE_AT)
            assert faults(fmt, message.payload) == (), (result.sex, result.born)


@pytest.mark.parametrize(("profile", "strip"), PROFILES)
def test_the_samples_show_everything_that_a_strip_can_become(profile: str, strip: str) -> None:
    """What the oracles see before a destination opens holds every key that a patient's strip can have."""
    shown = {
        text_key(pad, GRADES_FIRST) for result in samples(terms(Format.ORU_R01), profile, strip, banded()) for pad in result.pads
    }
    assert {text_key(pad, GRADES_FIRST) for result in results(profile, strip) for pad in result.pads} <= shown


@pytest.mark.parametrize("fmt", BASIC)
@pytest.mark.parametrize(("profile", "strip"), [("brook", "quill-10"), ("brook", "sedge-5")])
def test_the_libraries_agree(profile: str, strip: str, fmt: Format) -> None:
    """hl7apy and fhir.resources on every sample: every band, AA, HH and LL among them."""
    destination = terms(fmt)
    plan = compile_plan(destination, profile, strip, banded())
    shown = samples(destination, profile, strip, banded())
    flags = {pad.flag for result in shown for pad in result.pads}
    assert {Flag.CRITICAL_HIGH, Flag.CRITICAL_LOW} <= flags
    assert (Flag.CRITICAL in flags) is (strip == "quill-10")  # sedge-5 has no ketones, so the first rule gives it nothing
    for number, result in enumerate(shown):
        payload = plan.render(result, control_id=f"BANDM{number}", made_at=MADE_AT).payload
        assert (faults(fmt, payload), oracle_faults(fmt, payload)) == ((), ())


def _one(sex: Sex | None, born: date | None, **ranks: int) -> CodedResult:
    """Give a strip of quill-10 with these pads at these ranks, the others at their lowest."""
    kind = banded().strip_types["quill-10"]
    of = checked(tuple(ranks.get(pad.pad, 0) for pad in kind.pads), strip=kind, comments=("from the bench",))
    return code(
        replace(of, reading=replace(of.reading, profile="brook"), sex=sex, born=born), banded(), result_id="B1", version=1
    )


def _obx(result: CodedResult, local: str) -> list[str]:
    payload = compile_plan(terms(Format.ORU_R01, NUMBERS_FIRST), "brook", "quill-10", banded()).render(
        result, control_id="BANDM1", made_at=MADE_AT
    )
    line = next(line for line in payload.payload.decode().split("\r") if local in line)
    return line.split("|")


def test_range_and_flag_are_the_persons_own() -> None:
    """OBX-7 and OBX-8 of one value in three people; digits as the laboratory wrote them."""
    ladder = {pad.pad: pad.ladder for pad in banded().strip_types["quill-10"].pads}["protein"]
    rank = next(step.rank for step in ladder if step.conventional and step.conventional.value > 20)
    girl, woman, man = (
        _obx(_one(sex, born, protein=rank), "PP-PRO")[7:9]
        for sex, born in ((Sex.FEMALE, date(2010, 5, 1)), (Sex.FEMALE, date(1980, 2, 29)), (Sex.MALE, date(1980, 2, 29)))
    )
    assert (girl, woman, man) == (["<20.0", "H"], ["<20", "H"], ["Negative", "A"])


def test_a_critical_strip_says_why() -> None:
    """AA for a grade, LL for the number, the rule's id in a note after what the analyzer said; no value is touched."""
    plain, flagged = _one(None, None), _one(None, None, glucose=3, ketones=3)
    assert [pad.flag.value for pad in flagged.pads if pad.pad in ("glucose", "ketones")] == ["AA", "AA"]
    assert flagged.comments[0] == "from the bench"
    assert flagged.comments[1] == "Flagged critical by the laboratory's rule glucose-and-ketones."
    assert plain.comments == ("from the bench",)
    bundle = orjson.loads(
        compile_plan(terms(Format.FHIR), "brook", "quill-10", banded()).render(flagged, control_id="B", made_at=MADE_AT).payload
    )
    glucose = next(entry["resource"] for entry in bundle["entry"] if entry["resource"].get("code", {}).get("text") == "Glucose")
    system = "http://terminology.hl7.org/CodeSystem/v3-ObservationInterpretation"
    assert [concept["coding"] for concept in glucose["interpretation"]] == [
        [{"system": system, "code": "AA", "display": "Critical abnormal"}],
        [{"system": system, "code": "POS", "display": "Positive"}],  # that it was found, beside the flag
    ]
    assert {"text": "Flagged critical by the laboratory's rule glucose-and-ketones."} in glucose["note"]


def test_a_control_keeps_the_expectation_for_everyone() -> None:
    """Coded for a destination that takes controls, it has no band and no critical flag."""
    kind = banded().strip_types["quill-10"]
    of = replace(
        checked(tuple(len(pad.ladder) - 1 for pad in kind.pads), strip=kind, profile="brook"),
        purpose=Purpose.CONTROL,
        sex=Sex.MALE,
    )
    result = code(of, banded(), result_id="B1", version=1)
    assert not any(pad.flag.is_critical for pad in result.pads)
    assert {pad.pad: pad.expected for pad in result.pads}["glucose"] == "Negative"
    assert result.comments == ()


def test_nothing_of_it_reaches_a_site_that_said_nothing() -> None:
    """The shipped tables give each step one coded pad a printed text, with the catalogue's expectation."""
    for profile, strip in PROFILES:
        for name, every in every_pad(profile, strip, shipped()).items():
            pad = shipped().catalogue.pads[name]
            assert {(each.expected, each.low, each.high) for each in every} == {(pad.expected, pad.low, pad.high)}
            assert not any(each.flag.is_critical for each in every)
