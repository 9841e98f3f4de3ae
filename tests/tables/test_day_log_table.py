"""What a site's day log is by default."""

from __future__ import annotations

import json
from dataclasses import replace
from fractions import Fraction
from pathlib import Path

import pytest
import yaml

from bridge.bench.day_log import Degrees, celsius
from bridge.errors import SettingsError
from bridge.settings import read_settings, shipped_mappings
from bridge.site import load_tables, policy_of
from bridge.tables.day_log_table import DayItem, DayLogRule, Undone
from tests.settings.site_files import GOOD, write
from tests.tables.shipped_tables import POLICY, ZONE, tables


def test_the_limits_are_those_that_inserts_state() -> None:
    """15 to 30 °C is 59 to 86 °F: common practice, no source. Nothing is held before the site says so."""
    rule = DayLogRule(zone=ZONE, due=())
    assert (celsius("59", Degrees.FAHRENHEIT), celsius("86", Degrees.FAHRENHEIT)) == (Fraction(rule.low_c), Fraction(rule.high_c))
    assert rule.undone is Undone.LIST


def test_a_site_says_what_is_due(tmp_path: Path) -> None:
    """Left out nothing is due; said without more, the three that make a morning's check."""
    assert policy_of(read_settings(write(tmp_path, GOOD))).day_log is None
    plain = yaml.safe_load(GOOD)
    for said, due in (
        ({}, ("cleaning", "reference", "temperature")),
        ({"due": ["paper", "paper"], "undone": "hold"}, ("paper",)),
    ):
        rule = policy_of(read_settings(write(tmp_path, yaml.safe_dump({**plain, "checks": {"day_log": said}})))).day_log
        assert rule is not None
        assert rule.due == tuple(DayItem(each) for each in due)
        assert rule.undone == said.get("undone", "list")
    with pytest.raises(SettingsError, match="no room would be right"):
        read_settings(write(tmp_path, yaml.safe_dump({**plain, "checks": {"day_log": {"low_c": 30, "high_c": 15}}})))


def test_tables_of_a_site_without_a_log_are_what_they_were() -> None:
    """A site that signed its tables keeps them; one that holds strips for its log has other tables."""
    assert b"day_log" not in tables().canonical
    rule = DayLogRule(zone=ZONE, due=(DayItem.CLEANING,), undone=Undone.HOLD)
    policies = [replace(POLICY, day_log=each) for each in (None, rule, replace(rule, undone=Undone.NOTE))]
    made = [load_tables(shipped_mappings(), None, each, zone=ZONE) for each in policies]
    assert made[0].digest == tables().digest
    assert len({each.digest for each in made}) == 3
    told = {"due": ["cleaning"], "low_c": 15, "high_c": 30, "undone": "hold"}
    assert json.loads(made[1].canonical)["policy"]["day_log"] == told
