"""A live destination from the first strip to the first message: nothing leaves before a named person has signed, and all of it after."""

from __future__ import annotations

from pathlib import Path

import httpx
import pytest

from bridge.cli.main import run
from bridge.lifecycle.states import DestinationState
from bridge.model import DeliveryState
from tests.journey.running import Running, play, running

GOOD, OTHER, THIRD = "40700007", "40700015", "40760001"  # Luhn check digits; invented
UNSIGNED = "The tables in use are not signed."


def state_of(bridge: Running, destination: str) -> tuple[DestinationState, str]:
    (row,) = [row for row in bridge.store.destinations() if row.name == destination]
    return row.state, row.reason


def test_nothing_goes_live_before_it_is_signed_and_then_once(tmp_path: Path, capfd: pytest.CaptureFixture[str]) -> None:
    """Two strips wait without a message; the test chart has them; the reason is told everywhere; a signature is all that it takes."""
    with running(tmp_path, mode="P") as bridge:
        bridge.drop("a.txt", bridge.tern(play(1, GOOD), play(2, OTHER)))
        bridge.wait(lambda: bridge.records.filed_reports() == 2)
        bridge.wait(lambda: state_of(bridge, "records")[1].startswith(UNSIGNED))
        assert state_of(bridge, "records")[0] is DestinationState.SHUT
        assert bridge.records.results == {}
        going = [each for row in bridge.store.results() for each in bridge.store.deliveries(row.result_id)]
        waiting = [each for each in going if each.destination == "records"]
        assert [(each.state, each.control_id, each.attempts) for each in waiting] == [(DeliveryState.UNBORN, "", 0)] * 2
        with httpx.Client(trust_env=False, base_url=bridge.url) as client:
            today = client.get("/").text
            assert f"shut, nothing is sent: {UNSIGNED}" in today
            ready = client.get("/health/ready")
            assert (ready.status_code, ready.json()["status"], ready.json()["reasons"]) == (200, "ready", [])
            assert [each["destination"] for each in ready.json()["shut"]] == ["records"]
            assert ready.json()["shut"][0]["reason"].startswith(UNSIGNED)
            assert run(["sign-off", "--config", str(tmp_path / "site.yaml"), "--by", "Ana Prado"]) == 0
            assert "signed by Ana Prado, " in capfd.readouterr().out
            bridge.wait(lambda: len(bridge.records.results) == 2)
            bridge.wait(lambda: state_of(bridge, "records") == (DestinationState.OPEN, ""))
            bridge.wait(lambda: client.get("/health/ready").json()["shut"] == [])
        bridge.drop("b.txt", bridge.tern(play(3, THIRD)))
        bridge.wait(lambda: len(bridge.records.results) == 3)
        assert all(b"|P|2.5.1" in message for message in bridge.records.results.values())
        born = set(bridge.records.results)
    with running(tmp_path, mode="P") as again:
        again.wait(lambda: state_of(again, "records") == (DestinationState.OPEN, ""))
        assert again.records.results == {}
        states = {each.state for row in again.store.results() for each in again.store.deliveries(row.result_id)}
        assert states == {DeliveryState.ACCEPTED}
    assert len(born) == 3
