"""The samples that plans are checked with."""

from __future__ import annotations

from dataclasses import replace

import pytest

from bridge.model import Priority, ResultStatus
from bridge.render.forms import every_pad
from bridge.render.samples import HOSTILE, samples
from tests.render.tables_for_tests import EVERY_STRIP, FHIR, ORU, STRIP, hand_made, tables_of


@pytest.mark.parametrize(("profile", "strip"), EVERY_STRIP)
def test_every_step_of_every_pad_in_every_text_is_shown(profile: str, strip: str) -> None:
    """What the samples leave out, no oracle has seen."""
    tables = tables_of(profile)
    shown = {pad for sample in samples(ORU, profile, strip, tables) for pad in sample.pads}
    assert {pad for every in every_pad(profile, strip, tables).values() for pad in every} <= shown


def test_the_fields_beside_the_pads_vary_too() -> None:
    """STAT, a correction, known and unknown collection time, empty fields, every hostile text."""
    given = samples(ORU, "testing", STRIP.name, hand_made())
    assert len({sample.result_id for sample in given}) == len(given)
    assert {sample.priority for sample in given} == set(Priority)
    assert {sample.status for sample in given} == set(ResultStatus)
    assert {sample.change is None for sample in given} == {True, False}
    assert {sample.collected_at is None for sample in given} == {True, False}
    assert {bool(sample.operator) for sample in given} == {True, False}
    assert {sample.patient_id for sample in given} >= set(HOSTILE)


@pytest.mark.parametrize(("charset", "count"), [("ASCII", 5), ("8859/1", 6), ("8859/15", 7), ("UNICODE UTF-8", 8)])
def test_only_what_the_character_set_can_say_is_a_sample(charset: str, count: int) -> None:
    """The others are rejected before they are sent: the euro sign is in ISO 8859-15 and not in 8859-1, the emoji in neither."""
    given = samples(replace(ORU, charset=charset), "testing", STRIP.name, hand_made())
    assert len({sample.patient_id for sample in given} & set(HOSTILE)) == count
    everything = samples(replace(FHIR, charset=charset), "testing", STRIP.name, hand_made())
    told = {sample.patient_id for sample in everything} & set(HOSTILE)
    assert told == {text for text in HOSTILE if "\x01" not in text}, (
        "JSON is UTF-8 whatever the option says; FHIR has no control characters"
    )
