"""The pipeline that a competent user writes in an afternoon with the same libraries.

    python -m tests.speed.peers.naive --receiver PORT --store FILE

A strip's line becomes an hl7apy ORU^R01 2.5.1, validated, and a fhir.resources R4B transaction Bundle; both are committed to SQLite; the
message is sent over MLLP and its acknowledgement awaited; "delivered" is committed.
Origin: naive_pipeline.py of the peers that were given with the task. Changed: where the strips come from (common.py), and the layout.
"""

from __future__ import annotations

import argparse
import sqlite3
import uuid

from fhir.resources.R4B.bundle import Bundle, BundleEntry, BundleEntryRequest
from fhir.resources.R4B.diagnosticreport import DiagnosticReport
from fhir.resources.R4B.observation import Observation
from fhir.resources.R4B.patient import Patient
from hl7apy.core import Message

from tests.speed.peers.common import ABNORMAL, PADS, Intake, Strip, connected, control_id, exchange

_INTERPRETATION = "http://terminology.hl7.org/CodeSystem/v3-ObservationInterpretation"
_CATEGORY = {"system": "http://terminology.hl7.org/CodeSystem/observation-category", "code": "laboratory"}


def flag(value: str) -> str:
    """Give the flag of a printed value."""
    return "A" if value in ABNORMAL else ""


def to_hl7(strip: Strip) -> Message:
    """Build the ORU^R01."""
    message = Message("ORU_R01", version="2.5.1")
    header = message.msh
    header.msh_3, header.msh_4, header.msh_5, header.msh_6 = "BRIDGE", "LAB", "LIS", "LAB"
    header.msh_7, header.msh_9 = strip["at"], "ORU^R01^ORU_R01"
    header.msh_10, header.msh_11 = control_id(strip), "P"
    result = message.add_group("ORU_R01_PATIENT_RESULT")
    patient = result.add_group("ORU_R01_PATIENT")
    patient.add_segment("PID")
    patient.pid.pid_3 = strip["patient"] + "^^^LAB^MR"
    patient.pid.pid_5, patient.pid.pid_7, patient.pid.pid_8 = strip["name"], strip["born"], strip["sex"]
    observations = result.add_group("ORU_R01_ORDER_OBSERVATION")
    observations.add_segment("OBR")
    order = observations.obr
    order.obr_1, order.obr_3, order.obr_4 = "1", strip["specimen"], "24356-8^Urinalysis complete panel^LN"
    order.obr_7 = order.obr_22 = strip["at"]
    order.obr_25 = "F"
    for place, (label, loinc, name, unit, kind) in enumerate(PADS, 1):
        group = observations.add_group("ORU_R01_OBSERVATION")
        group.add_segment("OBX")
        segment = group.obx
        segment.obx_1, segment.obx_2, segment.obx_3, segment.obx_5 = str(place), kind, f"{loinc}^{name}^LN", strip[label]
        if unit:
            segment.obx_6 = f"{unit}^{unit}^UCUM"
        if flag(strip[label]):
            segment.obx_8 = flag(strip[label])
        segment.obx_11, segment.obx_14 = "F", strip["at"]
    return message


def to_bundle(strip: Strip) -> str:
    """Build the transaction Bundle."""
    at, born = strip["at"], strip["born"]
    at = f"{at[:4]}-{at[4:6]}-{at[6:8]}T{at[8:10]}:{at[10:12]}:{at[12:14]}+00:00"
    whose, given = f"urn:uuid:{uuid.uuid4()}", strip["name"].split("^")
    patient = Patient(
        identifier=[{"system": "urn:oid:1.2.3", "value": strip["patient"]}],
        name=[{"family": given[0], "given": [given[1]]}],
        gender="female" if strip["sex"] == "F" else "male",
        birthDate=f"{born[:4]}-{born[4:6]}-{born[6:]}",
    )
    unless_there = f"identifier=urn:oid:1.2.3|{strip['patient']}"
    entries = [
        BundleEntry(
            fullUrl=whose, resource=patient, request=BundleEntryRequest(method="POST", url="Patient", ifNoneExist=unless_there)
        )
    ]
    references = []
    for label, loinc, name, unit, kind in PADS:
        place = f"urn:uuid:{uuid.uuid4()}"
        references.append({"reference": place})
        said = flag(strip[label]) or "N"
        content = {
            "status": "final",
            "category": [{"coding": [_CATEGORY]}],
            "code": {"coding": [{"system": "http://loinc.org", "code": loinc, "display": name}]},
            "subject": {"reference": whose},
            "effectiveDateTime": at,
            "interpretation": [{"coding": [{"system": _INTERPRETATION, "code": said}]}],
        }
        if kind == "NM":
            of = unit or "1"
            value = {"value": float(strip[label]), "unit": of, "system": "http://unitsofmeasure.org", "code": of}
            content["valueQuantity"] = value
        else:
            content["valueString"] = strip[label]
        request = BundleEntryRequest(method="POST", url="Observation")
        entries.append(BundleEntry(fullUrl=place, resource=Observation(**content), request=request))
    report = DiagnosticReport(
        identifier=[{"system": "urn:oid:1.2.4", "value": strip["specimen"]}],
        status="final",
        code={"coding": [{"system": "http://loinc.org", "code": "24356-8"}]},
        subject={"reference": whose},
        effectiveDateTime=at,
        result=references,
    )
    request = BundleEntryRequest(method="POST", url="DiagnosticReport")
    entries.append(BundleEntry(fullUrl=f"urn:uuid:{uuid.uuid4()}", resource=report, request=request))
    return str(Bundle(type="transaction", entry=entries).model_dump_json())


def run(intake: Intake, path: str, port: int) -> None:
    """Carry every strip to the receiver. Raises SystemExit at the first wrong acknowledgement."""
    store = sqlite3.connect(path)
    store.execute("pragma journal_mode=wal")
    store.execute("pragma synchronous=FULL")
    store.execute("create table msg(id integer primary key, specimen text, hl7 text, fhir text, state text, tries int default 0)")
    store.commit()
    talk = connected(port)
    for chunk in intake.chunks(1):
        for strip in chunk:
            message = to_hl7(strip)
            message.validate()
            row = (strip["specimen"], message.to_er7(), to_bundle(strip))
            at = store.execute("insert into msg(specimen,hl7,fhir,state) values(?,?,?,'queued')", row).lastrowid
            store.commit()
            answer = exchange(talk, row[1])[1:-2].decode()
            acknowledged = next(segment for segment in answer.split("\r") if segment.startswith("MSA")).split("|")
            if acknowledged[1:3] != ["AA", control_id(strip)]:
                raise SystemExit(f"bad ack {answer}")
            store.execute("update msg set state='delivered', tries=tries+1 where id=?", (at,))
            store.commit()
    talk.close()
    store.close()


if __name__ == "__main__":
    parser = argparse.ArgumentParser()
    parser.add_argument("--receiver", type=int, required=True)
    parser.add_argument("--store", required=True)
    parser.add_argument("--connections", type=int, default=8)
    given = parser.parse_args()
    run(Intake(given.connections), given.store, given.receiver)
