"""Corrections through the real service: a person at the pages, and two receivers that share no code with it, one for each protocol."""

from __future__ import annotations

import json
import re
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from functools import partial
from pathlib import Path
from typing import Any

import httpx
import pytest

from bridge.model import DeliveryState
from tests.journey.running import Running, play, running
from tests.journey.test_control_gate import acted, luhn
from tests.peers.fhir_receiver import FhirReceiver
from tests.peers.fhir_receiver import Reply as FhirReply
from tests.peers.mllp_receiver import MllpReceiver, Received, accept
from tests.peers.mllp_receiver import Reply as MllpReply

WRONG, RIGHT = luhn("4070100"), luhn("4070200")
WHO = {"name": "Ana", "colleague": "Rui", "reason": "label of the bed beside it"}


class Ward:
    """Both receivers, and what each was told of whom, in order: (patient, result's number, status)."""

    def __init__(self, hl7: MllpReceiver, fhir: FhirReceiver) -> None:
        self.hl7, self.fhir = hl7, fhir

    @property
    def told_hl7(self) -> list[tuple[str, str, str]]:
        """PID-3, OBR-3 and the one value of OBX-11 of each message, as they were filed (HL7 2.5.1)."""
        return [_read(payload) for payload in self.hl7.durable]

    @property
    def told_fhir(self) -> list[tuple[str, str, str]]:
        """Subject, identifier and status of the report in each Bundle, as they were posted (R4 DiagnosticReport)."""
        found = []
        for posted in self.fhir.posted:
            resources = [entry["resource"] for entry in json.loads(posted.body)["entry"]]
            (report,) = [each for each in resources if each["resourceType"] == "DiagnosticReport"]
            assert {each["status"] for each in resources if each["resourceType"] == "Observation"} == {report["status"]}
            found.append((report["subject"]["identifier"]["value"], report["identifier"][0]["value"], report["status"]))
        return found


def _read(payload: bytes) -> tuple[str, str, str]:
    segments = [line.split("|") for line in payload.decode().split("\r") if line]
    (patient,) = {each[3].split("^")[0] for each in segments if each[0] == "PID"}
    (number,) = {each[3].split("^")[0] for each in segments if each[0] == "OBR"}
    (status,) = {each[11] for each in segments if each[0] == "OBX"}
    return patient, number, status


@contextmanager
def ward(home: Path, **peers: Any) -> Iterator[tuple[Running, Ward]]:
    """Run a bridge that sends to both besides the demo's record system."""
    with MllpReceiver(**peers.get("hl7", {})) as hl7, FhirReceiver(**peers.get("fhir", {})) as fhir:
        more = (
            f"  - {{name: ward, kind: mllp, host: 127.0.0.1, port: {hl7.port}, processing_id: T, retry: {{first_s: 0.1, longest_s: 0.5}}}}\n"
            f'  - {{name: cloud, kind: fhir, base_url: "{fhir.base_url}", result_system: "urn:example:results", processing_id: T,'
            " retry: {first_s: 0.1, longest_s: 0.5}}\n"
        )
        with running(home, more=more) as bridge:
            yield bridge, Ward(hl7, fhir)


class Nobody:
    """What stands for a result that is not there yet."""

    states = ()


def posted(bridge: Running, patient_id: str) -> str:
    """Let a patient's strip be read and taken by every receiver; give its result's number."""
    bridge.drop(
        "strip-0001.txt", bridge.brook(play(1, patient_id, strip_type="quill-10", specimen_id="U-1", word="N")), folder="line"
    )
    (row,) = bridge.wait(bridge.store.results)
    bridge.wait(lambda: {state for _, state in bridge.store.results()[0].states} == {DeliveryState.ACCEPTED})
    return str(row.result_id)


def taken(bridge: Running, result: str, version: int) -> bool:
    """Say whether every receiver has taken a version of a result."""
    return {each.state for each in bridge.store.deliveries(result) if each.version == version} == {DeliveryState.ACCEPTED}


def changed(bridge: Running, result: str, action: str, **fields: str) -> None:
    """Do something on a result's page as a browser does."""
    with httpx.Client(base_url=bridge.url, trust_env=False, timeout=20) as client:
        page = client.get(f"/results/{result}").text
        token, version = (re.search(rf'name="{name}" value="([^"]+)"', page) for name in ("token", "version"))
        assert token
        assert version
        data = {"token": token[1], "version": version[1], **WHO, **fields}
        answer = client.post(f"/results/{result}/{action}", data=data, headers={"origin": bridge.url})
        assert answer.status_code == 303, answer.text


def test_the_wrong_record_is_clean_before_the_right_one_is_told(tmp_path: Path) -> None:
    """HZ-I03: the withdrawal's answer is held at both receivers; until it is given neither hears of the right patient."""
    gate = threading.Event()
    withheld = {b"|W|", b'"entered-in-error"'}

    def hl7(message: Received) -> MllpReply:
        return MllpReply(held=gate) if any(each in message.payload for each in withheld) else accept()

    def fhir(message: Any) -> FhirReply:
        return FhirReply(held=gate) if any(each in message.body for each in withheld) else FhirReply()

    with ward(tmp_path, hl7={"decide": hl7}, fhir={"decide": fhir}) as (bridge, told):
        first = posted(bridge, WRONG)
        changed(bridge, first, "move", first=RIGHT, second=RIGHT, second_identifier="U-1")
        told.hl7.wait_for(2)
        told.fhir.wait_for(2)
        (row,) = bridge.store.corrections()
        new = row.correction.new_result_id
        states = {each.destination: each.state for each in bridge.store.deliveries(new)}
        assert (states["ward"], states["cloud"]) == (DeliveryState.UNBORN, DeliveryState.UNBORN)
        gate.set()
        bridge.wait(lambda: {each.state for each in bridge.store.deliveries(new)} == {DeliveryState.ACCEPTED})
        assert told.told_hl7 == [(WRONG, first, "F"), (WRONG, first, "W"), (RIGHT, new, "F")]
        assert told.told_fhir == [(WRONG, first, "final"), (WRONG, first, "entered-in-error"), (RIGHT, new, "final")]
        assert len(set(told.hl7.control_ids)) == 3
        # the order of the acknowledgements, by the receivers' own answers as we kept them
        for place in ("ward", "cloud"):
            (taken_back,) = [each for each in bridge.store.deliveries(first) if (each.destination, each.version) == (place, 2)]
            detail = bridge.store.result(new)
            assert detail is not None
            (tries,) = [tries for row, _, tries in detail.deliveries if row.destination == place]
            assert taken_back.accepted_at is not None
            assert taken_back.accepted_at < tries[0].started_at
        reports = {each["subject"]["identifier"]["value"]: each["status"] for each in told.fhir.of("DiagnosticReport")}
        assert reports == {WRONG: "entered-in-error", RIGHT: "final"}
        assert [each["activity"]["coding"][0]["code"] for each in told.fhir.of("Provenance")] == ["NULLIFY"]
        assert [strip.patient_id for strip in bridge.store.strips(outcome="coded")] == [RIGHT]


def test_a_corrected_report_goes_under_the_same_number(tmp_path: Path) -> None:
    """HZ-I02: not a second final: C in HL7 (OBR-25 and OBX-11), corrected in FHIR with who did it; the earlier messages stay as they were."""
    with ward(tmp_path) as (bridge, told):
        first = posted(bridge, WRONG)
        before = [bytes(payload) for payload in told.hl7.durable]
        for number, specimen in ((2, "U-2"), (3, "U-3")):
            changed(bridge, first, "correct", order_number="", specimen_id=specimen)
            bridge.wait(partial(taken, bridge, first, number))
        assert told.told_hl7 == [(WRONG, first, status) for status in "FCC"]
        assert told.told_fhir == [(WRONG, first, status) for status in ("final", "corrected", "corrected")]
        assert told.hl7.durable[0] == before[0]
        assert b"specimen number, previously reported as U-2" in told.hl7.durable[2]
        assert len(set(told.hl7.control_ids)) == 3
        (report,) = told.fhir.of("DiagnosticReport")
        assert report["status"] == "corrected"
        assert [each["agent"][0]["who"]["display"] for each in told.fhir.of("Provenance")] == ["Ana", "Ana"]
        assert [version.specimen_id for version in bridge.store.result_versions(first)] == ["U-1", "U-2", "U-3"]


@pytest.mark.parametrize("action", ["withdraw", "correct"])
def test_what_has_not_left_is_replaced_before_it_does(tmp_path: Path, action: str) -> None:
    """A receiver that is away: what could not be sent there is set aside, and it never hears of it; the other receivers are told."""
    with ward(tmp_path) as (bridge, told):
        told.hl7.go_away()
        text = bridge.brook(play(1, WRONG, strip_type="quill-10", specimen_id="U-1", word="N"))
        bridge.drop("strip-0001.txt", text, folder="line")
        wanted = {"records": DeliveryState.ACCEPTED, "ward": DeliveryState.RETRYING, "cloud": DeliveryState.ACCEPTED}
        bridge.wait(lambda: wanted.items() <= dict(next(iter(bridge.store.results()), Nobody).states).items())
        (row,) = bridge.store.results()
        changed(bridge, row.result_id, action, order_number="", specimen_id="U-9")
        told.hl7.come_back()
        over = {DeliveryState.ACCEPTED, DeliveryState.SUPERSEDED}
        bridge.wait(lambda: {each.state for each in bridge.store.deliveries(row.result_id)} <= over)
        assert [status for *_, status in told.told_hl7] == ([] if action == "withdraw" else ["F"])
        assert [status for *_, status in told.told_fhir] == ["final", "entered-in-error" if action == "withdraw" else "corrected"]


def test_a_specimen_that_was_run_again_is_never_twice_in_a_record(tmp_path: Path) -> None:
    """HZ-I04: the second strip waits for a person; replaced, the first is taken back at each receiver before the second comes."""
    gate = threading.Event()

    def hl7(message: Received) -> MllpReply:
        return MllpReply(held=gate) if b"|W|" in message.payload else accept()

    with ward(tmp_path, hl7={"decide": hl7}) as (bridge, told):
        first = posted(bridge, RIGHT)
        again = play(2, RIGHT, strip_type="quill-10", specimen_id="U-1", word="N", ranks={"glucose": 3})
        bridge.drop("strip-0002.txt", bridge.brook(again), folder="line")
        (stop,) = bridge.wait(bridge.store.stops)
        assert "specimen.run_again" in stop.rules
        compared = f"/rejected/{stop.stop_id}/specimen"
        acted(bridge, f"{compared}/replace", page=compared, version="1", **WHO)
        told.hl7.wait_for(2)
        (second,) = bridge.wait(lambda: [row for row in bridge.store.results() if row.result_id not in ("", first)])
        assert {each.state for each in bridge.store.deliveries(second.result_id) if each.destination == "ward"} == {
            DeliveryState.QUEUED
        }
        gate.set()
        bridge.wait(partial(taken, bridge, second.result_id, 1))
        assert told.told_hl7 == [(RIGHT, first, "F"), (RIGHT, first, "W"), (RIGHT, second.result_id, "F")]
        assert told.told_fhir == [
            (RIGHT, first, "final"), (RIGHT, first, "entered-in-error"), (RIGHT, second.result_id, "final"),
        ]  # fmt: skip
        assert b"another strip of the same specimen takes its place" in told.hl7.durable[1]
