"""A test message and the same strip sent live, through the whole bridge: the test reaches no record, and hides nobody's strip."""

from __future__ import annotations

from pathlib import Path

import pytest

from bridge.demo.scenario import patient
from bridge.model import Purpose
from tests.journey.layouts import as_hl7
from tests.journey.running import Running, play, running

SOURCE = "  - {name: hl7-files, kind: folder, path: hl7, analyzer: bench-h, profile: dipper, complete: rename, sweep_s: 0.1}\n"


def _outcomes(bridge: Running, count: int) -> list[tuple[str, Purpose, str]]:
    """Wait until ``count`` strips are judged; give their outcome, purpose and rule, in the order of arrival."""

    def found() -> list[tuple[str, Purpose, str]]:
        strips = [strip for strip in bridge.store.strips(limit=50) if strip.analyzer == "bench-h"]
        return [(strip.outcome, strip.purpose, strip.findings[0][0] if strip.findings else "") for strip in reversed(strips)]

    return list(bridge.wait(lambda: (said := found()) and len(said) >= count and said))


@pytest.mark.parametrize(
    ("more", "test"),
    [
        ("", ("rejected", Purpose.PATIENT, "message.processing_id")),
        ("checks: {test_messages: training}\n", ("non_patient", Purpose.TRAINING, "")),
    ],
)
def test_a_test_then_the_same_strip_live(tmp_path: Path, more: str, test: tuple[str, Purpose, str]) -> None:
    """Out of a folder, where nobody hears an answer: stopped or kept for training, and the live one goes to both receivers once."""
    (tmp_path / "hl7").mkdir()
    with running(tmp_path, sources=SOURCE, more=more) as bridge:
        strip = play(5, patient(5), word="N", strip_type="quill-10")
        live = as_hl7(strip, bridge.bridge.tables)
        bridge.drop("test.hl7", live.replace(b"|D1|P|", b"|D0|T|"), folder="hl7")
        assert _outcomes(bridge, 1) == [test]
        bridge.drop("live.hl7", live, folder="hl7")
        assert _outcomes(bridge, 2) == [test, ("coded", Purpose.PATIENT, "")]
        bridge.wait(lambda: len(bridge.records.results) == 1 and bridge.records.filed_reports() == 1)
        assert len(bridge.store.results(limit=10)) == 1
