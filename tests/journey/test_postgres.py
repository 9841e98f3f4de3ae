"""The whole bridge with its store on a PostgreSQL server, which goes away in the middle of the morning."""

from __future__ import annotations

from pathlib import Path

import httpx

from bridge.pages.today import STORE_AWAY
from tests.journey.running import Running, play, running
from tests.peers.postgres import PostgresServer

GOOD, OTHER, THIRD = "40700007", "40700015", "40700031"  # Luhn check digits; invented


def delivered(bridge: Running) -> list[tuple[str, set[str]]]:
    """Give patient and states of every result, oldest first."""
    return [(row.patient_id, {state for _, state in row.states}) for row in reversed(bridge.store.results())]


def test_a_morning_survives_a_restart_and_a_crash_of_the_server(own: PostgresServer, tmp_path: Path) -> None:
    """Files dropped while the server is away stay where they are and are taken by themselves; each result is filed once, in order."""
    with running(tmp_path, more=f"database: {{url: '{own.url()}'}}\n") as bridge:
        bridge.drop("a.txt", bridge.tern(play(1, GOOD)))
        bridge.wait(lambda: delivered(bridge) == [(GOOD, {"accepted"})])
        own.stop()
        bridge.drop("b.txt", bridge.tern(play(2, OTHER)))
        bridge.wait(lambda: bridge.store.away)
        ready = httpx.get(f"{bridge.url}/health/ready")
        assert ready.status_code == 503
        assert [reason.startswith(STORE_AWAY) for reason in ready.json()["reasons"]] == [True]
        page = httpx.get(bridge.url)
        assert (page.status_code, "The database does not answer" in page.text) == (503, True)
        assert (tmp_path / "drops" / "b.txt").exists()
        own.start()
        bridge.wait(lambda: not bridge.store.away and len(delivered(bridge)) == 2)
        own.kill()
        bridge.drop("c.txt", bridge.tern(play(3, THIRD)))
        bridge.wait(lambda: bridge.store.away)
        own.start()
        bridge.wait(lambda: not bridge.store.away)
        bridge.wait(lambda: delivered(bridge) == [(patient, {"accepted"}) for patient in (GOOD, OTHER, THIRD)])
        assert (len(bridge.records.results), bridge.records.filed_reports()) == (3, 3)
        bridge.wait(lambda: not bridge.bridge.service.fault)
    with running(tmp_path, more=f"database: {{url: '{own.url()}'}}\n") as bridge:
        assert delivered(bridge) == [(patient, {"accepted"}) for patient in (GOOD, OTHER, THIRD)]
        assert not (tmp_path / "store").exists()
