"""Every text that a profile knows comes to its declared step from real bytes, and no text that it does not know comes to a result.

Issue 3: every known token is enumerated, and 200 unknown or damaged tokens all stop the strip.
"""

from __future__ import annotations

from collections import Counter
from datetime import UTC, datetime

import pytest

from bridge import pipeline
from bridge.model import Capture, Coded, Facts, Outcome, Reading, Rejected, Unreadable, Way
from bridge.tables.types import Profile
from tests.read.token_captures import NAMES, SEPARATORS, Damage, Pads, Printout, capture, damages, texts_of, unit_of
from tests.tables.shipped_tables import tables

AT = datetime(2026, 11, 25, 10, 30, tzinfo=UTC)  # after every printed time of the day, in any zone of the profiles
SEED = 20261125  # ours: the list of damaged texts is the same in each run
EACH_KIND = 25  # ours: of each kind of damage, so that 200 come for every profile


def read(profile: Profile, printouts: list[Printout]) -> tuple[Reading | Unreadable, ...]:
    payload = capture(profile, printouts)
    return pipeline.understand(
        Capture(source="bench", way=Way.SERIAL, arrived_at=AT, payload=payload, live=True), profile, analyzer="bench-1"
    )


def judged(reading: Reading) -> Outcome:
    moment = pipeline.Moment(arrived_at=AT, live=True, now=AT)
    return pipeline.judge(reading, Facts(), tables(), moment=moment, result_id="TOKENR1")


def lowest(profile: Profile, strip_type: str) -> Pads:
    """Print every pad of a strip at its lowest step."""
    return {pad.pad: at_step(profile, strip_type, pad.pad, 0) for pad in tables().strip_types[strip_type].pads}


def at_step(profile: Profile, strip_type: str, pad: str, rank: int, *, text: str = "") -> tuple[str, str, bool]:
    """Print one pad at a step, in its first text unless told otherwise."""
    step = next(each.ladder[rank] for each in tables().strip_types[strip_type].pads if each.pad == pad)
    known = texts_of(profile.name, strip_type, pad)
    text = text or next(each for each, place in known.items() if place == rank)
    has_number = any(sign.isdigit() for sign in text) and text not in ("1+", "2+", "3+", "4+")
    return text, unit_of(profile, strip_type, pad, step) if has_number else "", step.abnormal


@pytest.mark.parametrize("name", NAMES)
def test_every_known_token_comes_to_its_step(name: str, capsys: pytest.CaptureFixture[str]) -> None:
    """The vocabulary holds the texts that the mapping files say, no more and no less; each is read from bytes and coded."""
    profile, count = tables().profiles[name], 0
    for (strip_type, pad), words in profile.vocabularies.items():
        expected = texts_of(name, strip_type, pad)
        assert {text: token.step.rank for text, token in words.tokens.items() if token.step} == expected
        for text, rank in expected.items():
            pads = {**lowest(profile, strip_type), pad: at_step(profile, strip_type, pad, rank, text=text)}
            (reading,) = read(profile, [Printout(strip_type=strip_type, pads=pads)])
            assert isinstance(reading, Reading)
            outcome = judged(reading)
            assert isinstance(outcome, Coded), (strip_type, pad, text, outcome)
            (checked,) = (each for each in outcome.checked.pads if each.pad == pad)
            assert (checked.printed, checked.step.rank) == (text, rank)
            assert [each.rule for each in outcome.findings if each.rule.startswith("mark.")] == []
            count += 1
    with capsys.disabled():
        print(f"\n{name}: {count} known texts, each read from a capture and coded at its step")
    assert count == sum(len(texts_of(name, *key)) for key in profile.vocabularies) > 30


@pytest.mark.parametrize("name", NAMES)
def test_no_damaged_token_comes_to_a_result(name: str, capsys: pytest.CaptureFixture[str]) -> None:
    """At least 200 texts a profile: each stops its strip and names the pad, or the bytes in its place; both neighbours are unharmed."""
    profile = tables().profiles[name]
    found = damages(profile, tables(), each=EACH_KIND, seed=SEED)
    assert len({(each.strip_type, each.pad, each.text) for each in found}) >= 200
    named: Counter[str] = Counter()
    for damage in found:
        good = lowest(profile, damage.strip_type)
        _, unit, abnormal = at_step(profile, damage.strip_type, damage.pad, 0)
        spoilt = {**good, damage.pad: (damage.text, unit, abnormal)}
        printouts = [Printout(strip_type=damage.strip_type, pads=pads) for pads in (good, spoilt, good)]
        before, stopped, after = read(profile, printouts)
        for neighbour in (before, after):
            assert isinstance(neighbour, Reading)
            outcome = judged(neighbour)
            assert isinstance(outcome, Coded), damage
            assert [each.step.rank for each in outcome.checked.pads] == [0] * len(good), damage
        named[_named(damage, stopped, capture(profile, printouts))] += 1
    with capsys.disabled():
        kinds = Counter(each.kind for each in found)
        print(f"\n{name}: {len(found)} damaged texts, all stopped ({dict(named)}; {dict(kinds)})")
    assert named["pad"] >= 150


def _named(damage: Damage, stopped: Reading | Unreadable, payload: bytes) -> str:
    """Say by what the finding names the damage: the pad, or the place in the bytes where no reading could be made."""
    if isinstance(stopped, Reading):
        outcome = judged(stopped)
        assert isinstance(outcome, Rejected), damage
        assert outcome.findings[0].pad == damage.pad, damage
        return "pad"
    place = stopped.finding.place
    assert stopped.finding.rule in {"read.control", "read.undecodable", "read.layout"}, damage
    assert place is not None
    assert stopped.place.start <= place.start < place.end <= stopped.place.end
    return "place"


def test_the_writers_write_what_the_examples_show() -> None:
    """Every shipped profile has a writer here, and the signs of its layout are known."""
    assert set(NAMES) == set(SEPARATORS) == set(tables().profiles)
