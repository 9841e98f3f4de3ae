"""The site's word on signals."""

from __future__ import annotations

from datetime import time
from pathlib import Path

import pytest

from bridge.errors import SettingsError
from bridge.settings.signals import DAYS, Signals
from tests.site_for_tests import site

HEAD = "checks: {"


def read(folder: Path, signals: str) -> Signals:
    """Read a site with these signals."""
    return site(folder, HEAD, f"signals: {{{signals}}}\n{HEAD}").signals


def test_a_site_that_says_nothing_has_signals_on_its_pages(tmp_path: Path) -> None:
    """The defaults are those of the documentation; no analyzer is held to be silent where no opening hours are told."""
    signals = read(tmp_path, "")
    assert (signals.opening, signals.stat_minutes, signals.repeat_minutes, signals.acknowledged_hours) == ((), 10, 60, 4)


def test_opening_hours_are_local_times_on_days(tmp_path: Path) -> None:
    """Times are quoted: YAML reads 07:00 as a number of minutes."""
    (opening,) = read(tmp_path, 'opening: [{start: "07:00", end: "19:30"}]').opening
    assert (opening.days, opening.start, opening.end) == (DAYS, time(7), time(19, 30))
    (opening,) = read(tmp_path, 'opening: [{days: [sat], start: "08:00", end: "12:00"}]').opening
    assert opening.days == ("sat",)


@pytest.mark.parametrize(
    ("signals", "key"),
    [
        ("repeat_minutes: 4", "signals"),
        ("stat_minutes: 0", "signals.stat_minutes"),
        ('opening: [{days: [sunday], start: "07:00", end: "19:00"}]', "signals.opening[0].days[0]"),
        ('opening: [{start: "07:61", end: "19:00"}]', "signals.opening[0].start"),
    ],
)
def test_what_cannot_be_meant_is_told_with_its_key(tmp_path: Path, signals: str, key: str) -> None:
    """An error names file, line and key."""
    with pytest.raises(SettingsError) as wrong:
        read(tmp_path, signals)
    assert wrong.value.spot is not None
    assert wrong.value.spot.key == key
