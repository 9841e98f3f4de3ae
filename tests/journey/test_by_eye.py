"""A strip read by eye through the real service: the form, a second person, and a record system that shares no code with Padpost."""

from __future__ import annotations

import re
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import httpx

from tests.journey.running import Running, running

SOURCE = "  - {name: eyes, kind: by_eye, analyzer: ward-4, profile: heron}\n"
PATIENT = "40700007"  # invented; the last digit is Luhn's
# Ten pads of the shipped strip type quill-10 with the rank of a step of each
RANKS = {
    "glucose": 0,
    "bilirubin": 0,
    "ketones": 0,
    "specific_gravity": 3,
    "blood": 2,
    "ph": 2,
    "protein": 2,
    "urobilinogen": 0,
    "nitrite": 1,
    "leukocytes": 2,
}
# The method "Test strip" throughout (LOINC 2.82 names, copied with their sources to tests/tables/data/loinc_pads.csv), and what is said of each
CODES = {
    b"25428-4": b"LA6577-6",
    b"5770-3": b"LA6577-6",
    b"2514-8": b"LA6577-6",
    b"5811-5": b"1.016",
    b"5794-3": b"LA11841-6",
    b"5803-2": b"6.4",
    b"20454-5": b"LA11841-6",
    b"5818-0": b"LA6626-1",
    b"5802-4": b"LA6576-8",
    b"5799-2": b"LA11841-6",
}


@contextmanager
def browser(bridge: Running) -> Iterator[httpx.Client]:
    """Give a client that sends forms as a page of ours does."""
    with httpx.Client(base_url=bridge.url, trust_env=False, timeout=20, headers={"origin": bridge.url}) as client:
        yield client


def token(client: httpx.Client, path: str) -> str:
    found = re.search(r'name="token" value="([0-9a-f]{64})"', client.get(path).text)
    assert found
    return found[1]


def entered(client: httpx.Client, **more: str) -> httpx.Response:
    """Enter a strip of ten pads as Ana."""
    path = "/enter/eye/eyes"
    fields = {
        "token": token(client, f"{path}?strip_type=ten"),
        "number": "1",
        "strip_type": "ten",
        "purpose": "ward",
        "strip_lot": "22D31",
        "operator": "R4",
        "patient_id": PATIENT,
        "patient_again": PATIENT,
        "specimen_id": "U26-0419",
        "specimen_again": "U26-0419",
        "name": "Ana",
        **{f"pad.{pad}": str(rank) for pad, rank in RANKS.items()},
        **more,
    }
    return client.post(path, data=fields)


def test_a_strip_read_by_eye_reaches_the_record_once_two_have_looked(tmp_path: Path) -> None:
    """Codes of the visual method alone; the report says read by eye and by whom; the person who read it cannot release it."""
    with running(tmp_path, sources=SOURCE) as bridge, browser(bridge) as client:
        first = entered(client)
        assert first.status_code == 303, first.text
        again = entered(client)  # the same form sent twice
        assert again.headers["location"] == first.headers["location"]
        (stop,) = bridge.wait(bridge.store.stops)
        assert stop.rule == "entry.unconfirmed"
        assert stop.releasable
        assert "waits for a second person" in client.get(first.headers["location"]).text
        release = {"token": token(client, f"/rejected/{stop.stop_id}"), "name": " ana", "reason": "compared"}
        assert client.post(f"/rejected/{stop.stop_id}/release", data=release).status_code == 409
        assert bridge.records.results == {}
        assert client.post(f"/rejected/{stop.stop_id}/release", data={**release, "name": "Ben"}).status_code == 303
        (message,) = bridge.wait(bridge.records.results.values)
    codes = dict(re.findall(rb"\rOBX\|\d+\|\w+\|([0-9-]+)\^[^|]*\|\|([^|^]*)", message))
    assert codes == CODES
    assert b"\rNTE|2|L|Read by eye and entered by Ana, compared by Ben.\r" in message
    assert re.search(rb"\rOBR\|1\|\|[^|]*\|24357-6\^", message)
