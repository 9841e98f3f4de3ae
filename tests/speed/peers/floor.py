"""The floor: the same strips, store, wire and promises as the naive peer, with bare text templates in place of object models.

    python -m tests.speed.peers.floor --receiver PORT --store FILE --mode one|two|group

``two``: two commits a strip (queued, delivered). ``one``: the last strip's "delivered" rides on the next strip's commit. ``group``: one
commit for up to a hundred queued strips and one for their marks; every message still goes in order and is acknowledged one by one.
Origin: floor_pipeline.py of the peers that were given with the task. Changed: where the strips come from (common.py), and
the layout.
"""

from __future__ import annotations

import argparse
import os
import socket
import sqlite3

from tests.speed.peers.common import ABNORMAL, PADS, Intake, Strip, connected, control_id, exchange

LARGEST_GROUP = 100  # the given peer's
_INSERT = "insert into msg(id,specimen,hl7,fhir,state) values(?,?,?,?,'queued')"
_MARK = "update msg set state='delivered', tries=tries+1 where id=?"
_HEAD = (
    "MSH|^~\\&|BRIDGE|LAB|LIS|LAB|{at}||ORU^R01^ORU_R01|M{specimen}|P|2.5.1\r"
    "PID|||{patient}^^^LAB^MR||{name}||{born}|{sex}\r"
    "OBR|1||{specimen}|24356-8^Urinalysis complete panel^LN|||{at}|||||||||||||||{at}|||F\r"
)
_OBX = [
    f"OBX|{place}|{kind}|{loinc}^{name}^LN||%s|{f'{unit}^{unit}^UCUM' if unit else ''}||%s|||F|||%s"
    for place, (_, loinc, name, unit, kind) in enumerate(PADS, 1)
]
_LABELS = [pad[0] for pad in PADS]


def to_hl7(strip: Strip) -> str:
    """Fill in the ORU^R01."""
    lines = [
        text % (strip[label], "A" if strip[label] in ABNORMAL else "", strip["at"])
        for text, label in zip(_OBX, _LABELS, strict=True)
    ]
    return _HEAD.format_map(strip) + "\r".join(lines) + "\r"


def _observation(pad: tuple[str, str, str, str, str]) -> str:
    _, loinc, name, unit, kind = pad
    of = unit or "1"
    value = (
        f'"valueQuantity":{{"value":%s,"unit":"{of}","system":"http://unitsofmeasure.org","code":"{of}"}}'
        if kind == "NM"
        else '"valueString":"%s"'
    )
    return (
        '{"fullUrl":"%s","resource":{"resourceType":"Observation","status":"final","category":[{"coding":[{"system":'
        '"http://terminology.hl7.org/CodeSystem/observation-category","code":"laboratory"}]}],"code":{"coding":[{"system":'
        f'"http://loinc.org","code":"{loinc}","display":"{name}"}}]}},"subject":{{"reference":"%s"}},"effectiveDateTime":"%s",'
        '"interpretation":[{"coding":[{"system":"http://terminology.hl7.org/CodeSystem/v3-ObservationInterpretation","code":"%s"}]}],'
        f'{value}}},"request":{{"method":"POST","url":"Observation"}}}}'
    )


_OBSERVATIONS = [_observation(pad) for pad in PADS]
_PATIENT = (
    '{{"fullUrl":"{whose}","resource":{{"resourceType":"Patient","identifier":[{{"system":"urn:oid:1.2.3","value":"{patient}"}}],'
    '"name":[{{"family":"{family}","given":["{given}"]}}],"gender":"{gender}","birthDate":"{birth}"}},'
    '"request":{{"method":"POST","url":"Patient","ifNoneExist":"identifier=urn:oid:1.2.3|{patient}"}}}}'
)
_REPORT = (
    '{{"fullUrl":"{place}","resource":{{"resourceType":"DiagnosticReport","identifier":[{{"system":"urn:oid:1.2.4","value":"{specimen}"}}],'
    '"status":"final","code":{{"coding":[{{"system":"http://loinc.org","code":"24356-8"}}]}},"subject":{{"reference":"{whose}"}},'
    '"effectiveDateTime":"{at}","result":[{results}]}},"request":{{"method":"POST","url":"DiagnosticReport"}}}}'
)


def to_bundle(strip: Strip) -> str:
    """Fill in the transaction Bundle."""
    at, born = strip["at"], strip["born"]
    at = f"{at[:4]}-{at[4:6]}-{at[6:8]}T{at[8:10]}:{at[10:12]}:{at[12:14]}+00:00"
    chance = os.urandom(8).hex()
    base = f"urn:uuid:{chance[:8]}-{chance[8:12]}-4{chance[12:15]}-8{chance[:3]}-"
    whose, places = f"{base}{0:012d}", [f"{base}{number:012d}" for number in range(1, len(PADS) + 1)]
    family, _, first = strip["name"].partition("^")
    entries = [
        _PATIENT.format(
            whose=whose,
            patient=strip["patient"],
            family=family,
            given=first,
            gender="female" if strip["sex"] == "F" else "male",
            birth=f"{born[:4]}-{born[4:6]}-{born[6:]}",
        )
    ]
    for text, label, place in zip(_OBSERVATIONS, _LABELS, places, strict=True):
        value = strip[label]
        entries.append(text % (place, whose, at, "A" if value in ABNORMAL else "N", value))
    results = ",".join(f'{{"reference":"{place}"}}' for place in places)
    last = f"{base}{len(PADS) + 1:012d}"
    entries.append(_REPORT.format(place=last, specimen=strip["specimen"], whose=whose, at=at, results=results))
    return '{"resourceType":"Bundle","type":"transaction","entry":[' + ",".join(entries) + "]}"


class Floor:
    """The store and the wire of one run."""

    def __init__(self, path: str, port: int) -> None:
        self._store = sqlite3.connect(path, isolation_level=None)
        self._do = self._store.execute
        self._do("pragma journal_mode=wal")
        self._do("pragma synchronous=FULL")
        self._do("create table msg(id integer primary key, specimen text, hl7 text, fhir text, state text, tries int default 0)")
        self._talk: socket.socket = connected(port)
        self._count = 0

    def group(self, intake: Intake) -> None:
        """Carry the strips in groups."""
        for chunk in intake.chunks(LARGEST_GROUP):
            rows = [self._row(strip, self._count + place) for place, strip in enumerate(chunk)]
            self._do("begin")
            self._store.executemany(_INSERT, rows)
            self._do("commit")
            for row, strip in zip(rows, chunk, strict=True):
                self._send(row[2], strip)
            self._do("begin")
            self._store.executemany(_MARK, [(row[0],) for row in rows])
            self._do("commit")
            self._count += len(chunk)

    def one_by_one(self, intake: Intake, *, mark_at_once: bool) -> None:
        """Carry the strips one at a time."""
        before: int | None = None
        for (strip,) in intake.chunks(1):
            row = self._row(strip, self._count)
            self._do("begin")
            if before is not None:
                self._do(_MARK, (before,))
            self._do(_INSERT, row)
            self._do("commit")
            self._send(row[2], strip)
            if mark_at_once:
                self._do(_MARK, (self._count,))
            else:
                before = self._count
            self._count += 1
        if before is not None:
            self._do(_MARK, (before,))

    def close(self) -> None:
        """End. Raises AssertionError if a strip is not marked."""
        assert self._do("select count(*) from msg where state<>'delivered'").fetchone()[0] == 0
        self._talk.close()
        self._store.close()

    @staticmethod
    def _row(strip: Strip, number: int) -> tuple[int, str, str, str]:
        return number, strip["specimen"], to_hl7(strip), to_bundle(strip)

    def _send(self, message: str, strip: Strip) -> None:
        answer = exchange(self._talk, message)
        if b"\rMSA|AA|" + control_id(strip).encode() not in answer:
            raise SystemExit(f"bad ack {answer!r}")


if __name__ == "__main__":
    parser = argparse.ArgumentParser()
    parser.add_argument("--receiver", type=int, required=True)
    parser.add_argument("--store", required=True)
    parser.add_argument("--connections", type=int, default=8)
    parser.add_argument("--mode", choices=("one", "two", "group"), required=True)
    asked = parser.parse_args()
    floor = Floor(asked.store, asked.receiver)
    strips = Intake(asked.connections)
    if asked.mode == "group":
        floor.group(strips)
    else:
        floor.one_by_one(strips, mark_at_once=asked.mode == "two")
    floor.close()
