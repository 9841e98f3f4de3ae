"""Controls on their way: the real service as a process, a record system and a quality system that share no code with it, and a kill -9."""

from __future__ import annotations

import threading
import time
from collections.abc import Iterator
from contextlib import ExitStack
from datetime import timedelta
from pathlib import Path
from zoneinfo import ZoneInfo

import hl7
import httpx
import pytest

from bridge import clock
from bridge.bench.tally import Fate, Standing, TalliedDelivery, TalliedStrip, fate_of, standing_of, tally
from bridge.demo.printers import Play, framed, printed
from bridge.store.sqlite import SqliteStore
from tests.faults.served import Served
from tests.peers.mllp_receiver import MllpReceiver, Received, Reply, accept, silent
from tests.tables.shipped_tables import tables

PATIENT = "40700007"  # invented, with its Luhn check digit
# by the mode letter of the profile; here stands what was printed in the place of a patient ID
PRINTED = {"C": "40700015", "X": "40700023", "P": "40700031", "T": "40700049"}
# patient, control, proficiency, comparison, training
SPECIMENS = {"N": "U-1", "C": "QLOW-7", "X": "EQA-8", "P": "QLOT-9", "T": "TRY-10"}
SOURCES = "  - {name: drops, kind: folder, path: drops, analyzer: bench-b, profile: brook, complete: rename, sweep_s: 0.1}\n"
RECEIVER = "  - {{name: {name}, kind: mllp, host: 127.0.0.1, port: {port}, processing_id: T, retry: {{first_s: 0.1, longest_s: 0.5}}{more}}}\n"
BOUND_S = 90.0  # a slow machine may need this long for what takes a second


class QualitySystem:
    """Files every message; the first one of no patient it takes without a word, as if its answer were lost."""

    def __init__(self) -> None:
        self.has_taken_one = threading.Event()

    def decide(self, received: Received) -> Reply:
        """Say nothing to the first control, accept all else."""
        if PATIENT.encode() in received.payload or self.has_taken_one.is_set():
            return accept()
        self.has_taken_one.set()
        return silent(stored=True)


@pytest.fixture
def stack() -> Iterator[ExitStack]:
    with ExitStack() as opened:
        yield opened


def drop(home: Path) -> None:
    """Put a morning's file there: one patient's strip, then one strip of every other purpose."""
    at = clock.now().astimezone(ZoneInfo("UTC")) - timedelta(minutes=30)
    plays = [
        Play(
            number=number,
            at=at + timedelta(minutes=number),
            word=word,
            patient_id=PRINTED.get(word, PATIENT),
            specimen_id=SPECIMENS[word],
            strip_type="quill-10",
        )
        for number, word in enumerate(SPECIMENS, 1)
    ]
    part = home / "drops" / "morning.txt.part"
    profile = tables().profiles["brook"]
    part.write_bytes(framed(printed(plays, profile, tables()), profile))
    part.rename(part.with_suffix(""))


def has(message: hl7.Message, segment: str) -> bool:
    """Say whether a message has a segment of that name."""
    return any(str(each[0]) == segment for each in message)


def wait_until_all_is_received(served: Served) -> None:
    """Ask the service until every result stands as received everywhere."""
    until = time.monotonic() + BOUND_S
    while True:
        states = [
            state
            for row in httpx.get(f"http://127.0.0.1:{served.port}/api/results", trust_env=False).json()
            for _, state in row["states"]
        ]
        if states == ["accepted"] * 4:
            return
        assert time.monotonic() < until, states
        time.sleep(0.05)


def test_a_control_reaches_who_asks_for_controls_and_no_record(tmp_path: Path, stack: ExitStack) -> None:
    """The patient's strip goes to both; control and comparison go to ``qc`` alone; proficiency and training go nowhere.

    Nothing of what was printed in the patient's place goes with them, a kill -9 makes no second one, and the day adds up.

    HZ-E07, HZ-K07.
    """
    quality = QualitySystem()
    records = stack.enter_context(MllpReceiver())
    qc = stack.enter_context(MllpReceiver(decide=quality.decide))
    (tmp_path / "drops").mkdir()
    asking = ", format: oul_r22, controls: true"
    receivers = RECEIVER.format(name="records", port=records.port, more="") + RECEIVER.format(
        name="qc", port=qc.port, more=asking
    )
    served = Served(tmp_path, data=tmp_path / "store", sources=SOURCES, destinations=receivers)
    stack.callback(served.end)

    served.start()
    served.wait_ready()
    drop(tmp_path)
    assert quality.has_taken_one.wait(BOUND_S)  # filed there, and not answered
    records.wait_for_durable(1, BOUND_S)
    served.kill()
    served.start()
    qc.wait_for_durable(3, BOUND_S)
    served.wait_ready()
    wait_until_all_is_received(served)
    served.stop()

    assert [PATIENT.encode() in payload for payload in records.durable] == [True]
    assert sorted(PATIENT.encode() in payload for payload in qc.durable) == [False, False, True]
    everything = b"".join(message.payload for message in (*records.received, *qc.received))
    assert [printed_id for printed_id in PRINTED.values() if printed_id.encode() in everything] == []
    assert [name for name in SPECIMENS.values() if name.encode() in b"".join(records.durable)] == ["U-1"]
    assert [name for name in SPECIMENS.values() if name.encode() in b"".join(qc.durable)] == ["U-1", "QLOW-7", "QLOT-9"]
    told = {str(message.segment("SPM")[2]): message for message in map(hl7.parse, (payload.decode() for payload in qc.durable))}
    assert {
        specimen: (str(m.segment("SPM")[11]).split("^")[0], has(m, "PID"), has(m, "INV")) for specimen, m in told.items()
    } == {
        "U-1": ("P", True, False),
        "QLOW-7": ("Q", False, True),
        "QLOT-9": ("R", False, False),
    }  # HL7 v2.5.1, table 0369: P patient, Q control specimen, R replicate
    assert len(qc.received) > len(qc.durable)  # the control came again after the kill,
    assert {message.payload for message in qc.received} == set(qc.durable)  # byte for byte as before
    what_the_store_says(tmp_path / "store")


def what_the_store_says(data: Path) -> None:
    """Look into the store of the stopped service: where each delivery stands, in which lane, and that the day adds up."""
    store = SqliteStore(data, now=clock.now)
    try:
        strips = store.strips()[::-1]
        assert [(strip.purpose.value, strip.outcome, bool(strip.result_id)) for strip in strips] == [
            ("patient", "coded", True),
            ("control", "non_patient", True),
            ("proficiency", "non_patient", False),
            ("comparison", "non_patient", True),
            ("training", "non_patient", False),
        ]
        lanes = [(to.destination, to.lane) for strip in strips if strip.result_id for to in store.deliveries(strip.result_id)]
        assert lanes == [
            ("records", f"patient:{PATIENT}"),
            ("qc", f"patient:{PATIENT}"),
            ("qc", "analyzer:bench-b"),
            ("qc", "analyzer:bench-b"),
        ]
        assert [(row.name, row.waiting, row.accepted, row.refused) for row in store.destinations()] == [
            ("qc", 0, 3, 0),
            ("records", 0, 1, 0),
        ]
        assert store.stops() == ()
        day = tally(
            (
                TalliedStrip(
                    strip_id=strip.strip_id, analyzer=strip.analyzer, mode=strip.mode, series=strip.series, number=int(strip.number),
                    fate=fate_of(strip.outcome, rules=(), purpose=strip.purpose),
                )
                for strip in strips
            ),
            (
                TalliedDelivery(strip_id=strip.strip_id, destination=to.destination, standing=standing_of(to.state))
                for strip in strips
                if strip.result_id
                for to in store.deliveries(strip.result_id)
            ),
            schemes={"bench-b": tables().profiles["brook"].numbers},
        )  # fmt: skip
        assert sum(len(series.strips[Fate.CONTROL]) for series in day.series) == 1
        assert [(to.destination, to.sent_on, len(to.controls[Standing.ACKNOWLEDGED])) for to in day.destinations] == [
            ("qc", 1, 2),
            ("records", 1, 0),
        ]
        assert [to.unaccounted for to in day.destinations] == [(), ()]
    finally:
        store.close()
