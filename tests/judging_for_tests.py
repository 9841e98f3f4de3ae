"""Judging of the shipped profiles over a real store: strips to keep, writers, and what became of them."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from concurrent.futures import Future
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from typing import Any, cast

from bridge.demo.printers import Play, framed, printed
from bridge.judging import Ids, Judging
from bridge.model import Capture, Way
from bridge.plan_book import PlanBook
from bridge.queue.offers import Outlet
from bridge.store.api import Store
from bridge.store.commands import Command, KeepCapture
from bridge.store.sqlite import SqliteStore
from bridge.tables.types import DestinationTerms
from tests.render import tables_for_tests
from tests.tables.shipped_tables import ZONE, tables

ORU = replace(tables_for_tests.ORU, name="records")


NOW = datetime(2026, 11, 25, 9, 0, tzinfo=UTC)


def now() -> datetime:
    return NOW


class Refusing:
    """The real store, but for so many commands of one kind, which fail as on a bad disk."""

    def __init__(self, store: SqliteStore, *, times: int, error: Exception, kind: type = object, after: int = 0) -> None:
        self._store = store
        self._times = times
        self._error = error
        self._kind = kind
        self._after = after

    @property
    def as_store(self) -> Store:
        return cast("Store", self)

    def submit(self, command: Command) -> Future[Any]:
        if isinstance(command, self._kind):
            self._after -= 1
            if self._after < 0 < self._times:
                self._times -= 1
                failed: Future[Any] = Future()
                failed.set_exception(self._error)
                return failed
        return self._store.submit(command)

    def __getattr__(self, name: str) -> Any:
        return getattr(self._store, name)


def strip(number: int, **more: Any) -> Play:
    at = NOW.astimezone(ZONE) - timedelta(minutes=60 - number)
    fields = {"number": number, "at": at, "patient_id": f"4071880{number}", "word": "Rotina", "strip_type": "plover-12", **more}
    return Play(**fields)


def kept(*plays: Play) -> KeepCapture:
    profile = tables().profiles["tern"]
    payload = framed(printed(plays, profile, tables()), profile)
    capture = Capture(source="drops", way=Way.FOLDER, arrived_at=NOW, payload=payload, name="list.txt", live=True)
    return KeepCapture(capture=capture, analyzer="bench-b", profile="tern")


def book(*terms: DestinationTerms, passed: Sequence[str] = ()) -> PlanBook:
    made = PlanBook(terms, ["tern"], tables())
    for name in passed:
        made.passed(name)
    return made


def judging(store: Store, writers: PlanBook | None = None, *, outlets: Mapping[str, Outlet] | None = None) -> Judging:
    writers = writers or book(ORU, passed=[ORU.name])
    return Judging(store, tables(), writers, Ids(store), now, profiles={"drops": "tern"}, outlets=outlets or {})


def outcomes(store: SqliteStore, capture_id: int) -> list[tuple[str, str]]:
    return [(row.number, row.outcome) for row in store.capture_strips(capture_id)]
