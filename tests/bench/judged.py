"""An invented analyzer with controls, judged by the real judging over a real store, a minute a strip."""

from __future__ import annotations

import asyncio
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from datetime import datetime, timedelta
from typing import cast

from bridge.bench.gate import GateKey, Mended, Word
from bridge.demo.printers import Play, framed, printed
from bridge.judging import Ids, Judging
from bridge.model import Actor, Capture, GateState, Way
from bridge.plan_book import PlanBook
from bridge.store.api import Store
from bridge.store.commands import KeepCapture, SayOfGate
from bridge.store.sqlite import SqliteStore
from bridge.tables.control_table import ShutDoes
from bridge.tables.types import Tables
from tests.bench.controls_for_tests import compiled
from tests.judging_for_tests import NOW, ORU
from tests.store.strips import WAIT
from tests.tables.shipped_tables import ZONE, tables

SUND = Actor(name="A. Sund", verified="unverified")
KEY = GateKey(analyzer="bench-a", strip_type="quill-10", strip_lot="24A01")
LOTS = {"1": "B1-0771", "2": "B2-0772"}
# what the positive level shows where all is well, by rank of the ladder; the negative one shows the lowest steps but where its insert has a range
SOUND = {each.level: {pad.pad: pad.ranks[0] for pad in each.expected} for each in compiled().lots}
MENDED = Mended(at=NOW, by=SUND, cause="strips left open", action="new container")


def with_policy(shut: ShutDoes = ShutDoes.WAIT, **more: object) -> Tables:
    """Give the shipped tables with the invented controls, and a gate that does so."""
    table = compiled()
    assert table.policy is not None
    policy = replace(table.policy, shut=shut, **more)  # type: ignore[arg-type] # a policy's own fields, of several types
    return replace(tables(), controls=replace(table, policy=policy))


class Bench:
    """One analyzer and one destination. ``store`` is another's to close."""

    def __init__(self, store: SqliteStore, made: Tables) -> None:
        self.store, self.tables, self.minute, self.number = store, made, 0, 0
        self.judging = self.judging_over(cast("Store", store))

    def judging_over(self, store: Store) -> Judging:
        """Give the judging over a store that stands for the bench's own."""
        book = PlanBook([ORU], ["brook"], self.tables)
        book.passed(ORU.name)
        return Judging(
            store, self.tables, book, Ids(store), lambda: NOW + timedelta(minutes=self.minute), profiles={"line": "brook"}
        )

    def patient(self, **more: object) -> Play:
        """Give a patient's strip."""
        return self._play(**{"word": "N", "patient_id": f"{40718801 + self.number}", **more})

    def control(self, level: str, **ranks: int) -> Play:
        """Give a control strip of a level, sound unless told otherwise."""
        return self._play(word="C", specimen_id=LOTS[level], ranks={**SOUND[level], **ranks})

    def _play(self, **more: object) -> Play:
        self.number += 1
        at = (NOW + timedelta(minutes=self.minute + 1)).astimezone(ZONE)
        return Play(**{"number": self.number, "at": at, "strip_type": "quill-10", **more})  # type: ignore[arg-type] # as above

    def read(self, *plays: Play) -> list[str]:
        """Let one capture arrive and judge all that waits; give the outcome of each of its strips."""
        capture_id = self.keep(*plays)
        self.work_off()
        return [strip.outcome for strip in self.store.capture_strips(capture_id)]

    def keep(self, *plays: Play) -> int:
        """Let one capture arrive, to be judged with the next; give its id."""
        self.minute += 1
        profile = self.tables.profiles["brook"]
        capture = Capture(
            source="line",
            way=Way.SERIAL,
            arrived_at=NOW + timedelta(minutes=self.minute),
            payload=framed(printed(plays, profile, self.tables), profile),
        )
        capture_id: int = self.store.submit(KeepCapture(capture=capture, analyzer="bench-a", profile="brook")).result(WAIT)
        return capture_id

    def work_off(self) -> None:
        """Judge all that waits to be judged."""
        with ThreadPoolExecutor(1) as beside:  # a browser's test has a loop of its own in this thread
            beside.submit(lambda: asyncio.run(self.judging.work_off("bench-a"))).result(WAIT)

    def say(self, word: Word) -> None:
        """Let a person say something of the gate, a while later, and judge what that frees."""
        self.minute += 1
        policy = self.tables.controls.policy
        assert policy is not None
        said = replace(word, at=NOW + timedelta(minutes=self.minute))
        self.store.submit(SayOfGate(key=KEY, word=said, policy=policy)).result(WAIT)
        self.work_off()

    @property
    def at(self) -> datetime:
        """Give the minute of the capture that came last, and half of the next."""
        return NOW + timedelta(minutes=self.minute + 0.5)

    @property
    def sent(self) -> list[str]:
        """Give the numbers of the patients' strips that were sent on, in the order of their messages."""
        results = [row.result_id for row in reversed(self.store.results(limit=500))]
        born = sorted((self.store.deliveries(result_id)[0].delivery_id, result_id) for result_id in results)
        by_result = {strip.result_id: strip.number for strip in self.store.strips(outcome="coded", limit=500)}
        return [by_result[result_id] for _, result_id in born]

    @property
    def state(self) -> GateState:
        """Give the state of the analyzer's gate as it was last moved."""
        (row,) = self.store.gates()
        assert row.key == KEY
        return row.gate.state
