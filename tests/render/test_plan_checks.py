"""Plans are shown to the rules and the libraries before their destination opens (decision 0004): real store, queue and child."""

from __future__ import annotations

import asyncio
import shutil
import sys
from collections.abc import Iterator
from dataclasses import replace
from datetime import timedelta
from pathlib import Path

import pytest

from bridge import clock
from bridge.app import PlanBook, check_plans, own_faults
from bridge.errors import RejectError
from bridge.model import Acknowledgement, Answer, CodedResult, Message
from bridge.queue.lanes import DestinationQueue, Pace
from bridge.store.sqlite import SqliteStore
from bridge.tables.types import DestinationTerms
from tests.render.tables_for_tests import FHIR, ORU, shipped

PROFILE = "moss"
PACE = Pace(first=timedelta(seconds=1), longest=timedelta(seconds=2), give_up=timedelta(hours=1), lanes=1)


@pytest.fixture
def store(tmp_path: Path) -> Iterator[SqliteStore]:
    opened = SqliteStore(tmp_path, now=clock.now)
    yield opened
    opened.close()


class Nobody:
    """A receiver that must not be asked: nothing is queued here."""

    async def send(self, message: Message) -> Acknowledgement:
        return Acknowledgement(answer=Answer.REFUSED, code=message.control_id)


async def _bear(result: CodedResult) -> Message:
    raise AssertionError(result.result_id)


def start(store: SqliteStore, *terms: DestinationTerms) -> tuple[PlanBook, dict[str, DestinationQueue]]:
    """Compile the plans and check them, as a starting service does."""

    async def begin() -> tuple[PlanBook, dict[str, DestinationQueue]]:
        book = PlanBook(terms, [PROFILE], shipped())
        queues = {
            term.name: DestinationQueue(store, term.name, Nobody(), PACE, bear=_bear, now=clock.now, jitter=lambda: 0.5)
            for term in terms
        }
        for queue in queues.values():
            queue.shut("Its messages are being checked.")
        await check_plans(book, store, queues)
        return book, queues

    return asyncio.run(begin())


def test_sound_plans_open_their_destinations_and_are_not_shown_twice(store: SqliteStore, monkeypatch: pytest.MonkeyPatch) -> None:
    """Both formats pass, the pass is kept by digest, and the next start needs no child (a false one would fail it)."""
    terms = (replace(ORU, name="records"), replace(FHIR, name="chart"))
    book, queues = start(store, *terms)
    assert [book.may_write(term.name) for term in terms] == [True, True]
    assert [queue._shut for queue in queues.values()] == ["", ""]
    assert {store.plan_check(plan.digest) for term in terms for _, _, plan in book.plans(term.name)} == {""}
    monkeypatch.setattr(sys, "executable", shutil.which("false"))
    book, queues = start(store, *terms)
    assert [book.may_write(term.name) for term in terms] == [True, True]


def test_a_child_that_dies_shuts_the_destination_until_the_next_start(
    store: SqliteStore, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Nothing unchecked is sent; but a child killed for want of memory says nothing of the plan, so nothing is kept against it."""
    monkeypatch.setattr(sys, "executable", shutil.which("false"))
    book, queues = start(store, ORU)
    assert not book.may_write(ORU.name)
    assert queues[ORU.name]._shut == "Its messages fail their checks: the check did not finish: no answer"
    monkeypatch.undo()
    book, queues = start(store, ORU)
    assert book.may_write(ORU.name)
    assert queues[ORU.name]._shut == ""


UNSOUND = {
    "lacks-letter": (
        replace(ORU, charset="ASCII", sending_facility="Labor Süd"),
        "moss, quill-10: The character 'ü' (U+00FC) cannot be sent to lacks-letter, which takes ASCII.",
    ),
    "has-control": (
        replace(FHIR, sending_facility="Labor\x1bSued"),
        "moss, quill-10: A text of this strip holds the control character U+001B, which FHIR does not carry.",
    ),
    "lacks-mode": (replace(ORU, processing_id="X"), "moss, quill-10: MSH-11 is 'X'"),
    "lacks-authority": (
        replace(ORU, patient_authority=""),
        "moss, quill-10: PID-3 needs an identifier, its assigning authority and its type",
    ),
    "lacks-system": (replace(FHIR, result_system=""), "moss, quill-10: Bundle.identifier.system is empty"),
}


def test_what_the_configuration_makes_unsound_shuts_that_destination_alone(store: SqliteStore) -> None:
    """A name that the character set lacks, a missing authority: the reason is named, the service starts, the neighbour opens."""
    unsound = [replace(terms, name=name) for name, (terms, _) in UNSOUND.items()]
    book, queues = start(store, *unsound, replace(FHIR, name="sound"))
    assert {name for name in queues if book.may_write(name)} == {"sound"}
    for name, (_, said) in UNSOUND.items():
        assert own_faults(book, name) == said
        assert queues[name]._shut == f"Its messages fail their checks: {said}"


def test_a_destination_that_did_not_pass_is_not_written_for() -> None:
    """Before the checks end nothing may be born; a text that cannot be said is refused even so."""
    terms = replace(ORU, charset="ASCII", sending_facility="Labor Süd")
    book = PlanBook([terms], [PROFILE], shipped())
    assert not book.may_write(terms.name)
    with pytest.raises(RejectError, match=r"render\.charset"):
        book.payloads(terms.name, PROFILE, "quill-10")
