"""Plans are shown to the rules and the libraries before their destination opens (decision 0004): real store, queue and child."""

from __future__ import annotations

import asyncio
import os
import shutil
import sys
from collections.abc import Iterator
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from bridge import clock, plan_book
from bridge.errors import RejectError
from bridge.model import Acknowledgement, Answer, CodedResult, Format, Message, Purpose
from bridge.plan_book import PlanBook, check_plans, oracle_faults_in_child, own_faults
from bridge.queue.lanes import DestinationQueue
from bridge.queue.tries import Pace
from bridge.render.samples import samples
from bridge.site import example_terms
from bridge.store.sqlite import SqliteStore
from bridge.tables.types import DestinationTerms
from tests.render.tables_for_tests import FHIR, ORU, shipped
from tests.tables.shipped_tables import tables

PROFILE = "moss"
PACE = Pace(first=timedelta(seconds=1), longest=timedelta(seconds=2), give_up=timedelta(hours=1), lanes=1, in_flight=1)


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
    assert [queue.shut_because for queue in queues.values()] == ["", ""]
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
    assert queues[ORU.name].shut_because == "Its messages fail their checks: the check did not finish: no answer"
    monkeypatch.undo()
    book, queues = start(store, ORU)
    assert book.may_write(ORU.name)
    assert queues[ORU.name].shut_because == ""


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
        assert queues[name].shut_because == f"Its messages fail their checks: {said}"


def test_a_destination_that_did_not_pass_is_not_written_for() -> None:
    """Before the checks end nothing may be born; a text that cannot be said is refused even so."""
    terms = replace(ORU, charset="ASCII", sending_facility="Labor Süd")
    book = PlanBook([terms], [PROFILE], shipped())
    assert not book.may_write(terms.name)
    with pytest.raises(RejectError, match=r"render\.charset"):
        book.payloads(terms.name, PROFILE, "quill-10")


# --- the book


def test_a_book_has_a_plan_for_each_strip_type_that_the_sources_read() -> None:
    """One an analyzer could ever bring, none besides: what is not in the book is not checked before go-live."""
    oru, fhir = example_terms()
    book = PlanBook([fhir, oru], ["tern", "brook", "tern"], tables())
    assert book.destinations == ("example-fhir", "example-hl7")
    read = [(profile, strip_type) for profile, strip_type, _ in book.plans(oru.name)]
    assert read == [
        (profile, strip_type)
        for profile in ("brook", "tern")
        for strip_type in sorted(set(tables().profiles[profile].strip_types.values()))
    ]
    assert ("tern", "plover-12") in read
    assert (book.format_of(oru.name), book.format_of(fhir.name)) == (Format.ORU_R01, Format.FHIR)
    digests = [plan.digest for name in book.destinations for _, _, plan in book.plans(name)]
    assert len(set(digests)) == len(digests)


def test_a_result_of_a_profile_that_no_source_uses_any_more_is_written_all_the_same() -> None:
    """It was acknowledged to the analyzer before the site changed its file; its lane is the one it was promised."""
    oru, _ = example_terms()
    result = samples(oru, "tern", "plover-12", tables())[0]
    made_at = datetime(2026, 11, 25, 9, tzinfo=UTC)
    book = PlanBook([oru], ["brook"], tables())
    late = book.write(oru.name, result, control_id="ABCDEM1", made_at=made_at)
    assert late == PlanBook([oru], ["tern"], tables()).write(oru.name, result, control_id="ABCDEM1", made_at=made_at)
    assert late.payload.startswith(
        b"MSH|^~\\&|PADPOST|BENCH|RECORDS|EXAMPLE|20261125090000+0000||ORU^R01^ORU_R01|ABCDEM1|T|2.5.1|"
    )
    assert late.lane == book.lane(result) != ""


def test_a_child_that_hangs_is_ended_and_said(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The check of a plan must come to an end; a real process that never answers stands in for a library that loops."""
    hang = tmp_path / "hang"
    hang.write_text(f"#!{shutil.which('sh')}\necho $$ > {tmp_path}/pid\nexec sleep 600\n", encoding="utf-8")
    hang.chmod(0o755)
    monkeypatch.setattr(sys, "executable", str(hang))
    monkeypatch.setattr(plan_book, "CHECK_S", 1)
    oru, _ = example_terms()
    book = PlanBook([oru], ["moss"], tables())
    digests = frozenset(plan.digest for _, _, plan in book.plans(oru.name))
    found = asyncio.run(oracle_faults_in_child(book, oru.name, digests))
    assert found == dict.fromkeys(digests, "the check did not finish: it took longer than 1 s")
    with pytest.raises(ProcessLookupError):
        os.kill(int((tmp_path / "pid").read_text()), 0)


def test_the_book_tells_who_takes_a_control() -> None:
    """Judging asks it before a message is made: patients' results go to all, a control only where it is asked for."""
    records, qc = replace(ORU, name="records"), replace(ORU, name="qc", format=Format.OUL_R22, non_patient=True)
    book = PlanBook((records, qc), [PROFILE], shipped())
    (result, *_) = samples(records, PROFILE, next(iter(book.plans("records")))[1], shipped())
    control = replace(result, purpose=Purpose.CONTROL, patient_id="")
    assert [book.takes(name, each) for name in ("records", "qc") for each in (result, control)] == [True, False, True, True]
    assert book.write("qc", control, control_id="E0000M1", made_at=clock.now()).lane == f"analyzer:{result.analyzer}"
