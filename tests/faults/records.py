"""The record systems of the fault tests: the independent receivers of tests/peers, which note each message before they answer."""

from __future__ import annotations

import hashlib
import json
import threading
from collections.abc import Callable
from contextlib import ExitStack
from types import TracebackType
from typing import Any, Self

import hl7

from tests.faults.history import Arrived
from tests.faults.journal import Journal
from tests.peers.fhir_receiver import FhirReceiver, Posted, Reply, outcome, turn_away
from tests.peers.mllp_receiver import MllpReceiver, Received
from tests.peers.mllp_receiver import Reply as Answer

HL7, CHART = "hl7", "chart"
RECEIVERS = (HL7, CHART)


def read_hl7(payload: bytes) -> Arrived:
    """Give what an ORU^R01 is of: SPM-2, PID-3.1, MSH-10, OBR-3. Read by the PyPI package ``hl7``."""
    message = hl7.parse(payload.decode("utf-8"))

    def field(segment: str, number: int) -> str:
        return str(message.segment(segment)(number)).partition("^")[0]

    return Arrived(
        receiver=HL7,
        strip=field("SPM", 2),
        patient=field("PID", 3),
        control_id=field("MSH", 10),
        filler=field("OBR", 3),
        content=hashlib.sha256(payload).digest(),
    )


def read_fhir(body: bytes) -> Arrived:
    """Give what a transaction is of: the Specimen's printed number, the report's subject, the Bundle's and the report's identifiers."""
    bundle = json.loads(body)
    of: dict[str, Any] = {entry["resource"]["resourceType"]: entry["resource"] for entry in bundle["entry"]}
    report = of["DiagnosticReport"]
    return Arrived(
        receiver=CHART,
        strip=next(each["value"] for each in of["Specimen"]["identifier"] if "system" not in each),
        patient=report["subject"]["identifier"]["value"],
        control_id=bundle["identifier"]["value"],
        filler=report["identifier"][0]["value"],
        content=hashlib.sha256(body).digest(),
    )


class _Chart(FhirReceiver):
    """A FHIR server that tells what it filed, before it answers."""

    filed: Callable[[bytes], None]

    def _transaction(self, body: bytes) -> tuple[int, bytes]:
        status, answer = super()._transaction(body)
        if status == 200:
            self.filed(body)
        return status, answer


class Records:
    """Both receivers. While ``away`` is set the FHIR server answers 503: what was kept must wait. Use as a context manager.

    ``happened`` is called at each arrival, after it was noted and before the answer leaves.
    """

    def __init__(self, journal: Journal, happened: Callable[[str], bool] = lambda _: False) -> None:
        self.away = threading.Event()
        self._journal = journal
        self._happened = happened
        self._hl7 = MllpReceiver(decide=self._took)
        self._chart = _Chart(decide=self._at_the_door)
        self._chart.filed = self._filed
        self._open = ExitStack()

    @property
    def destinations(self) -> str:
        """Give them as a site configuration has them."""
        retry = "retry: {first_s: 0.05, longest_s: 0.3}"
        return (
            f"  - {{name: {HL7}, kind: mllp, host: 127.0.0.1, port: {self._hl7.port}, processing_id: T, {retry}}}\n"
            f'  - {{name: {CHART}, kind: fhir, base_url: "{self._chart.base_url}", result_system: "urn:example:results", processing_id: T, {retry}}}\n'
        )

    def __enter__(self) -> Self:
        """Listen."""
        self._open.enter_context(self._hl7)
        self._open.enter_context(self._chart)
        return self

    def __exit__(self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None) -> None:
        """Stop."""
        self._open.close()

    def _took(self, received: Received) -> Answer:
        self._journal.arrived(read_hl7(received.payload))
        self._happened("arrival")
        return Answer()

    def _at_the_door(self, posted: Posted) -> Reply:
        del posted
        return turn_away(503, outcome("transient", "closed for now")) if self.away.is_set() else Reply()

    def _filed(self, body: bytes) -> None:
        self._journal.arrived(read_fhir(body))
        self._happened("arrival")
