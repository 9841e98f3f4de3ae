"""Colour, clarity and specimen type added by hand, through the real service: files in, a record system that shares no code with it, a person at the pages."""

from __future__ import annotations

import re
import sqlite3
import time
from contextlib import ExitStack, closing
from pathlib import Path

import httpx

from bridge.demo.printers import framed, printed
from bridge.demo.scenario import patient
from bridge.store.sqlite import FILE
from tests.faults.served import Served
from tests.journey.running import Running, play, running
from tests.journey.test_by_eye import browser, token
from tests.journey.test_controls import BOUND_S, RECEIVER
from tests.peers.mllp_receiver import MllpReceiver
from tests.tables.shipped_tables import tables

SOURCE = """\
  - {{name: bay, kind: folder, path: bay, analyzer: bench-d, profile: tern, complete: rename, sweep_s: 0.1,
     additions: {{ask: [colour, clarity, specimen_type], wait_minutes: 30, then: {then}}}}}
"""
LATER, OTHER, URGENT = patient(2), patient(3), patient(4)
WAITED = patient(1)


PROFILE = tables().profiles["tern"]


def waits(file: Path) -> int:
    """Count what waits in the store of a running service."""
    with closing(sqlite3.connect(f"file:{file}?mode=ro", uri=True)) as reader:
        return int(reader.execute("SELECT count(*) FROM additions_awaited WHERE state = 'open'").fetchone()[0])


def filed(bridge: Running) -> list[str]:
    """Give the patients whose results the record system filed, in its order (PID-3 of each message)."""
    found = (re.search(rb"\rPID\|[^|]*\|[^|]*\|(\d+)", payload) for payload in bridge.records.results.values())
    return [each[1].decode() for each in found if each]


def named(identifier: str) -> str:
    """Give the name by which the record system files a resource."""
    return f"urn:example:results|{identifier}"


def add(client: httpx.Client, path: str, **more: str) -> httpx.Response:
    """Add yellow, clear and a catheter's specimen as Ana."""
    fields = {"colour": "yellow", "clarity": "clear", "specimen_type": "catheter", "name": "Ana"}
    return client.post(path, data={"token": token(client, path), **fields, **more})


def test_a_result_waits_for_what_a_person_adds_and_keeps_its_place(tmp_path: Path) -> None:
    """What was seen goes with its codes, the specimen's type in SPM-4 and the resource, and the person's name; nobody overtakes, and others go.

    HZ-B04, HZ-H12.
    """
    (tmp_path / "bay").mkdir()
    with running(tmp_path, sources=SOURCE.format(then="send")) as bridge, browser(bridge) as client:
        bridge.drop("one", bridge.tern(play(1, WAITED)), folder="bay")
        (row,) = bridge.wait(bridge.store.awaited)
        bridge.drop("two", bridge.tern(play(901, WAITED, word="Rotina", ranks={"glucose": 2})))
        bridge.drop("three", bridge.tern(play(902, OTHER)))
        bridge.wait(lambda: OTHER in filed(bridge))
        bridge.wait(lambda: len(bridge.store.results(limit=9)) == 3)
        assert filed(bridge) == [OTHER]
        found = client.post("/to-add/find", data={"token": token(client, "/to-add"), "text": WAITED})
        path = f"/to-add/{row.awaited_id}"
        assert (found.status_code, found.headers["location"]) == (303, path)
        assert "1 result" in client.get("/").text
        left = add(client, path, colour="")
        assert (left.status_code, "Choose one for each" in left.text) == (409, True)
        assert add(client, path).status_code == 303
        bridge.wait(lambda: filed(bridge) == [OTHER, WAITED, WAITED])
        again = client.post(
            path,
            data={"token": token(client, "/to-add"), "colour": "red", "clarity": "clear", "specimen_type": "-", "name": "Ben"},
        )
        assert (again.status_code, "Ana has added to this strip already" in again.text) == (409, True)
        first = list(bridge.records.results.values())[1]
        bridge.wait(lambda: ("Specimen", named(f"{row.result_id}.specimen")) in bridge.records.resources)
        resources = dict(bridge.records.resources)
    seen = re.findall(rb"\rOBX\|\d+\|CWE\|(5778-6|32167-9)\^[^|]*\|\|([^|]*)\|", first)
    assert seen == [(b"5778-6", b"PP-COL-Y^Yellow^L^^^^^^Yellow"), (b"32167-9", b"PP-CLA-0^Clear^L^^^^^^Clear")]
    assert b"|URT^Urine catheter^HL70487|" in first
    assert b"|L|Added by hand by Ana: colour, clarity and specimen type.\r" in first
    assert b"Seen by eye; the code names no method" in first
    assert b"URC" not in first
    (kind,) = resources["Specimen", named(f"{row.result_id}.specimen")]["type"]["coding"]
    assert kind == {"system": "http://terminology.hl7.org/CodeSystem/v2-0487", "code": "URT", "display": "Urine catheter"}
    colour = resources["Observation", named(f"{row.result_id}-colour")]
    assert colour["code"]["coding"][0]["code"] == "5778-6"
    assert colour["valueCodeableConcept"]["text"] == "Yellow"


def test_an_urgent_one_does_not_wait_and_hurries_what_it_stands_behind(tmp_path: Path) -> None:
    """STAT goes at once without; the patient's earlier result goes before it, also without. HZ-H12."""
    (tmp_path / "bay").mkdir()
    with running(tmp_path, sources=SOURCE.format(then="hold")) as bridge:
        bridge.drop("one", bridge.tern(play(1, URGENT)), folder="bay")
        bridge.wait(bridge.store.awaited)
        bridge.drop("two", bridge.tern(play(2, OTHER, word="Urgente")), folder="bay")
        bridge.wait(lambda: filed(bridge) == [OTHER])
        bridge.drop("three", bridge.tern(play(903, URGENT, word="Urgente", ranks={"glucose": 2})))
        bridge.wait(lambda: filed(bridge) == [OTHER, URGENT])
        (stop,) = bridge.wait(bridge.store.stops)
        assert (stop.rule, stop.number, stop.releasable) == ("addition.missing", "1", True)
        with browser(bridge) as client:
            assert add(client, f"/to-add/held/{stop.stop_id}").status_code == 303
        bridge.wait(lambda: filed(bridge) == [OTHER, URGENT, URGENT])
        assert b"5778-6" in list(bridge.records.results.values())[-1]


def test_a_kill_changes_nothing_of_the_wait_and_its_end(tmp_path: Path) -> None:
    """The service is killed while a result waits. It waits on; once the time that stands in the store is over, it goes without. HZ-H09."""
    (tmp_path / "bay").mkdir()
    with ExitStack() as stack:
        records = stack.enter_context(MllpReceiver())
        served = Served(
            tmp_path,
            data=tmp_path / "store",
            sources=SOURCE.format(then="send"),
            destinations=RECEIVER.format(name="records", port=records.port, more=""),
        )
        stack.callback(served.end)
        served.start()
        served.wait_ready()
        (tmp_path / "bay" / "one.part").write_bytes(framed(printed([play(1, WAITED)], PROFILE, tables()), PROFILE))
        (tmp_path / "bay" / "one.part").rename(tmp_path / "bay" / "one")
        until = time.monotonic() + BOUND_S
        while waits(tmp_path / "store" / FILE) == 0:
            assert time.monotonic() < until, "nothing waits"
            time.sleep(0.05)
        served.kill()
        with closing(sqlite3.connect(tmp_path / "store" / FILE)) as file, file:
            file.execute("UPDATE additions_awaited SET due_at = '2026-01-01T00:00:00.000000Z'")
        assert records.durable == []
        served.start()
        records.wait_for_durable(1, BOUND_S)
        served.wait_ready()
        served.stop()
        assert b"5778-6" not in records.durable[0]
