"""What the rules say of the container that a patient's strip is from."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import pytest

from bridge.check.containers import Asked, container_right
from bridge.model import Severity
from bridge.tables.container_table import ContainerTable
from tests.bench.containers_for_tests import compiled, container
from tests.tables.shipped_tables import ZONE

OPENED = datetime(2026, 11, 25, 9, 0, tzinfo=UTC)
TABLE = compiled()


def asked(read_at: datetime, lot: str = "24A01") -> Asked:
    """Give a strip of the analyzer bench-a."""
    return Asked(analyzer="bench-a", strip_type="quill-10", strip_lot=lot, read_at=read_at)


def rules(read_at: datetime, *containers: object, table: ContainerTable = TABLE) -> list[tuple[str, Severity]]:
    """Give what is found, without its words."""
    found = container_right(containers, table, asked(read_at))  # type: ignore[arg-type] # containers, of tests' making
    return [(each.rule, each.severity) for each in found]


def test_the_last_day_ends_at_midnight_of_the_sites_clock() -> None:
    """HZ-C03: expired strips. The boundary is local midnight: summer time counts (31 March 2027 ends at 23:00 UTC)."""
    end = datetime(2027, 4, 1, 0, 0, tzinfo=ZONE)
    opened = container(end - timedelta(days=20))
    assert rules(end - timedelta(microseconds=1), opened) == []
    assert rules(end, opened) == [("container.expired", Severity.HOLD)]
    assert end.astimezone(UTC) == datetime(2027, 3, 31, 23, 0, tzinfo=UTC)
    (found,) = container_right((opened,), TABLE, asked(end))
    assert found.sentence == "Lot 24A01 may be used to 2027-03-31; this strip was read on 2027-04-01."
    assert found.releasable is False


def test_a_container_is_open_for_so_many_days() -> None:
    """HZ-C04, its first part: the opened life of 90 days ends at midnight too, and a person may release what is sound."""
    opened = container(OPENED)
    assert rules(datetime(2027, 2, 23, 23, 59, tzinfo=ZONE), opened) == []
    assert rules(datetime(2027, 2, 24, 0, 0, tzinfo=ZONE), opened) == [("container.open_too_long", Severity.HOLD)]
    (found,) = container_right((opened,), TABLE, asked(datetime(2027, 2, 24, 0, 0, tzinfo=ZONE)))
    assert found.sentence == (
        "The container of lot 24A01 was opened on 2026-11-25 and may be used to 2027-02-23; this strip was read on 2027-02-24."
    )
    assert found.releasable is True
    assert rules(datetime(2027, 2, 24, tzinfo=ZONE), opened, table=compiled(open_days=[])) == []


def test_a_lot_that_nobody_entered_is_held() -> None:
    """HZ-C02: the first strip of a container that is not entered, or whose lot the analyzer still has from the one before."""
    (found,) = container_right((container(OPENED, strip_lot="24B07"),), TABLE, asked(OPENED))
    assert (found.rule, found.releasable) == ("container.unknown", True)
    assert found.sentence == "No container of lot 24A01 is entered for bench-a."
    (none,) = container_right((), TABLE, asked(OPENED, lot=""))
    assert none.sentence == "No container of strips is entered for bench-a."


def test_a_container_that_is_out_of_use_is_told_with_the_time() -> None:
    """Whoever looks sees at what time no container was in use."""
    ended = container(OPENED, closed_at=OPENED + timedelta(hours=2))
    (found,) = container_right((ended,), TABLE, asked(OPENED + timedelta(hours=3)))
    assert found.sentence == (
        "No container of lot 24A01 that is entered for bench-a was in use on 2026-11-25 at 12:00, when this strip was read."
    )


@pytest.mark.parametrize("key", ["unknown", "expired", "open_too_long"])
def test_each_finding_may_be_a_note(key: str) -> None:
    """The laboratory's word, one by one; what it does not name still holds."""
    table = compiled(findings={key: "note"})
    opened = container(OPENED)
    found = {
        "unknown": rules(OPENED, table=table),
        "open_too_long": rules(datetime(2027, 3, 1, tzinfo=UTC), opened, table=table),
        "expired": rules(datetime(2027, 5, 1, tzinfo=UTC), opened, table=table),
    }
    assert found == {name: [(f"container.{name}", Severity.NOTE if name == key else Severity.HOLD)] for name in found}


def test_expired_is_told_before_open_for_too_long() -> None:
    """Of two that are wrong the graver one speaks."""
    assert rules(datetime(2027, 6, 1, tzinfo=UTC), container(OPENED)) == [("container.expired", Severity.HOLD)]


def test_a_new_lot_is_held_only_where_the_site_says_so() -> None:
    """HZ-C05: a lot that nobody accepted; it is told beside what else is wrong, so that whoever releases the one sees the other."""
    table = compiled(findings={"new_lot": "hold"})
    opened, accepted = container(OPENED), container(OPENED, is_accepted=True)
    assert rules(OPENED, opened) == []
    assert rules(OPENED, opened, table=table) == [("container.new_lot", Severity.HOLD)]
    assert rules(OPENED, accepted, table=table) == []
    assert rules(OPENED, opened, table=compiled(findings={"new_lot": "note"})) == [("container.new_lot", Severity.NOTE)]
    assert [rule for rule, _ in rules(datetime(2027, 3, 1, tzinfo=UTC), opened, table=table)] == [
        "container.open_too_long",
        "container.new_lot",
    ]
    (found,) = container_right((opened,), table, asked(OPENED))
    assert (found.sentence, found.releasable) == ("Nobody has accepted lot 24A01 yet.", True)


def test_without_a_policy_no_container_is_asked_for() -> None:
    """As before: results go."""
    assert rules(OPENED, table=ContainerTable()) == []
    assert container_right(None, TABLE, asked(OPENED)) == ()
