"""The fixed sentences of messages."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta

import pytest

from bridge.model import Flag
from bridge.render.wording import ANALYSIS_TIME_NOTE, FLAGS, METHODS, NO_TIME_NOTE, PRINTED, observed
from tests.render.results_for_tests import ANALYZED_AT, normal_result


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
    for text in (ANALYSIS_TIME_NOTE, NO_TIME_NOTE, PRINTED, *METHODS.values(), *FLAGS.values()):
        assert text.isascii()
    assert set(FLAGS) == set(Flag)
