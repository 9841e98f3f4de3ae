"""The record systems of the fault tests: the independent receivers of tests/peers, which note each message before they answer."""

from __future__ import annotations

import hashlib
import json
import random
import threading
from collections.abc import Callable
from contextlib import ExitStack
from dataclasses import replace
from types import TracebackType
from typing import Any, Self

import hl7

from tests.faults.history import Arrived
from tests.faults.journal import Journal
from tests.peers.fhir_receiver import FhirReceiver, Posted, Reply, outcome, turn_away
from tests.peers.mllp_receiver import How, MllpReceiver, Received, hang_up, silent
from tests.peers.mllp_receiver import Reply as Answer
from tests.peers.mllp_receiver import turn_away as turned_away
from tests.peers.proxied import FlakyProxy

HL7, CHART = "hl7", "chart"
RECEIVERS = (HL7, CHART)
ANSWER_S = 1.5  # the service waits this long for an answer: short, so that a silent receiver costs a round little


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


# What an HL7 receiver in trouble does with one message. AR 207 (HL7 table 0357): an error within the application, so try again.
UNSTEADY_HL7: tuple[Callable[[], Answer], ...] = (
    Answer,
    Answer,
    lambda: turned_away("AR", "207", "busy"),
    lambda: hang_up(How.CLOSE),
    lambda: hang_up(How.RESET, stored=True),
    lambda: hang_up(How.HALF, stored=True),
    lambda: silent(stored=True),
    silent,
    lambda: Answer(times=2),
    lambda: Answer(split_at=12),
    lambda: Answer(control_id="NOTOURS"),
    lambda: Answer(before=b"\x00noise\x1c\r"),
)
# What a FHIR server in trouble does: answers that say "later", with and without having filed the Bundle all the same.
UNSTEADY_CHART: tuple[Callable[[], Reply], ...] = (
    Reply,
    Reply,
    lambda: turn_away(503, outcome("transient", "closed for now")),
    lambda: turn_away(429, b"", Retry_After="1"),
    lambda: Reply(status=500, body=outcome("exception", "filed all the same")),
    lambda: Reply(status=504, body=b"a gateway's page"),
)


class Records:
    """Both receivers, each behind a proxy of its own. Use as a context manager.

    While ``away`` is set the FHIR server answers 503: what was kept must wait. While ``unsteady`` is set both do as receivers in trouble do.
    ``happened`` is called at each arrival, after it was noted and before the answer leaves.
    """

    def __init__(self, journal: Journal, happened: Callable[[str], bool] = lambda _: False) -> None:
        self.away = threading.Event()
        self.unsteady: random.Random | None = None
        self.proxies: dict[str, FlakyProxy] = {}
        self._journal = journal
        self._happened = happened
        self._hl7 = MllpReceiver(decide=self._took)
        self._chart = _Chart(decide=self._at_the_door)
        self._chart.filed = self._filed
        self._open = ExitStack()

    @property
    def destinations(self) -> str:
        """Give them as a site configuration has them: through the proxies, with short waits."""
        waits = f"answer_s: {ANSWER_S}, retry: {{first_s: 0.05, longest_s: 0.3}}"
        hl7_port, chart_port = (self.proxies[name].port for name in RECEIVERS)
        return (
            f"  - {{name: {HL7}, kind: mllp, host: 127.0.0.1, port: {hl7_port}, processing_id: T, {waits}}}\n"
            f'  - {{name: {CHART}, kind: fhir, base_url: "http://127.0.0.1:{chart_port}{self._chart.path}", result_system: "urn:example:results", processing_id: T, {waits}}}\n'
        )

    def calm(self) -> None:
        """Let every receiver and every wire be well again."""
        self.away.clear()
        self.unsteady = None
        for proxy in self.proxies.values():
            proxy.command(cmd="clear")

    def __enter__(self) -> Self:
        """Listen."""
        for name, receiver in ((HL7, self._hl7), (CHART, self._chart)):
            self._open.enter_context(receiver)
            self.proxies[name] = self._open.enter_context(FlakyProxy(receiver.port))
        return self

    def __exit__(self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None) -> None:
        """Stop."""
        self._open.close()

    def _took(self, received: Received) -> Answer:
        answer = self.unsteady.choice(UNSTEADY_HL7)() if self.unsteady else Answer()
        self._journal.arrived(replace(read_hl7(received.payload), held=answer.stored))
        self._happened("arrival")
        return answer

    def _at_the_door(self, posted: Posted) -> Reply:
        del posted
        if self.away.is_set():
            return turn_away(503, outcome("transient", "closed for now"))
        return self.unsteady.choice(UNSTEADY_CHART)() if self.unsteady else Reply()

    def _filed(self, body: bytes) -> None:
        self._journal.arrived(read_fhir(body))
        self._happened("arrival")
