"""The same strip arriving by two ways is one result: one analyzer, two layouts, whichever comes first.

"The same" is what the strip says once understood: number, mode, patient, lot, and the step of each pad. How it was written differs.
"""

from __future__ import annotations

import os
import socket
import threading
import tty
from collections.abc import Iterator
from dataclasses import replace
from datetime import timedelta
from typing import Any

import httpx
import pytest

from bridge.demo.printers import Play, framed, printed
from bridge.demo.scenario import patient
from bridge.lifecycle.states import StopGroup
from bridge.model import DeliveryState
from bridge.receive.mllp_listener import MllpReceiver
from bridge.store.api import Store
from tests.journey.layouts import as_hl7, as_json, records
from tests.journey.running import Running, play, running
from tests.receive.independent_sender import IndependentSender

KEY = "two-ways-0123456789-0123456789"
SOURCES = """\
  - {{name: serial, kind: serial, port: {port}, link: lis01, analyzer: bench-a, profile: brook}}
  - {{name: export, kind: folder, path: export, analyzer: bench-d, profile: brook-file, complete: rename, sweep_s: 0.1}}
  - {{name: network, kind: mllp, port: 0, analyzer: bench-a, profile: dipper}}
  - {{name: computer, kind: http, analyzer: bench-a, profile: lark, key: {{env: KEY_COMPUTER}}, idempotency: optional}}
  - {{name: copies, kind: http, analyzer: bench-d, profile: brook-file, key: {{env: KEY_COPIES}}, content_types: [text/plain]}}
"""


class Site:
    """A running bridge with an analyzer on a serial line, on the network and behind a computer."""

    def __init__(self, bridge: Running, master: int) -> None:
        self.bridge = bridge
        self.tables = bridge.bridge.tables
        self._master = master

    def serial(self, strip: Play) -> None:
        text = [line + b"\r" for line in records(strip, self.tables).split(b"\r")[:-1]]
        assert IndependentSender(self._master, patience_s=30).send(text)

    def network(self, strip: Play, control_id: str = "D1") -> bytes:
        receiver = self.bridge.bridge.sources["network"]
        assert isinstance(receiver, MllpReceiver)
        assert receiver.address is not None
        with socket.create_connection(receiver.address, timeout=30) as instrument:
            instrument.sendall(b"\x0b" + as_hl7(strip, self.tables, control_id=control_id) + b"\x1c\r")
            heard = b""
            while not heard.endswith(b"\x1c\r"):
                heard += instrument.recv(4_096)
        return heard

    def computer(self, strip: Play) -> None:
        headers = {"authorization": f"Bearer {KEY}1", "content-type": "application/json"}
        answer = httpx.post(f"{self.bridge.url}/api/readings", content=as_json(strip, self.tables), headers=headers, timeout=30)
        assert answer.status_code == 202, answer.text

    def export(self, strip: Play) -> bytes:
        profile = self.tables.profiles["brook-file"]
        return framed(printed([strip], profile, self.tables), profile)

    def outcomes(self, number: int, count: int) -> list[str]:
        """Wait until ``count`` strips of a number are judged; give what became of them, in the order of arrival."""

        def found() -> list[str]:
            strips = [strip for strip in self.store.strips(limit=500) if strip.number.lstrip("N0") == str(number)]
            return [strip.outcome for strip in reversed(strips)]

        return list(self.bridge.wait(lambda: (said := found()) and len(said) >= count and said))

    def filed(self, *numbers: int) -> bool:
        """Wait until each of these numbers is one result that both receivers have; say whether none is two."""
        results = self.bridge.wait(
            lambda: (
                (rows := [row for row in self.store.results(limit=500) if int(row.number) in numbers])
                and all(state is DeliveryState.ACCEPTED for row in rows for _, state in row.states)
                and rows
            )
        )
        return sorted(int(row.number) for row in results) == sorted(numbers)

    @property
    def store(self) -> Store:
        return self.bridge.store


@pytest.fixture(scope="module")
def site(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Site]:
    """Give one site for all tests here; each has strip numbers and patients of its own."""
    home = tmp_path_factory.mktemp("ways")
    (home / "export").mkdir()
    master, slave = os.openpty()
    tty.setraw(master)
    tty.setraw(slave)
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("KEY_COMPUTER", f"{KEY}1")
        patch.setenv("KEY_COPIES", f"{KEY}2")
        try:
            with running(home, sources=SOURCES.format(port=os.ttyname(slave))) as bridge:
                bridge.wait(lambda: all(bridge.bridge.sources[name].opened.is_set() for name in ("serial", "network")))  # type: ignore[attr-defined]  # both are receivers
                yield Site(bridge, master)
        finally:
            os.close(master)
            os.close(slave)


def strip(number: int, **more: Any) -> Play:
    """Give a strip of a patient of its own."""
    return play(
        number,
        patient(number),
        **{"word": "N", "strip_type": "quill-10", "specimen_id": "U26-1", "ranks": {"protein": 2}, **more},
    )


@pytest.mark.parametrize(
    ("first", "second", "number"),
    [("serial", "network", 101), ("network", "serial", 102), ("network", "computer", 103), ("computer", "serial", 104)],
)
def test_one_strip_by_two_ways_is_filed_once(site: Site, first: str, second: str, number: int) -> None:
    """LIS01 frames, HL7 and JSON of one strip: the first goes, the other is a copy of it."""
    one = strip(number)
    for way in (first, second):
        getattr(site, way)(one)
    assert site.outcomes(number, 2) == ["coded", "copy"]
    assert site.filed(number)


def test_a_file_and_a_post_of_the_same_bytes(site: Site) -> None:
    """A folder and an HTTP post of one export: the record's bytes are the same, and so is the strip."""
    payload = site.export(strip(201))
    site.bridge.drop("a.txt", payload, "export")
    assert site.outcomes(201, 1) == ["coded"]
    headers = {"authorization": f"Bearer {KEY}2", "content-type": "text/plain", "idempotency-key": "export-1"}
    answer = httpx.post(f"{site.bridge.url}/api/captures?source=copies", content=payload, headers=headers, timeout=30)
    assert answer.status_code == 202
    assert site.outcomes(201, 2) == ["coded", "copy"]
    assert site.filed(201)


@pytest.mark.parametrize(
    ("first", "second", "number", "change"),
    [
        ("serial", "network", 111, {"patient_id": patient(999)}),
        ("network", "computer", 112, {"ranks": {"protein": 3}}),
        ("computer", "serial", 113, {"lot": "99Z99"}),
    ],
)
def test_another_content_by_the_other_way_is_held(
    site: Site, first: str, second: str, number: int, change: dict[str, Any]
) -> None:
    """One number, two contents: a person compares them, and nobody's record gets the second."""
    one = strip(number)
    getattr(site, first)(one)
    assert site.outcomes(number, 1) == ["coded"]
    getattr(site, second)(replace(one, **change))
    assert site.outcomes(number, 2) == ["coded", "held"]
    (rule,) = (stop.rule for stop in site.store.stops(group=StopGroup.HELD) if stop.number == str(number))
    assert rule == "copy.conflict"
    assert site.filed(number)


def test_a_control_by_two_ways_stays_a_control(site: Site) -> None:
    """Brook's letter and HL7's specimen role say the same: neither comes near a patient."""
    control = strip(121, word="C")
    site.serial(control)
    site.network(control)
    assert site.outcomes(121, 2) == ["non_patient", "copy"]
    assert [row for row in site.store.results(limit=500) if row.number == "121"] == []


def test_a_message_sent_again_attaches_to_its_row(site: Site) -> None:
    """The instrument did not hear its AA: it is answered again, and the row counts it; a restarted counter is another message."""
    wrong = replace(strip(131), patient_id="40700070")  # neighbours that changed places
    assert b"\rMSA|AA|R1\r" in site.network(wrong, "R1")
    assert site.outcomes(131, 1) == ["rejected"]
    (stop,) = (stop for stop in site.store.stops() if stop.number == "131")
    assert [b"\rMSA|AA|R1\r" in site.network(wrong, "R1") for _ in range(2)] == [True, True]
    after = site.store.stop(stop.stop_id)
    assert after is not None
    assert (after.repeats, site.outcomes(131, 1)) == (2, ["rejected"])
    site.network(strip(132), "R1")
    assert site.filed(132)


def test_both_ways_at_once(site: Site) -> None:
    """Twelve strips by two ways at the same moment: whoever is first, each is filed once."""
    at = strip(1).at
    strips = [strip(number, at=at - timedelta(minutes=160 - number)) for number in range(140, 152)]
    wires = [
        threading.Thread(target=lambda: [site.network(each, f"N{each.number}") for each in strips]),
        threading.Thread(target=lambda: list(map(site.computer, reversed(strips)))),
    ]
    for wire in wires:
        wire.start()
    for wire in wires:
        wire.join(120)
    assert {tuple(sorted(site.outcomes(each.number, 2))) for each in strips} == {("coded", "copy")}
    assert site.filed(*(each.number for each in strips))
