"""A slip typed in while a line was down, through the real service: closed gap, codes of a reader, and one result whatever comes later."""

from __future__ import annotations

import re
from datetime import timedelta
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

import httpx
import pytest

from bridge import clock
from bridge.bench.entry import printed_ladders
from bridge.demo.printers import Play
from bridge.desk.numbers import missing_numbers
from tests.journey.running import Running, running
from tests.journey.test_by_eye import browser, token

IDS = {1: "40700007", 2: "40700015", 3: "40700023"}  # invented; the last digit is Luhn's
ZONE = ZoneInfo("Europe/Lisbon")


def play(number: int, **more: Any) -> Play:
    """Give a strip of brook's, read some minutes ago; the later its number, the later."""
    at = (clock.now().astimezone(ZONE) - timedelta(minutes=20 - number)).replace(second=12, microsecond=0)
    return Play(
        **{"number": number, "at": at, "patient_id": IDS[number], "word": "N", "strip_type": "quill-10", "lot": "24A01", **more}
    )


def typed(bridge: Running, client: httpx.Client, slip: Play) -> httpx.Response:
    """Type a slip in as Ana, all values as the analyzer prints the lowest step."""
    profile = bridge.bridge.tables.profiles["brook"]
    printed_type = next(printed for printed, name in profile.strip_types.items() if name == slip.strip_type)
    pads = printed_ladders(profile, printed_type, bridge.bridge.tables)
    path = "/enter/slip/line-files"
    fields = {
        "token": token(client, f"{path}?strip_type={printed_type}"),
        "strip_type": printed_type,
        "number": f"N{slip.number:05d}",
        "printed_at": f"{slip.at:%Y-%m-%dT%H:%M}",
        "patient_id": slip.patient_id,
        "patient_again": slip.patient_id,
        "strip_lot": "24A01",
        "operator": "",
        "name": "Ana",
        **{f"pad.{pad.pad}": pad.choices[0].text for pad in pads},
    }
    return client.post(path, data=fields)


def released(client: httpx.Client, stop_id: int, name: str) -> httpx.Response:
    fields = {"token": token(client, f"/rejected/{stop_id}"), "name": name, "reason": "compared with the slip"}
    return client.post(f"/rejected/{stop_id}/release", data=fields)


def filed(bridge: Running) -> list[str]:
    found = (re.search(rb"\rPID\|[^|]*\|[^|]*\|(\d+)", payload) for payload in bridge.records.results.values())
    return [each[1].decode() for each in found if each]


@pytest.mark.parametrize("differs", [False, True])
def test_a_slip_closes_its_number_and_never_becomes_two_results(tmp_path: Path, differs: bool) -> None:
    """HZ-I06: typed as well as posted: what comes later is a copy, or is held beside it and cannot go while the typed result stands."""
    plays = {number: play(number) for number in IDS}
    with running(tmp_path) as bridge, browser(bridge) as client:
        profile = bridge.bridge.tables.profiles["brook"]

        def gaps() -> int:
            return sum(gap.count for gap in missing_numbers(bridge.store, {"bench-a": profile.numbers}, now=clock.now()))

        bridge.drop("a.txt", bridge.brook(plays[1]), "line")
        bridge.drop("c.txt", bridge.brook(plays[3]), "line")
        bridge.wait(lambda: len(filed(bridge)) == 2)
        assert gaps() == 1
        assert typed(bridge, client, plays[2]).status_code == 303
        (stop,) = bridge.wait(bridge.store.stops)
        assert (stop.rule, gaps()) == ("entry.unconfirmed", 0)
        assert released(client, stop.stop_id, "Ana").status_code == 409
        assert released(client, stop.stop_id, "Ben").status_code == 303
        bridge.wait(lambda: len(filed(bridge)) == 3)
        (message,) = (each for each in bridge.records.results.values() if IDS[2].encode() in each)
        assert b"Typed in from the analyzer's slip by Ana, compared by Ben." in message
        assert b"^Glucose [Presence] in Urine by Automated test strip^LN" in message
        later = play(2, at=plays[2].at, ranks={"glucose": 3} if differs else {})
        bridge.drop("b.txt", bridge.brook(later), "line")
        if differs:
            (held,) = bridge.wait(bridge.store.stops)
            assert held.rule == "copy.conflict"
            page = client.get(f"/rejected/{held.stop_id}").text
            assert "Strip 2 as it came before" in page
            refused = released(client, held.stop_id, "Ben")
            assert refused.status_code == 409
            assert "withdraw the other result first" in refused.text
        else:
            bridge.wait(lambda: bridge.store.strips(outcome="copy"))
            assert bridge.store.stops() == ()
        assert filed(bridge).count(IDS[2]) == 1
