"""One strip in several layouts of one analyzer: brook's records (bridge/demo/printers.py) written anew as HL7 v2 and as JSON.

The writers stand apart from the readers: they know the records' fields by LIS02-A2's positions only.
"""

from __future__ import annotations

import json

from bridge.demo.printers import Play, printed
from bridge.tables.types import Tables

TYPES = {"N": ("", ""), "S": ("S", ""), "C": ("", "Q")}  # brook's letter: dipper's TQ1-9, SPM-11
WORDS = {"N": "", "S": "stat", "C": "control"}


def records(play: Play, tables: Tables) -> bytes:
    """Give brook's records of one strip."""
    return printed([play], tables.profiles["brook"], tables)


def _fields(play: Play, tables: Tables) -> tuple[list[str], list[str], list[list[str]]]:
    lines = [line.split("|") for line in records(play, tables).decode("ascii").split("\r")]
    (patient,) = (line for line in lines if line[0] == "P")
    (order,) = (line for line in lines if line[0] == "O")
    return patient, order, [line for line in lines if line[0] == "R"]


def as_hl7(play: Play, tables: Tables, *, control_id: str = "D1") -> bytes:
    """Give the strip as dipper's ORU^R01."""
    patient, order, results = _fields(play, tables)
    priority, role = TYPES[order[3][0]]
    said = [f"MSH|^~\\&|DIPPER|BENCH|||{play.at:%Y%m%d%H%M%S}||ORU^R01^ORU_R01|{control_id}|P|2.5.1"]
    said += [f"PID|1||{patient[3]}^^^CLINIC^MR||{patient[5] if len(patient) > 5 else ''}"]
    said += [f"OBR|1||{order[3][1:]}|{order[4].split('^')[3]}", f"TQ1|1||||||||{priority}"]
    for count, each in enumerate(results, 1):
        said.append(f"OBX|{count}|ST|{each[2].split('^')[3]}||{each[3]}|{each[4]}||{each[6]}|||F|||||{each[10]}|||{each[12]}")
    said.append(f"OBX|{len(results) + 1}|ST|LOT||{order[18] if len(order) > 18 else ''}||||||F")
    said.append(f"SPM|1|{order[2]}||UR|||||||{role}")
    return ("\r".join(said) + "\r").encode("ascii")


def as_json(play: Play, tables: Tables) -> bytes:
    """Give the strip as lark's posted reading; its number without leading zeros, its pads in another order."""
    patient, order, results = _fields(play, tables)
    reading = {
        "number": str(int(order[3][1:])),
        "printed_date": f"{play.at:%Y-%m-%dT%H:%M:%S}",
        "patient_id": patient[3],
        "specimen_id": order[2],
        "operator": results[0][10],
        "strip_type": order[4].split("^")[3],
        "strip_lot": order[18] if len(order) > 18 else "",
        "purpose": WORDS[order[3][0]],
        "pads": [
            {"label": each[2].split("^")[3], "value": each[3], "unit": each[4], "mark": each[6]} for each in reversed(results)
        ],
    }
    return json.dumps({"readings": [reading]}).encode("ascii")
