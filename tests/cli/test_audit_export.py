"""``padpost audit export``: both forms of one trail, whole, oldest first, by days of the site, and nothing that a spreadsheet computes."""

from __future__ import annotations

import csv
import json
from pathlib import Path

import pytest

from bridge import clock
from bridge.model import Actor
from bridge.store import reads_audit
from bridge.store.commands import NoteSights, Sight
from bridge.store.sqlite import SqliteStore
from tests.cli.commands import SITE, here, site
from tests.store.chained import morning
from tests.store.strips import WAIT, later

DAY_MIN = 24 * 60


def _filled(tmp_path: Path) -> int:
    """Write three days; give how many events there are."""
    store = SqliteStore(tmp_path / "store", now=clock.now)
    morning(store)
    for day in (1, 2):
        sight = Sight(
            at=later(day * DAY_MIN), actor=Actor(name="=cmd()", verified="unverified"), page="result", subject="strip:1", address="from 192.0.2.7"
        )  # fmt: skip
        store.submit(NoteSights(sights=(sight,))).result(WAIT)
    count = int(store._db().execute("SELECT count(*) FROM events").fetchone()[0])
    store.close()
    return count


def test_both_forms_hold_every_event_in_order(
    tmp_path: Path, capfd: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    """HZ-J01, HZ-J02: the standard library's own reader takes the table apart; read in small pieces nothing is left out."""
    monkeypatch.setattr(reads_audit, "READ_AT_ONCE", 3)
    count = _filled(tmp_path)
    config = site(tmp_path, SITE)
    status, output, _ = here("audit", "export", "--config", config, capfd=capfd)
    assert status == 0
    table = list(csv.reader(output.splitlines()))
    assert table[0] == ["event", "at", "who", "verified", "what", "of", "before", "after", "why, from where"]
    assert len(table) == count + 1
    assert table[-1][2:] == ["'=cmd()", "unverified", "seen", "strip:1", "", "result", "from 192.0.2.7"]
    assert [int(line[0]) for line in table[1:]] == sorted(int(line[0]) for line in table[1:])
    status, output, _ = here("audit", "export", "--config", config, "--as", "fhir", capfd=capfd)
    events = [json.loads(line) for line in output.splitlines()]
    assert [event["id"] for event in events] == [f"event-{line[0]}" for line in table[1:]]
    assert {event["resourceType"] for event in events} == {"AuditEvent"}


def test_days_bound_it_and_a_file_is_never_written_over(tmp_path: Path, capfd: pytest.CaptureFixture[str]) -> None:
    """Both days included; the file is the owner's alone."""
    _filled(tmp_path)
    config, out = site(tmp_path, SITE), tmp_path / "trail.csv"
    asked = ("audit", "export", "--config", config, "--from", "2026-11-26", "--until", "2026-11-26", "--out", str(out))
    assert here(*asked, capfd=capfd) == (0, "", "")
    assert [line[4] for line in csv.reader(out.read_text(encoding="utf-8").splitlines())] == ["what", "seen"]
    assert out.stat().st_mode & 0o777 == 0o600
    status, _, said = here(*asked, capfd=capfd)
    assert (status, "is there already." in said) == (2, True)


@pytest.mark.parametrize(
    ("more", "told"),
    [
        (("--as", "xml"), "xml is no form of the audit trail."),
        (("--from", "yesterday"), "yesterday is no day."),
        (("--out", "/proc/none/x.csv"), "cannot be written"),
    ],
)
def test_what_cannot_be_is_told(tmp_path: Path, capfd: pytest.CaptureFixture[str], more: tuple[str, ...], told: str) -> None:
    """With the remedy, and nothing is written."""
    _filled(tmp_path)
    status, output, said = here("audit", "export", "--config", site(tmp_path, SITE), *more, capfd=capfd)
    assert (status, output) == (2, "")
    assert told in said
