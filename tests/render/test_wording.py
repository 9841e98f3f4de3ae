"""The fixed sentences of messages."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta

import pytest

from bridge.model import CodedPad, Flag, ReadBy
from bridge.render.forms import every_pad
from bridge.render.wording import (
    ANALYSIS_TIME_NOTE,
    COMPUTED,
    DEVICES,
    FLAGS,
    METHOD_FREE_BY_EYE,
    METHODS,
    NO_TIME_NOTE,
    PREFACES,
    PRINTED,
    RATIOS,
    SEEN,
    WRITTEN,
    method,
    observed,
    preface,
)
from tests.render.results_for_tests import ANALYZED_AT, normal_result
from tests.render.tables_for_tests import shipped

NOTES = (ANALYSIS_TIME_NOTE, NO_TIME_NOTE, *PREFACES, METHOD_FREE_BY_EYE)


def pads(profile: str, strip: str) -> dict[str, CodedPad]:
    """Give one value of each pad as a profile's strip gives it."""
    return {name: every[-1] for name, every in every_pad(profile, strip, shipped()).items()}


def test_how_a_value_was_come_by_is_said_where_its_code_does_not() -> None:
    """PRODUCT section 6: marked. A strip's code is right by eye and a stopgap for an analyzer; a colour is seen, a ratio computed."""
    wren, heron = pads("wren", "sorrel-14"), pads("heron", "sorrel-14")
    said = {name: (method(pad, pad.forms[0]), preface(pad)) for name, pad in wren.items()}
    assert said["glucose"] == ("", PRINTED)
    assert said["creatinine"] == (METHODS["strip"], PRINTED)
    assert said["colour"] == ("Seen by the analyzer or by eye; the code names no method", PRINTED)
    assert said["albumin_creatinine"] == ("Computed by Padpost from two pads of one test strip", COMPUTED)
    assert said["protein_creatinine"] == (RATIOS["none"], COMPUTED)
    said = {name: (method(pad, pad.forms[0]), preface(pad)) for name, pad in heron.items()}
    assert {said[name] for name in ("glucose", "creatinine", "albumin", "ph")} == {("", WRITTEN)}
    assert said["clarity"] == ("Seen by eye; the code names no method", WRITTEN)
    assert said["albumin_creatinine"] == (RATIOS["strip"], COMPUTED)


def test_a_method_free_code_by_eye_says_so() -> None:
    """Glucose as substance has no strip code that is confirmed, so the method-free one goes, marked; nothing claims an analyzer."""
    glucose = pads("heron", "quill-10")["glucose"]
    assert glucose.read_by is ReadBy.EYE
    assert [(form.code.code, method(glucose, form)) for form in glucose.forms] == [
        ("25428-4", ""),
        ("5792-7", ""),
        ("15076-3", METHOD_FREE_BY_EYE),
    ]


def test_analysis_time_stands_in_only_with_a_note() -> None:
    """Collection time is not analysis time: who reads the message is told."""
    assert observed(normal_result(), "analysis") == (ANALYZED_AT, (ANALYSIS_TIME_NOTE,))
    assert observed(normal_result(), "empty") == (None, (NO_TIME_NOTE,))


@pytest.mark.parametrize("option", ["analysis", "empty"])
def test_a_known_collection_time_needs_no_note(option: str) -> None:
    """Where it is known it is simply said."""
    collected = ANALYZED_AT - timedelta(minutes=20)
    assert observed(replace(normal_result(), collected_at=collected), option) == (collected, ())


def test_the_sentences_fit_every_character_set() -> None:
    """An ASCII destination must take them too."""
    for text in (*NOTES, *METHODS.values(), *SEEN.values(), *RATIOS.values(), *DEVICES.values(), *FLAGS.values()):
        assert text.isascii()
    assert set(FLAGS) == set(Flag)
