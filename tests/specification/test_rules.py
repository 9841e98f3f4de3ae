"""Blocks H to P: the tables that decide are the tables that are printed."""

from __future__ import annotations

from dataclasses import replace

import pytest

from bridge.lifecycle.answers import DOOR, FOLDER, HOOK, HTTP, MLLP, SILENCE, site_answers
from bridge.model import Format
from bridge.specification import Agreement, Door, Subject, specify
from bridge.specification.messages import shown_samples
from bridge.specification.rules import (
    CASES,
    answers,
    changes,
    controls,
    downtime,
    duplicates,
    security,
    statuses,
    validation,
    volumes,
)
from bridge.specification.types import AnswerTable, Record, Words
from bridge.tables.control_table import ControlTable, GatePolicy, ShutDoes
from bridge.tables.hold_table import HoldTable
from bridge.tables.signatures import Signature
from tests.bench.containers_for_tests import compiled
from tests.specification.subjects import MADE_AT, subject
from tests.specification.test_parties import said

OWN = {
    Door.MLLP: {(code, reason, row.answer.value) for (code, reason), row in MLLP.items()},
    Door.FHIR: {(code, "any", row.answer.value) for code, row in HTTP.items()},
    Door.HOOK: {(code, "any", row.answer.value) for code, row in HOOK.items()},
    Door.FOLDER: {(end.value, "any", row.answer.value) for end, row in FOLDER.items()},
}


@pytest.mark.parametrize("door", Door)
def test_every_answer_is_printed_and_no_other(door: Door) -> None:
    """What a vendor reads is what lifecycle.answers does: both tables, each row with its reason."""
    tables = [part for part in answers(subject(door)).parts if isinstance(part, AnswerTable)]
    own, silence = ({(row.answer, row.reason, row.means) for row in table.rows} for table in tables)
    assert own == OWN[door]
    assert silence == {("no answer", key.value, row.answer.value) for key, row in SILENCE.items()}
    assert all(row.why for table in tables for row in table.rows)


@pytest.mark.parametrize("more", [{"encrypted": True}, {"sign_in": "bearer token"}])
def test_what_stands_before_the_door_is_printed_where_there_is_one(more: dict[str, object]) -> None:
    """A vendor sees what an expired certificate or a refused token does: it closes the receiver and loses nothing."""
    given = replace(subject(), **more)  # type: ignore[arg-type]  # one field each, of its own type
    tables = [part for part in answers(given).parts if isinstance(part, AnswerTable)]
    assert {(row.answer, row.means) for row in tables[-1].rows} == {
        (fault.value, row.answer.value) for fault, row in DOOR.items()
    }
    assert len(tables) == 3


def test_the_sign_in_is_said_and_no_secret() -> None:
    """As block E says it."""
    assert said(security(subject()))["sign-in"] == "none; no secret stands in this document"
    given = replace(subject(), sign_in="user and password (RFC 7617)")
    assert said(security(given))["sign-in"] == "user and password (RFC 7617); no secret stands in this document"


def test_status_and_copies_name_the_destinations_own_fields() -> None:
    """An HL7 vendor reads MSH-10 and OBR-3, a FHIR vendor identifiers."""
    assert (
        said(statuses(subject()))["final"]
        == "F in OBR-25 and OBX-11: the first report, and a later one where the receiver has none"
    )
    assert said(statuses(subject(Door.FHIR)))["final"] == "final: the first report, and a later one where the receiver has none"
    gone = "withdrawn, entered in error"
    given = subject()
    deletes = replace(given, terms=replace(given.terms, withdrawal="D"))
    assert said(statuses(given))[gone].startswith("W in every OBX-11, C in OBR-25")
    assert said(statuses(deletes))[gone].startswith("D in every OBX-11, C in OBR-25")
    assert said(duplicates(subject()))["the same result"] == "OBR-3: never used for a second strip"
    assert said(duplicates(subject(Door.FHIR)))["the same message"].startswith("the Bundle's identifier")


def test_a_site_that_holds_runs_says_that_results_may_come_late_and_together() -> None:
    """Only there: the receiver's people should know why."""
    site = subject()
    holds = replace(site, tables=replace(site.tables, policy=replace(site.tables.policy, run_pause_minutes=5)))
    for given, is_said in ((site, False), (holds, True)):
        (words,) = (part for part in statuses(given).parts if isinstance(part, Words))
        assert ("strips less than 5 minutes apart, those that follow are sent together" in words.text) is is_said


def test_what_the_site_declares_is_said_to_receivers() -> None:
    """Which strips are held back for what they look like, and each comment that may stand on a result, as it was signed."""
    site = subject()
    bare = replace(site, tables=replace(site.tables, holds=HoldTable()))
    said = replace(
        site, tables=replace(site.tables, holds=replace(site.tables.holds, reports={"plausible.x": "Ascorbic acid was found."}))
    )
    (words,) = (part for part in statuses(said).parts if isinstance(part, Words))
    assert words.text.endswith(
        " A strip that looks like a control or the other patient's before it is held for a person."
        " A result may bear a comment that the laboratory has signed: 'Ascorbic acid was found.'"
    )
    for given, is_said in ((site, True), (bare, False)):
        (words,) = (part for part in statuses(given).parts if isinstance(part, Words))
        assert ("looks like a control" in words.text) is is_said
        assert "has signed" not in words.text


def test_what_becomes_of_a_second_strip_is_what_the_checks_do() -> None:
    """Only one with the same values waits for a person (rule copy.possible), by the site's own window."""
    words = " ".join(part.text for part in duplicates(subject()).parts if isinstance(part, Words))
    assert "with the same values within 120 minutes waits for a person" in words


@pytest.mark.parametrize(
    ("make", "key"),
    [(controls, "controls"), (volumes, "volumes"), (downtime, "downtime"), (validation, "recheck"), (security, "security")],
)
def test_what_only_people_know_is_named_where_it_lacks(make: object, key: str) -> None:
    """By the key that a person sets."""
    assert callable(make)
    assert make(subject()).lacking == ()
    (lacking,) = make(subject(agreement=Agreement())).lacking
    assert lacking.endswith(f"(agreement.{key})")


def answer_rows(given: Subject) -> dict[str, dict[tuple[str, str], str]]:
    """Give what each table of block K says that an answer means."""
    return {
        part.title: {(row.answer, row.reason): row.means for row in part.rows}
        for part in answers(given).parts
        if isinstance(part, AnswerTable)
    }


def test_a_receiver_of_two_answers_is_told_so() -> None:
    """Enhanced mode: CA is kept and not the end, and MSH-16 as set says what follows."""
    given = subject()
    asks = replace(given, terms=replace(given.terms, asks_commit=True, asks_application="AL"))
    title = "Answers: MSA-1 with ERR-3"
    assert [answer_rows(each)[title]["CA", "any"] for each in (given, asks)] == ["accepted", "committed"]
    never = replace(given, terms=replace(given.terms, asks_commit=True, asks_application="NE"))
    assert answer_rows(never)[title]["CA", "any"] == "accepted"
    (told, *_) = (part.text for part in answers(asks).parts if isinstance(part, Words))
    assert "CA says that the message is stored for good: it is not sent again." in told
    (usual, *_) = (part.text for part in answers(given).parts if isinstance(part, Words))
    assert "AA or CA ends the delivery" in usual


def test_what_the_laboratory_has_set_for_a_receiver_is_said_first() -> None:
    """A vendor must not read in the tables what is not so here."""
    given = replace(subject(), site_answers=site_answers([("AE 207", "try again"), ("AR", "refused")]))
    titles = list(answer_rows(given))
    assert titles[0] == "Set for this receiver"
    assert answer_rows(given)[titles[0]] == {("AE 207", "as named"): "try again", ("AR", "as named"): "refused"}
    assert "Set for this receiver" not in answer_rows(subject())


def test_security_says_that_mllp_is_not_encrypted() -> None:
    """Silence here would be taken for a yes."""
    assert said(security(subject()))["encryption on the way out"] == "none by Padpost: use a protected network or a tunnel"


def test_changes_name_what_messages_depend_on() -> None:
    """Program and table set."""
    given = subject()
    facts = said(changes(given, shown_samples(given)))
    assert (facts["Padpost"], facts["table set, SHA-256"], facts["samples"]) == ("0.1.0", given.tables.digest, "14")


def test_who_signed_the_tables_is_said() -> None:
    """Or that nobody has, and what that means for a live destination and for one that is tried; the digest is the interface's alone."""
    given = subject()
    live = replace(given, terms=replace(given.terms, processing_id="P"))
    signature = Signature(tables=given.tables.digest, by="Ana Prado", at=MADE_AT, words="each step")
    told = [
        (facts["live"], facts["table set signed"])
        for facts in (said(changes(each, ())) for each in (given, live, replace(live, signature=signature)))
    ]
    assert told == [
        ("no: processing ID T", "not signed; it must be before the destination is live"),
        ("yes: processing ID P", "not signed: nothing is sent"),
        ("yes: processing ID P", "by Ana Prado, 2026-11-25T09:30:00+00:00: each step"),
    ]
    assert specify(live).digest == specify(replace(live, signature=signature)).digest != specify(given).digest


def test_the_record_has_cases_and_steps_or_says_why_not() -> None:
    """Without a source there are no pads, and the record says so."""
    records = [part for part in validation(subject()).parts if isinstance(part, Record)]
    assert [record.title for record in records] == ["Cases", "Every step of every pad"]
    assert len(records[0].rows) == len(CASES) == 16
    bare = validation(subject(profiles=()))
    assert [part.title for part in bare.parts if isinstance(part, Record)] == ["Cases"]
    assert Words(text="Not set: without a source there are no pads to try.") in bare.parts


@pytest.mark.parametrize(
    ("shut", "does"),
    [
        (None, "Padpost judges none of them: the laboratory does, by its own procedure"),
        (ShutDoes.NOTE, "patients' results of that analyzer, strip type and strip lot go with a note kept at Padpost."),
        (
            ShutDoes.WAIT,
            "patients' results of that analyzer, strip type and strip lot wait until all have passed, and are held for a person after a failure.",
        ),
        (ShutDoes.HOLD, "patients' results of that analyzer, strip type and strip lot are held for a person."),
    ],
)
def test_what_controls_do_to_results_is_said(shut: ShutDoes | None, does: str) -> None:
    """A receiver that gets nothing for an hour must know why that can be."""
    given = subject()
    policy = GatePolicy(levels=frozenset({"1", "2"}), zone=given.terms.zone, shut=shut) if shut else None
    made = replace(given, tables=replace(given.tables, controls=ControlTable(policy=policy)))
    (words,) = (part for part in controls(made).parts if isinstance(part, Words))
    assert does in words.text


@pytest.mark.parametrize(
    ("findings", "does"),
    [
        (None, "before patients' results are used."),
        (
            {},
            (
                "Results of strips from a container that nobody entered, or past their last day, or from a container that was open for too long"
                " are held for a person."
            ),
        ),
        (
            {"unknown": "note", "expired": "note", "open_too_long": "note", "new_lot": "hold"},
            "Results of strips of a lot that nobody has accepted yet are held for a person.",
        ),
        ({"unknown": "note", "open_too_long": "note"}, "Results of strips past their last day are held for a person."),
        (
            {"unknown": "note", "expired": "note", "open_too_long": "note"},
            "Strips from unknown or old containers are noted at Padpost, and their results sent.",
        ),
    ],
)
def test_what_becomes_of_bad_strips_is_said(findings: dict[str, str] | None, does: str) -> None:
    """The other reason for which a result may not come; of a site that asks for no containers nothing is said of them."""
    given = subject()
    made = replace(given, tables=replace(given.tables, containers=compiled(findings=findings)))
    (words,) = (part for part in controls(made).parts if isinstance(part, Words))
    assert words.text.endswith(does)


def test_a_site_that_sends_controls_says_so_and_tries_it() -> None:
    """Block H tells how a control is known, and the record's case expects it among the controls."""
    given = subject()
    sends = replace(given, terms=replace(given.terms, format=Format.OUL_R22, non_patient=True))
    for made, begins, expected in (
        (given, "Controls are kept and shown by Padpost, never sent", "nothing arrives"),
        (
            sends,
            "Controls and comparison strips are sent as OUL^R22 without PID",
            "it stands among the controls of its analyzer, and in no patient's record",
        ),
    ):
        (words,) = (part for part in controls(made).parts if isinstance(part, Words))
        assert words.text.startswith(begins)
        (cases, *_) = (part for part in validation(made).parts if isinstance(part, Record))
        assert [row.expected for row in cases.rows if row.case == "Control"] == [expected]
