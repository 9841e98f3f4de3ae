"""The month as Padpost judges it: real bytes of the shipped profiles, the real judging over a real store, and what people do between."""

from __future__ import annotations

import asyncio
from dataclasses import dataclass, replace
from datetime import date, datetime
from typing import cast

from bridge.bench.containers import ContainerEnd
from bridge.bench.day_log import Degrees
from bridge.bench.gate import GateKey, Mended, RepeatExplained
from bridge.bench.left_open import Suspicion
from bridge.bench.operators import Operator
from bridge.demo.printers import framed, printed
from bridge.desk.containers import ContainerDesk, TypedContainer
from bridge.desk.day_log import DayLogDesk, TypedLine
from bridge.judging import Ids, Judging
from bridge.model import Actor, Capture, Way
from bridge.pages.container_board import ContainerBoard
from bridge.plan_book import PlanBook
from bridge.store.api import Store
from bridge.store.commands import EnterOperator, KeepCapture, SayOfGate
from bridge.store.sqlite import SqliteStore
from bridge.tables.control_table import ShutDoes
from bridge.tables.day_log_table import DayItem, DayLogRule, Undone
from bridge.tables.types import ClockRule, Profile, Tables
from tests.bench import containers_for_tests, controls_for_tests
from tests.judging_for_tests import ORU
from tests.month.plan import EXPIRES, OPEN_DAYS, Act, Month, Strip
from tests.month.seeds import FILES, LINE, STRIP_LOTS
from tests.store.strips import WAIT
from tests.tables.shipped_tables import ZONE, tables

SUND, HOLM = Actor(name="A. Sund", verified="unverified"), Actor(name="R. Holm", verified="unverified")
PROFILES = {LINE: "brook", FILES: "brook-file"}
SOURCES = {"line": "brook", "files": "brook-file"}
AT_ONCE = 25  # captures that are judged in one go, as after a busy minute


LOG = DayLogRule(zone=ZONE, due=(), undone=Undone.HOLD)


def site() -> Tables:
    """Give the tables of a site that has everything switched on: controls, containers, clocks, operators, runs."""
    made = tables()
    ids = replace(made.policy.patient_id, check_digit="luhn")
    policy = replace(made.policy, patient_id=ids, clock=ClockRule(), operators="hold", run_pause_minutes=5, day_log=LOG)
    signed = {"signed": "Dr Q. Example, 2026-09-28", "source": "our procedure 12"}
    gate = {"levels": ["1", "2"], "shut": ShutDoes.WAIT.value, "day_starts": "06:00", "one_step_either_side": signed}
    days = {**containers_for_tests.document()["open_days"][0], "days": OPEN_DAYS}
    return replace(
        made,
        policy=policy,
        controls=controls_for_tests.compiled(gate=gate),
        containers=containers_for_tests.compiled(findings={"new_lot": "hold"}, open_days=[days]),
    )


@dataclass(frozen=True, kw_only=True, slots=True)
class Judged:
    """What became of a strip when it was judged first: its outcome, the rules of its findings, and its rows in the store."""

    strip: Strip
    outcome: str
    rules: frozenset[str]
    strip_id: int


@dataclass(frozen=True, kw_only=True, slots=True)
class Look:
    """What stands of a container in use at the end of a day."""

    at: datetime
    analyzer: str
    lot: str
    opened_at: datetime
    suspicion: Suspicion | None


class Played:
    """Both analyzers, one store, one destination. ``store`` is another's to close."""

    def __init__(self, store: SqliteStore, month: Month) -> None:
        self.store = store
        self.tables = site()
        self.now = month.happens[0].arrives_at
        book = PlanBook([ORU], list(SOURCES.values()), self.tables)
        book.passed(ORU.name)
        typed = cast("Store", store)
        self._judging = Judging(typed, self.tables, book, Ids(typed), lambda: self.now, profiles=SOURCES)
        self._containers = ContainerDesk(typed, self.tables, lambda: self.now)
        self._log = DayLogDesk(typed, self.tables, ZONE, lambda: self.now)
        self._in_use: dict[str, int] = {}
        self._kept: list[tuple[int, Strip]] = []
        self.judged: list[Judged] = []
        self.accepted: set[str] = set()
        self._enter_operators()
        self.looks: list[Look] = []
        for each in month.happens:
            if each.arrives_at.date() > self.now.date():
                self._judge()
                self._look()
            self.now = each.arrives_at
            if isinstance(each, Act):
                self._judge()
                self._do(each)
                self._judge()
            else:
                self._kept.append((self._keep(each), each))
                if each.is_looked_at or len(self._kept) >= AT_ONCE:
                    self._judge()
        self._judge()
        self._look()

    def _look(self) -> None:
        """Look at the containers in use, as a person does at the end of a day."""
        for shown in ContainerBoard(cast("Store", self.store), self.tables).in_use(now=self.now, anew=True):
            row, suspicion = shown.row, shown.suspicion
            opened_at = row.container.opened_at
            self.looks.append(
                Look(at=self.now, analyzer=row.analyzer, lot=row.container.strip_lot, opened_at=opened_at, suspicion=suspicion)
            )

    def _enter_operators(self) -> None:
        entries = [Operator(analyzer=each, number="07", name="Ana Lind", since=date(2026, 1, 1)) for each in PROFILES]
        entries += [
            Operator(analyzer=each, number="08", name="Bo Ek", since=date(2026, 1, 1), until=date(2026, 10, 15))
            for each in PROFILES
        ]
        for entry in entries:
            self.store.submit(EnterOperator(operator=entry, actor=SUND, at=self.now)).result(WAIT)

    def _keep(self, strip: Strip) -> int:
        profile = self.tables.profiles[PROFILES[strip.analyzer]]
        is_line = strip.analyzer == LINE
        capture = Capture(
            source="line" if is_line else "files",
            way=Way.SERIAL if is_line else Way.FOLDER,
            arrived_at=strip.arrives_at,
            payload=payload_of(strip, profile, self.tables),
            live=is_line,
            torn=strip.keep < 1,
        )
        kept: int = self.store.submit(KeepCapture(capture=capture, analyzer=strip.analyzer, profile=profile.name)).result(WAIT)
        return kept

    def _judge(self) -> None:
        for analyzer in PROFILES:
            asyncio.run(self._judging.work_off(analyzer))
        for capture_id, strip in self._kept:
            (row,) = self.store.capture_strips(capture_id)
            rules = frozenset(rule for rule, _, _ in row.findings)
            self.judged.append(Judged(strip=strip, outcome=row.outcome, rules=rules, strip_id=row.strip_id))
        self._kept.clear()

    def _do(self, act: Act) -> None:
        key = GateKey(analyzer=act.analyzer, strip_type="quill-10", strip_lot=act.lot)
        match act.what:
            case "accept":
                self._accept(act.lot)
            case "open":
                expires = next(EXPIRES[name] for name, lot in STRIP_LOTS.items() if lot == act.lot)
                typed = TypedContainer(analyzer=act.analyzer, strip_type="quill-10", strip_lot=act.lot, expires=expires)
                self._in_use[act.analyzer] = self._containers.open(typed, actor=SUND)
            case "close":
                self._containers.close(self._in_use[act.analyzer], how=ContainerEnd.USED_UP, reason="", actor=SUND)
            case "room":
                warm = TypedLine(item=DayItem.TEMPERATURE, typed=act.degrees, scale=Degrees.CELSIUS)
                self._log.note(act.analyzer, [warm], done="", actor=SUND)
            case "mend":
                self._say(key, Mended(at=self.now, by=SUND, cause="lamp dirty", action="cleaned"))
            case "explain":
                self._say(key, RepeatExplained(at=self.now, by=SUND, reason="a drop missed a pad"))
        self._judging.shelf.forget()

    def _accept(self, lot: str) -> None:
        if lot not in self.accepted:
            self.accepted.add(lot)
            self._containers.accept_lot("quill-10", lot, reason="compared with the lot in use", actor=SUND)
            self._containers.sign_lot("quill-10", lot, actor=HOLM)

    def _say(self, key: GateKey, word: Mended | RepeatExplained) -> None:
        policy = self.tables.controls.policy
        assert policy is not None
        self.store.submit(SayOfGate(key=key, word=word, policy=policy)).result(WAIT)


def payload_of(strip: Strip, profile: Profile, made: Tables) -> bytes:
    """Give the bytes as they arrive."""
    text = printed([strip.play], profile, made).decode(profile.charset)
    if strip.fault:
        text = with_fault(text, strip.fault)
    for old, new in strip.changes:
        assert old in text, (strip.seed, old)
        text = text.replace(old, new)
    framed_text = framed(text.encode(profile.charset), profile)
    return framed_text[: int(len(framed_text) * strip.keep)]


def with_fault(text: str, fault: str) -> str:
    """Give a strip's text with an error in place of its pads: a maker's record on the line, the column of the file."""
    if "\t" not in text:
        records = [line for line in text.split("\r") if not line.startswith("R|")]
        return "\r".join([*records[:3], f"M|1||{fault}", *records[3:]])
    header, row, end = text.split("\r\n")
    names, cells = header.split("\t"), row.split("\t")
    told = [fault if name == "FAULT" else "" if name in names[10:] else cell for name, cell in zip(names, cells, strict=True)]
    return "\r\n".join([header, "\t".join(told), end])
