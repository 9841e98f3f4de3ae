"""A real store filled by its own commands, and the real pages over it on a loopback port of their own.

No loop runs behind them: what a test reads is what it put in. Times are fixed.
"""

from __future__ import annotations

import contextlib
import re
import socket
import sqlite3
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import closing
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from html.parser import HTMLParser
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

import httpx

from bridge.desk.actions import Desk
from bridge.desk.additions import AdditionDesk
from bridge.desk.corrections import CorrectionDesk, CorrectionTerms
from bridge.desk.entries import EntryDesk, EntryPlace
from bridge.desk.gates import GateDesk
from bridge.model import (
    Acknowledgement,
    Answer,
    Capture,
    CheckedPad,
    CheckedReading,
    Code,
    Coded,
    CodedGrade,
    CodedPad,
    CodedResult,
    Copy,
    Finding,
    Flag,
    Format,
    Grade,
    Held,
    Message,
    NonPatient,
    Outcome,
    Place,
    Printed,
    PrintedPad,
    Priority,
    Property,
    Purpose,
    Reading,
    Rejected,
    ResultStatus,
    Severity,
    Step,
    StripContent,
    StripKey,
    UnitSystem,
    Unreadable,
    ValueForm,
    Way,
)
from bridge.pages.app import make_pages
from bridge.pages.server import PagesServer
from bridge.pages.site import Bench, Desks, PagesSite
from bridge.site import example_terms
from bridge.store.commands import (
    BeginAttempt,
    EndAttempt,
    KeepCapture,
    NewDelivery,
    NoteRefusedFile,
    PurgeCaptures,
    RecordedOutcome,
    RecordOutcome,
)
from bridge.store.database import SqliteDb
from bridge.store.review import review
from bridge.store.rows import StripRow
from bridge.store.sqlite import FILE, SqliteStore
from bridge.tables.types import ModeRule, NumberScheme, PatientIdPolicy, Policy, SeriesRule
from tests.tables.shipped_tables import tables

NOW = datetime(2026, 11, 25, 12, 0, tzinfo=UTC)
LISBON = ZoneInfo("Europe/Lisbon")  # UTC in winter
GOOD, OTHER, MISTYPED = "40700007", "40700015", "40700008"  # Luhn check digits, the last one wrong; invented
POLICY = Policy(
    patient_id=PatientIdPolicy(
        pattern=r"\d{8}", check_digit="luhn", denied=frozenset({"00000000"}), denied_patterns=(r"9\d{7}",)
    ),
    rerun_window_minutes=120,
    future_tolerance_minutes=15,
    oldest_days=30,
)
ORDER = "MSH|^~\\&|PADPOST|BENCH|||20261125120000||ORU^R01^ORU_R01|{id}|P|2.5.1\rPID|1||{patient}\r"


def finding(rule: str = "patient.check_digit", **more: Any) -> Finding:
    """Give a finding of a rule; its sentence and remedy may be given."""
    return Finding(
        **{
            "rule": rule,
            "severity": Severity.REJECT,
            "sentence": "Patient ID fails its check digit.",
            "remedy": "Scan the label again.",
            **more,
        }
    )


class Stocked:
    """A store with what a test puts on its shelf. Every strip is of analyzer ``bench-a`` unless said otherwise."""

    def __init__(self, folder: Path, *, zone: ZoneInfo = LISBON) -> None:
        self.now = NOW
        self.store = SqliteStore(folder / "store", now=lambda: self.now)
        self._file = folder / "store" / FILE
        self.desk = Desk(self.store, POLICY, lambda: self.now, zone=zone)
        self.zone = zone
        self.count = 0
        self.eyes: tuple[EntryPlace, ...] = ()
        self.slips: tuple[EntryPlace, ...] = ()

    def files(self) -> list[Path]:
        """Give every file of the store."""
        return [path for path in self._file.parent.iterdir() if path.is_file()]

    # --- what came of a strip

    def record(self, outcome: Outcome | None, reading: Reading | Unreadable, **more: Any) -> RecordedOutcome:
        """Keep a capture and record what became of it. ``more``: payload, name, arrived_at, live, deliveries, tell, entered."""
        payload = more.get("payload", f"capture {self.count}".encode())
        capture = Capture(
            source="drops",
            way=Way.FORM if more.get("entered") else Way.FOLDER,
            arrived_at=more.get("arrived_at", self.now),
            payload=payload,
            name=more.get("name", ""),
            live=more.get("live", True),
        )
        capture_id = self.store.submit(KeepCapture(capture=capture, analyzer=reading.analyzer, profile="tern")).result(10)
        intake = self.store.next_intake(reading.analyzer)
        assert intake is not None
        assert intake.capture_id == capture_id
        recorded: RecordedOutcome = self.store.submit(
            RecordOutcome(
                intake_id=intake.intake_id,
                capture_id=capture_id,
                reading=reading,
                outcome=outcome,
                deliveries=more.get("deliveries", ()),
                tables_digest="d" * 64,
                at=self.now,
                ends_intake=True,
                tell=more.get("tell"),
            )
        ).result(10)
        return recorded

    def checked(self, patient_id: str = GOOD, **more: Any) -> CheckedReading:
        """Give a checked reading of two pads; any text may be given."""
        self.count += 1
        number = more.pop("number", str(self.count))
        text = {"specimen_id": f"U26-{number}", "operator": "07", "strip_lot": "24A01", "strip_type": "sedge-5", **more}
        printed = {
            name: Printed(text=value, place=Place(start=0, end=1))
            for name, value in {"number": number, "patient_id": patient_id, "specimen_id": text["specimen_id"]}.items()
            if value
        }
        pads = (("GLUC", "NEG", ""), (text.pop("label", "PROT"), text.pop("value", "1+"), text.pop("unit", "")))
        comment = text.pop("comment", "")
        purpose, priority = text.pop("purpose", Purpose.PATIENT), text.pop("priority", Priority.ROUTINE)
        analyzer = text.pop("analyzer", "bench-a")
        reading = Reading(
            index=0,
            place=Place(start=0, end=7),
            analyzer=analyzer,
            profile="tern",
            record_digest=f"{self.count:064d}",
            printed_date=Printed(text="25.11.2026", place=Place(start=0, end=1)),
            comments=(Printed(text=comment, place=Place(start=0, end=1)),) if comment else (),
            pads=tuple(
                PrintedPad(
                    label=Printed(text=label, place=Place(start=n, end=n + 1)),
                    value=Printed(text=value, place=Place(start=n + 10, end=n + 11)),
                    unit=Printed(text=unit, place=Place(start=n + 20, end=n + 21)) if unit else None,
                )
                for n, (label, value, unit) in enumerate(pads)
            ),
            **printed,
        )
        return CheckedReading(
            reading=reading,
            key=StripKey(analyzer=analyzer, mode="all", series="2026-11-25", number=number),
            content=StripContent(patient_id=patient_id, operator="07", strip_type="sedge-5", strip_lot="24A01", pads=()),
            purpose=purpose,
            priority=priority,
            patient_id=patient_id,
            corrected_by=None,
            patient_name="",
            analyzed_at=self.now - timedelta(minutes=20),
            pads=tuple(
                CheckedPad(
                    pad=name,
                    step=Step(rank=n, grade=Grade.NEGATIVE, conventional=None, si=None, abnormal=bool(n)),
                    printed=value,
                    place=Place(start=n + 10, end=n + 11),
                )
                for n, (name, value, _) in enumerate(pads)
            ),
            **text,
        )

    def rejected(self, patient_id: str = MISTYPED, *, found: Finding | None = None, **more: Any) -> int:
        """Put a strip there that cannot be sent; give its stop id. ``more``: as ``checked`` and ``record``."""
        kept, text = _split(more)
        checked = self.checked(patient_id, **text)
        outcome = Rejected(findings=(found or finding(),), checked=checked)
        return _stop_of(self.record(outcome, checked.reading, **kept))

    def held(self, patient_id: str = GOOD, *, found: tuple[Finding, ...] = (), **more: Any) -> int:
        """Put a strip there that waits for a decision; give its stop id."""
        kept, text = _split(more)
        checked = self.checked(patient_id, **text)
        default = finding("time.missing", severity=Severity.HOLD, sentence="No time is printed.", releasable=True)
        return _stop_of(self.record(Held(checked=checked, findings=found or (default,)), checked.reading, **kept))

    def unread(self, *, found: Finding | None = None, **more: Any) -> int:
        """Put a stretch there that gave no reading; give its stop id."""
        self.count += 1
        reading = Unreadable(
            index=0,
            place=Place(start=0, end=4),
            analyzer="bench-a",
            record_digest=f"{self.count:064d}",
            finding=found or finding("read.torn", sentence="It stopped in the middle.", remedy="Send it again."),
        )
        return _stop_of(self.record(None, reading, **more))

    def strip_of(self, stop_id: int) -> StripRow:
        """Give the strip that a stop is of."""
        stop = self.store.stop(stop_id)
        assert stop is not None
        assert stop.strip_id is not None
        strip = self.store.strip(stop.strip_id)
        assert strip is not None
        return strip

    def coded(self, patient_id: str = GOOD, *, to: tuple[Format, ...] = (), **more: Any) -> str:
        """Put a result there with a message for each format of ``to`` (``records``, ``chart``); give its id."""
        kept, text = _split(more)
        checked = self.checked(patient_id, **text)
        result_id = f"R{self.count:06d}"
        result = _result(result_id, checked)
        deliveries = tuple(
            NewDelivery(
                destination=_NAMES[fmt],
                lane=patient_id,
                priority=checked.priority,
                message=Message(
                    destination=_NAMES[fmt],
                    format=fmt,
                    control_id=f"M{self.count:06d}{fmt[0].upper()}",
                    payload=more.get("message") or _message(fmt, self.count, patient_id),
                    result_id=result_id,
                    version=1,
                    lane=patient_id,
                    priority=checked.priority,
                ),
            )
            for fmt in to
        )
        self.record(Coded(checked=checked, result=result), checked.reading, deliveries=deliveries, **kept)
        return result_id

    def other(self, purpose: Purpose = Purpose.CONTROL, **more: Any) -> int:
        """Put a strip of no patient there; give its strip id."""
        kept, text = _split(more)
        checked = self.checked("CTRL-LOW", purpose=purpose, **text)
        return self.record(NonPatient(checked=checked), checked.reading, **kept).strip_id

    def sent_control(self, purpose: Purpose = Purpose.CONTROL, **more: Any) -> str:
        """Put a control there with a message for ``qc``; give its result's id."""
        kept, text = _split(more)
        checked = self.checked("CTRL-LOW", purpose=purpose, **text)
        result = replace(_result(f"R{self.count:06d}", checked), patient_id="", purpose=purpose)
        message = Message(
            destination="qc",
            format=Format.OUL_R22,
            control_id=f"M{self.count:06d}Q",
            payload=_message(Format.ORU_R01, self.count, ""),
            result_id=result.result_id,
            version=1,
            lane=f"analyzer:{result.analyzer}",
            priority=checked.priority,
        )
        going = NewDelivery(destination="qc", lane=message.lane, priority=message.priority, message=message)
        self.record(NonPatient(checked=checked, result=result), checked.reading, deliveries=(going,), **kept)
        return result.result_id

    def copy(self, of: int, **more: Any) -> int:
        """Put a copy of a strip there; give its strip id."""
        kept, text = _split(more)
        checked = self.checked(**text)
        return self.record(Copy(of=of, checked=checked), checked.reading, **kept).strip_id

    def refused_file(self, name: str = "big.txt", beginning: bytes = b"H|\\^&\r") -> int:
        """Put a file there that was not taken; give its stop id."""
        stop_id: int = self.store.submit(
            NoteRefusedFile(
                source="drops",
                name=name,
                digest="e" * 64,
                size=9_000_000,
                beginning=beginning,
                sentence="The file is larger than 4 000 000 bytes.",
                remedy="Send fewer strips in one file.",
                at=self.now,
            )
        ).result(10)
        return stop_id

    def purge(self, capture_id: int) -> None:
        """Purge a capture and its strips by the site's rule, now."""
        self.store.submit(PurgeCaptures(capture_ids=(capture_id,), results=True, at=self.now)).result(10)

    def purged(self, result_id: str) -> int:
        """Purge a result; give its strip's id."""
        detail = self.store.result(result_id)
        assert detail is not None
        self.purge(detail.strip.capture_id)
        return detail.strip.strip_id

    def restored(self) -> None:
        """Let the store be as it is after a restore of a backup taken an hour ago."""
        with closing(sqlite3.connect(self._file, isolation_level=None, factory=SqliteDb)) as file:
            file.execute("BEGIN IMMEDIATE")
            review(file, now=self.now, taken_at=self.now - timedelta(hours=1))
            file.execute("COMMIT")

    def pin_of_before(self, account_id: int, pin: str) -> None:
        """Let an account have a PIN which the store would not keep now."""
        with closing(sqlite3.connect(self._file, isolation_level=None, factory=SqliteDb)) as file:
            file.execute("INSERT INTO quick_ways (account_id, pin, badge) VALUES (?, ?, '')", (account_id, pin))

    def answered(self, result_id: str, answer: Answer = Answer.ACCEPTED, text: str = "", destination: str = "records") -> None:
        """Let a receiver answer a result's message."""
        *_, delivery = (each for each in self.store.deliveries(result_id) if each.destination == destination)
        attempt = self.store.submit(BeginAttempt(delivery_id=delivery.delivery_id, at=self.now)).result(10)
        refused = answer is Answer.REFUSED
        self.store.submit(
            EndAttempt(
                delivery_id=delivery.delivery_id,
                attempt=attempt,
                at=self.now,
                acknowledgement=Acknowledgement(answer=answer, code="AE 204" if refused else "AA", text=text),
                due_at=self.now + timedelta(hours=1) if answer is Answer.TRY_AGAIN else None,
                sentence="records turned this result away (AE 204)." if refused else "",
                remedy="Mend the cause there, then send it again." if refused else "",
            )
        ).result(10)

    def refused(self, patient_id: str = GOOD, text: str = "No such patient", **more: Any) -> int:
        """Put a result there that ``records`` turned away; give its stop id."""
        result_id = self.coded(patient_id, to=(Format.ORU_R01,), **more)
        self.answered(result_id, Answer.REFUSED, text)
        return max(stop.stop_id for stop in self.store.stops(limit=1))

    # --- the pages over it

    def site(self, **more: Any) -> PagesSite:
        """Give the site of these pages."""
        return PagesSite(
            **{
                "name": "Test Clinic",
                "zone": self.zone,
                "port": 8765,
                "secret": b"s" * 32,
                "bench": Bench(tables=tables(), terms=example_terms()),
                "destinations": ("records", "chart"),
                "send_again": {"bench-a": ("Press Memory.", "Press Send.")},
                "schemes": {"bench-a": SCHEME},
                **more,
            }
        )

    def desks(self, told: PagesSite) -> Desks:
        """Give the desks over this store."""
        gates = GateDesk(self.store, told.bench.tables, lambda: self.now)
        corrections = CorrectionDesk(
            self.store,
            replace(told.bench.tables, policy=POLICY),
            lambda: self.now,
            zone=self.zone,
            terms=CorrectionTerms(),
            says=lambda _: None,
        )
        entries = EntryDesk(self.store, told.bench.tables, self.eyes, slips=self.slips, now=lambda: self.now)
        additions = AdditionDesk(self.store, told.bench.tables, lambda: self.now, says=lambda _: None)
        return Desks(stops=self.desk, gates=gates, corrections=corrections, entries=entries, additions=additions)

    @contextlib.contextmanager
    def serving(self, **site: Any) -> Iterator[Visitor]:
        """Serve the pages on a loopback port until the test is over."""
        listener = socket.create_server(("127.0.0.1", 0))
        port = int(listener.getsockname()[1])
        if callable(site.get("door")):  # a door that must know where it is reached
            site["door"] = site["door"](port)
        told = self.site(**{"port": port, **site})
        app = make_pages(self.store, self.desks(told), site=told, now=lambda: self.now)
        server = PagesServer(app, ending=app.state.newsroom.close)
        thread = threading.Thread(target=server.run, kwargs={"sockets": [listener]}, daemon=True)
        thread.start()
        wait_until(lambda: server.started)
        try:
            with httpx.Client(base_url=f"http://127.0.0.1:{port}", timeout=20) as client:
                yield Visitor(client, port)
        finally:
            server.should_exit = True
            thread.join(20)
            listener.close()
            assert not thread.is_alive(), "the pages did not stop"

    def close(self) -> None:
        """Close the store."""
        self.store.close()


SCHEME = NumberScheme(
    pattern=r"(?P<number>[0-9]{1,4})",
    series=SeriesRule.DAILY,
    first=1,
    shared=True,
    modes={"": ModeRule(word="", mode="routine", purpose=Purpose.PATIENT, priority=Priority.ROUTINE)},
)
_NAMES = {Format.ORU_R01: "records", Format.FHIR: "chart"}


def _message(fmt: Format, count: int, patient_id: str) -> bytes:
    if fmt is Format.FHIR:
        return f'{{"resourceType":"Bundle","id":"{count}","value":1.010}}'.encode()
    return ORDER.format(id=f"M{count:06d}O", patient=patient_id).encode()


def _result(result_id: str, checked: CheckedReading) -> CodedResult:
    code = Code(code="57735-3", text="Protein", system="LN")
    assert checked.analyzed_at is not None
    return CodedResult(
        result_id=result_id,
        version=1,
        status=ResultStatus.FINAL,
        profile="tern",
        analyzer=checked.key.analyzer,
        patient_id=checked.patient_id,
        patient_name="",
        specimen_id=checked.specimen_id,
        operator=checked.operator,
        strip_type=checked.strip_type,
        strip_lot=checked.strip_lot,
        priority=checked.priority,
        number=checked.key.number,
        born=checked.born,
        sex=checked.sex,
        panel=Code(code="24356-8", text="Urinalysis", system="LN"),
        analyzed_at=checked.analyzed_at,
        collected_at=None,
        pads=(
            CodedPad(
                pad="protein",
                name="Protein",
                local=Code(code="PRO", text="Protein", system="L"),
                forms=(
                    ValueForm(
                        system=UnitSystem.ARBITRARY,
                        prop=Property.ORDINAL,
                        code=code,
                        value=CodedGrade(grade=Grade.PLUS_1, text="1+", answer=None),
                    ),
                ),
                flag=Flag.ABNORMAL,
                printed=checked.pads[1].printed,
                expected="Negative",
            ),
        ),
        comments=tuple(comment.text for comment in checked.reading.comments),
        tables_digest="d" * 64,
    )


class Visitor:
    """A browser's part, without a browser: keeps the cookie, says its origin, takes the token from the page."""

    def __init__(self, client: httpx.Client, port: int) -> None:
        self.client = client
        self.port = port
        self.origin = f"http://127.0.0.1:{port}"

    def get(self, path: str, **more: Any) -> httpx.Response:
        """Get a page or an API answer."""
        return self.client.get(path, **more)

    def page(self, path: str) -> Page:
        """Get a page that must be there."""
        answer = self.get(path)
        assert answer.status_code == 200, answer.text
        return Page(answer.text)

    def token(self) -> str:
        """Give the token of the forms that this visitor was shown."""
        (found,) = set(re.findall(r'name="token" value="([0-9a-f]{64})"', self.get("/results").text))
        return str(found)

    def post(self, path: str, **fields: str) -> httpx.Response:
        """Send a form as a page of ours does, with its token unless another is given."""
        data = {"token": self.token(), **fields}
        return self.client.post(path, data=data, headers={"origin": self.origin})

    def api(self, path: str, body: Any, **headers: str) -> httpx.Response:
        """Post to the API as its documentation says."""
        return self.client.post(path, json=body, headers={"x-padpost": "1", **headers})


class Page(HTMLParser):
    """A page taken apart: its elements, and the text of all of it with runs of blanks as one."""

    def __init__(self, html: str) -> None:
        super().__init__()
        self.html = html
        self.elements: list[tuple[str, dict[str, str]]] = []
        self._text: list[str] = []
        self.feed(html)
        self.text = " ".join("".join(self._text).split())

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        """Note an element."""
        self.elements.append((tag, {name: value or "" for name, value in attrs}))
        if tag in {"p", "li", "td", "th", "h1", "h2", "h3", "dt", "dd", "div", "section", "summary", "option", "label"}:
            self._text.append(" ")

    def handle_data(self, data: str) -> None:
        """Note text."""
        self._text.append(data)

    def all(self, tag: str, **attrs: str) -> list[dict[str, str]]:
        """Give the attributes of every element of a kind that has these attributes."""
        return [its for name, its in self.elements if name == tag and all(its.get(key) == value for key, value in attrs.items())]

    def links(self, start: str) -> list[str]:
        """Give where the links lead that start so, in order."""
        return [its["href"] for its in self.all("a") if its.get("href", "").startswith(start)]


def _split(more: dict[str, Any]) -> tuple[dict[str, Any], dict[str, Any]]:
    """Part what the capture takes from what the strip says."""
    of_capture = {"payload", "name", "arrived_at", "live", "tell", "entered"}
    kept = {key: value for key, value in more.items() if key in of_capture}
    return kept, {key: value for key, value in more.items() if key not in of_capture | {"message"}}


def _stop_of(recorded: RecordedOutcome) -> int:
    assert recorded.stop_id is not None
    return recorded.stop_id


def wait_until(claim: Callable[[], Any], bound_s: float = 60.0) -> Any:
    """Wait until a claim holds, and give what it gave; fail after ``bound_s``."""
    until = time.monotonic() + bound_s
    while time.monotonic() < until:
        value = claim()
        if value:
            return value
        time.sleep(0.01)
    raise AssertionError("what was waited for did not come")
