"""The record systems of the fault tests: the independent receivers of tests/peers, which note each message before they answer."""

from __future__ import annotations

import hashlib
import json
import random
import threading
from collections.abc import Callable
from contextlib import ExitStack
from dataclasses import replace
from datetime import timedelta
from pathlib import Path
from types import TracebackType
from typing import Any, ClassVar, Self

import hl7

from bridge.clock import now
from bridge.credentials.keys import make_key
from tests.faults.history import Arrived
from tests.faults.journal import Journal
from tests.faults.second_answers import SecondAnswers
from tests.faults.served import free_port
from tests.peers.fhir_receiver import FhirReceiver, Posted, Reply, outcome, turn_away
from tests.peers.hook_receiver import HookReceiver, key_of
from tests.peers.mllp_receiver import How, MllpReceiver, Received, hang_up, silent
from tests.peers.mllp_receiver import Reply as Answer
from tests.peers.mllp_receiver import turn_away as turned_away
from tests.peers.proxied import FlakyProxy

HL7, CHART, LATE, HOOK = "hl7", "chart", "late", "hook"
RECEIVERS = (HL7, CHART, LATE, HOOK)
TWO = (HL7, CHART)  # of the rounds that are played aside: a small disk has no room for more
DAY = timedelta(days=1)
ANSWER_S = 1.5  # the service waits this long for an answer: short, so that a silent receiver costs a round little


def read_hl7(payload: bytes, receiver: str = HL7) -> Arrived:
    """Give what an ORU^R01 is of: SPM-2, PID-3.1, MSH-10, OBR-3. Read by the PyPI package ``hl7``."""
    message = hl7.parse(payload.decode("utf-8"))

    def field(segment: str, number: int) -> str:
        return str(message.segment(segment)(number)).partition("^")[0]

    return Arrived(
        receiver=receiver,
        strip=field("SPM", 2),
        patient=field("PID", 3),
        control_id=field("MSH", 10),
        filler=field("OBR", 3),
        content=hashlib.sha256(payload).digest(),
    )


def read_fhir(body: bytes, receiver: str = CHART) -> Arrived:
    """Give what a transaction is of: the Specimen's printed number, the report's subject, the Bundle's and the report's identifiers."""
    bundle = json.loads(body)
    of: dict[str, Any] = {entry["resource"]["resourceType"]: entry["resource"] for entry in bundle["entry"]}
    report = of["DiagnosticReport"]
    return Arrived(
        receiver=receiver,
        strip=next(each["value"] for each in of["Specimen"]["identifier"] if "system" not in each),
        patient=report["subject"]["identifier"]["value"],
        control_id=bundle["identifier"]["value"],
        filler=report["identifier"][0]["value"],
        content=hashlib.sha256(body).digest(),
    )


class Chart(FhirReceiver):
    """A FHIR server that tells what it filed, before it answers."""

    filed: Callable[[bytes], None]

    def _transaction(self, body: bytes) -> tuple[int, bytes]:
        status, answer = super()._transaction(body)
        if status == 200:
            self.filed(body)
        return status, answer


class _Hook(HookReceiver):
    """A web hook that tells what it took, before it answers."""

    decide: Callable[[], tuple[int, bool]]  # the status, and whether it keeps the message all the same
    taken_in: Callable[[bytes, bool], None]
    _turn: ClassVar = threading.Lock()

    @property
    def port(self) -> int:
        return int(self.authority.rpartition(":")[2])

    def _said(self, path: str, fields: dict[str, str], body: bytes) -> tuple[int, bytes, dict[str, str]]:
        with self._turn:  # what one request is answered is not another's
            status, held = self.decide()
            if status != 204:
                self.answer(status)
            said = super()._said(path, fields, body)
        assert said[0] != 401, self.refused  # a signature that does not hold is no fault that anybody planted
        self.taken_in(body, held)
        return said


WAITS = f"answer_s: {ANSWER_S}, retry: {{first_s: 0.05, longest_s: 0.3}}"


def hl7_terms(host: str, port: int) -> str:
    """Give the HL7 receiver as a site configuration has it, met at ``host`` and ``port``; with short waits, as all here."""
    return f"  - {{name: {HL7}, kind: mllp, host: {host}, port: {port}, processing_id: T, {WAITS}}}\n"


def chart_terms(host: str, port: int) -> str:
    """Give the FHIR server."""
    return (
        f'  - {{name: {CHART}, kind: fhir, base_url: "http://{host}:{port}/r4", result_system: "urn:example:results",'
        f" processing_id: T, {WAITS}}}\n"
    )


def late_terms(host: str, port: int, answers_port: int, answers_host: str = "127.0.0.1") -> str:
    """Give the HL7 receiver that answers twice; its second answer may mean "later, please"."""
    return (
        f"  - {{name: {LATE}, kind: mllp, host: {host}, port: {port}, processing_id: T, acknowledgement: enhanced, application_answer: AL,"
        f" answers_on: {{host: {answers_host}, port: {answers_port}}},"
        f' answers: [{{when: "AE 207", means: try again}}, {{when: "CE 207", means: try again}}], {WAITS}}}\n'
    )


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
# What a web hook in trouble does: its status, and whether it keeps the message all the same.
UNSTEADY_HOOK = ((204, True), (204, True), (503, False), (429, False), (500, True), (504, True))


class Records:
    """The receivers ``names``, each behind a proxy of its own. Use as a context manager.

    While ``away`` is set the FHIR server answers 503: what was kept must wait. While ``unsteady`` is set all do as receivers in trouble do.
    ``home`` has the keys that the hook is signed by; it and LATE are only there where there is one.
    ``happened`` is called at each arrival, after it was noted and before the answer leaves.
    """

    def __init__(self, journal: Journal, happened: Callable[[str], bool] = lambda _: False, *, home: Path | None = None) -> None:
        self.away = threading.Event()
        self.unsteady: random.Random | None = None
        self.proxies: dict[str, FlakyProxy] = {}
        self._journal = journal
        self._happened = happened
        self._home = home
        self._hl7 = MllpReceiver(decide=self._took)
        self._late = MllpReceiver(decide=self._committed)
        self._chart = Chart(decide=self._at_the_door)
        self._chart.filed = self._filed
        self._open = ExitStack()
        self.names = TWO if home is None else RECEIVERS
        self.answers_port = free_port()

    @property
    def destinations(self) -> str:
        """Give them as a site configuration has them: through the proxies, with short waits."""
        ports = {name: proxy.port for name, proxy in self.proxies.items()}
        found = hl7_terms("127.0.0.1", ports[HL7]) + chart_terms("127.0.0.1", ports[CHART])
        if self._home is not None:
            found += late_terms("127.0.0.1", ports[LATE], self.answers_port)
            found += (
                f'  - {{name: {HOOK}, kind: hook, url: "http://127.0.0.1:{ports[HOOK]}/in/results?from=bench", processing_id: T,'
                f' signing: {{keys: "{self._home / "hook-keys"}"}}, {WAITS}}}\n'
            )
        return found

    def calm(self) -> None:
        """Let every receiver and every wire be well again."""
        self.away.clear()
        self.unsteady = None
        if self._home is not None:
            self.second.silent.clear()
        for proxy in self.proxies.values():
            proxy.command(cmd="clear")

    def __enter__(self) -> Self:
        """Listen."""
        listening: list[tuple[str, Any]] = [(HL7, self._hl7), (CHART, self._chart)]
        if self._home is not None:
            listening += [(LATE, self._late), (HOOK, self._made_hook(self._home / "hook-keys"))]
            self.second = SecondAnswers(self._journal, random.Random(0))
            self.second.addresses = [("127.0.0.1", self.answers_port)]
        for name, receiver in listening:
            self._open.enter_context(receiver)
            self.proxies[name] = self._open.enter_context(FlakyProxy(receiver.port))
        if self._home is not None:
            self._open.callback(self.second.close)
        return self

    def _made_hook(self, keys: Path) -> _Hook:
        if not keys.exists():
            make_key(keys, "ES256", starts=now() - 400 * DAY, ends=now() + 400 * DAY, name="campaign")
        hook = _Hook(keys={path.stem: key_of(json.loads(path.read_text(encoding="utf-8"))) for path in keys.glob("*.jwk")})
        hook.decide = self._at_the_hook
        hook.taken_in = self._hooked
        return hook

    def __exit__(self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None) -> None:
        """Stop."""
        self._open.close()

    def _took(self, received: Received) -> Answer:
        answer = self.unsteady.choice(UNSTEADY_HL7)() if self.unsteady else Answer()
        self._journal.arrived(replace(read_hl7(received.payload), held=answer.stored))
        self._happened("arrival")
        return answer

    def _committed(self, received: Received) -> Answer:
        """Keep a message and say so; the second answer comes later. In trouble some are put off by that, or not answered at first."""
        answer, is_yes = Answer(), True
        if self.unsteady:
            answer, is_yes = self.unsteady.choice(UNSTEADY_HL7)(), self.unsteady.random() < 0.7
        if answer.code != "AA":  # turned away at the door: not kept, and so no second answer
            answer = turned_away("CE", "207", "busy")
        elif answer.stored:
            self._journal.committed(received.control_id, is_yes=is_yes)
            first = self.second.commit(received.control_id, is_yes=is_yes)
            answer = first if answer == Answer() else replace(answer, code="CA")
        self._journal.arrived(replace(read_hl7(received.payload, LATE), held=answer.stored and is_yes))
        self._happened("arrival")
        self._happened("kept")
        return answer

    def _at_the_hook(self) -> tuple[int, bool]:
        return self.unsteady.choice(UNSTEADY_HOOK) if self.unsteady else (204, True)

    def _hooked(self, body: bytes, held: bool) -> None:
        self._journal.arrived(replace(read_fhir(body, HOOK), held=held))
        self._happened("arrival")

    def _at_the_door(self, posted: Posted) -> Reply:
        del posted
        if self.away.is_set():
            return turn_away(503, outcome("transient", "closed for now"))
        return self.unsteady.choice(UNSTEADY_CHART)() if self.unsteady else Reply()

    def _filed(self, body: bytes) -> None:
        self._journal.arrived(read_fhir(body))
        self._happened("arrival")
