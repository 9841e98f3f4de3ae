"""The same strip arriving by two ways is one result: one analyzer, two layouts, whichever comes first.

"The same" is what the strip says once understood: number, mode, patient, lot, and the step of each pad. How it was written differs.
"""

from __future__ import annotations

import os
import socket
import threading
import tty
from collections.abc import Iterator
from datetime import timedelta
from pathlib import Path

import httpx
import pytest

from bridge.demo.printers import Play, framed, printed
from bridge.demo.scenario import patient
from bridge.lifecycle.states import StopGroup
from bridge.receive.mllp_listener import MllpReceiver
from tests.journey.layouts import as_hl7, as_json, records
from tests.journey.running import Running, play, running
from tests.receive.independent_sender import IndependentSender

GOOD, OTHER = "40700007", "40700015"  # Luhn check digits; invented
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

    def outcomes(self, count: int) -> list[str]:
        strips = self.bridge.wait(lambda: (found := self.bridge.store.strips()) and len(found) >= count and found)
        return [strip.outcome for strip in reversed(strips)]

    def filed(self, count: int) -> bool:
        return bool(
            self.bridge.wait(lambda: len(self.bridge.records.results) == count and self.bridge.records.filed_reports() == count)
        )


@pytest.fixture
def site(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Site]:
    monkeypatch.setenv("KEY_COMPUTER", f"{KEY}1")
    monkeypatch.setenv("KEY_COPIES", f"{KEY}2")
    (tmp_path / "export").mkdir()
    master, slave = os.openpty()
    tty.setraw(master)
    tty.setraw(slave)
    try:
        with running(tmp_path, sources=SOURCES.format(port=os.ttyname(slave)), profile="tern") as bridge:
            bridge.wait(lambda: all(bridge.bridge.sources[name].opened.is_set() for name in ("serial", "network")))  # type: ignore[attr-defined]  # both are receivers
            yield Site(bridge, master)
    finally:
        os.close(master)
        os.close(slave)


def strip(number: int = 12, patient_id: str = GOOD, **more: object) -> Play:
    return play(number, patient_id, word="N", strip_type="quill-10", specimen_id="U26-1", ranks={"protein": 2}, **more)


@pytest.mark.parametrize(
    ("first", "second"), [("serial", "network"), ("network", "serial"), ("network", "computer"), ("computer", "serial")]
)
def test_one_strip_by_two_ways_is_filed_once(site: Site, first: str, second: str) -> None:
    """LIS01 frames, HL7 and JSON of one strip: the first goes, the other is a copy of it; a second strip goes on its own."""
    for way in (first, second):
        getattr(site, way)(strip())
    assert site.outcomes(2) == ["coded", "copy"]
    site.serial(strip(13, OTHER))
    assert site.filed(2)
    assert site.bridge.store.stops() == ()


def test_a_file_and_a_post_of_the_same_bytes(site: Site) -> None:
    """A folder and an HTTP post of one export: the record's bytes are the same, and so is the strip."""
    payload = site.export(strip())
    site.bridge.drop("a.txt", payload, "export")
    headers = {"authorization": f"Bearer {KEY}2", "content-type": "text/plain", "idempotency-key": "export-1"}
    site.bridge.wait(site.bridge.store.results)
    before = len(site.bridge.store.strips())
    answer = httpx.post(f"{site.bridge.url}/api/captures?source=copies", content=payload, headers=headers, timeout=30)
    assert answer.status_code == 202
    site.outcomes(before + 1)
    assert site.bridge.store.strips()[0].outcome == "copy"
    assert site.filed(1)


@pytest.mark.parametrize(
    ("ways", "change"),
    [
        (("serial", "network"), {"patient_id": OTHER}),
        (("network", "computer"), {"ranks": {"protein": 3}}),
        (("computer", "serial"), {"lot": "99Z99"}),
    ],
)
def test_another_content_by_the_other_way_is_held(site: Site, ways: tuple[str, str], change: dict[str, object]) -> None:
    """One number, two contents: a person compares them, and nobody's record gets the second."""
    getattr(site, ways[0])(strip())
    site.outcomes(1)
    getattr(site, ways[1])(Play(**{**{name: getattr(strip(), name) for name in Play.__slots__}, "at": strip().at, **change}))
    assert site.outcomes(2) == ["coded", "held"]
    (stop,) = site.bridge.store.stops()
    assert (stop.group, stop.rule) == (StopGroup.HELD, "copy.conflict")
    assert site.filed(1)


def test_a_control_by_two_ways_stays_a_control(site: Site) -> None:
    """Brook's letter and HL7's specimen role say the same: neither comes near a patient."""
    control = Play(**{**{name: getattr(strip(), name) for name in Play.__slots__}, "word": "C"})
    site.serial(control)
    site.network(control)
    assert site.outcomes(2) == ["non_patient", "copy"]
    site.serial(strip(13, OTHER))
    assert site.filed(1)


def test_a_message_sent_again_attaches_to_its_stop(site: Site) -> None:
    """The instrument did not hear its AA: it is answered again, and the row counts it; a restarted counter is another message."""
    wrong = strip(patient_id="40700070")  # neighbours that changed places
    answers = [site.network(wrong) for _ in range(3)]
    assert all(b"\rMSA|AA|D1\r" in answer for answer in answers)
    (stop,) = site.bridge.wait(site.bridge.store.stops)
    assert site.bridge.wait(lambda: (site.bridge.store.stop(stop.stop_id) or stop).repeats in (1, 2))
    assert len(site.bridge.store.strips()) == 1
    site.network(strip(13, OTHER), control_id="D1")
    assert site.filed(1)


def test_both_ways_at_once(site: Site) -> None:
    """Twelve strips by two ways at the same moment: whoever is first, each is filed once."""
    strips = [strip(number, patient(number), at=strip().at - timedelta(minutes=40 - number)) for number in range(20, 32)]
    wires = [
        threading.Thread(target=lambda: [site.network(each, f"N{each.number}") for each in strips]),
        threading.Thread(target=lambda: list(map(site.computer, reversed(strips)))),
    ]
    for wire in wires:
        wire.start()
    for wire in wires:
        wire.join(60)
    outcomes = site.outcomes(24)
    assert sorted(outcomes) == sorted(["coded"] * 12 + ["copy"] * 12)
    assert site.filed(12)
