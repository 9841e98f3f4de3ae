"""What a site's containers are by default: the careful way."""

from __future__ import annotations

from bridge.model import Severity
from bridge.tables.container_table import ContainerPolicy, ContainerTable
from tests.tables.shipped_tables import ZONE


def test_what_is_not_said_holds_and_what_is_not_there_asks_nothing() -> None:
    """Without a policy no strip is asked; with one and nothing else said, each finding holds the strip."""
    policy = ContainerPolicy(zone=ZONE)
    assert (policy.unknown, policy.expired, policy.open_too_long) == (Severity.HOLD,) * 3
    assert policy.new_lot is None  # what not every laboratory does is asked for only where it is named
    assert (ContainerTable().policy, ContainerTable().open_days, ContainerTable().left_open) == (None, {}, None)
