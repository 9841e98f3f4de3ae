"""The FHIR client against a server for transactions that shares no code with it."""

from __future__ import annotations

import asyncio
import json
import threading
from collections.abc import Awaitable, Callable
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import TypeVar

import pytest

from bridge.deliver.fhir import FhirClient
from bridge.model import Acknowledgement, Answer, Format, Message, Priority
from bridge.settings import FhirDestination, Secret
from tests.peers.fhir_receiver import FhirReceiver, Reply, outcome, turn_away
from tests.peers.outgoing import bundle

T = TypeVar("T")
NOW = datetime(2026, 11, 25, 7, 0, tzinfo=UTC)
ACCEPTED = Acknowledgement(answer=Answer.ACCEPTED, code="HTTP 200")


def run(
    base_url: str,
    talk: Callable[[FhirClient], Awaitable[T]],
    *,
    answer_s: float = 10.0,
    bearer: Secret | None = None,
    read_back: bool = False,
) -> T:
    """Run ``talk`` with a client, and close it."""

    async def whole() -> T:
        settings = FhirDestination(
            kind="fhir",
            name="record",
            base_url=base_url,
            result_system="urn:t:result",
            answer_s=answer_s,
            bearer=bearer,
            read_back=read_back,
        )
        client = FhirClient(settings, now=lambda: NOW)
        try:
            return await talk(client)
        finally:
            await client.close()

    return asyncio.run(asyncio.wait_for(whole(), 30))


async def once(client: FhirClient) -> Acknowledgement:
    """Send one message."""
    return await client.send(bundle("EPOCHM1"))


async def twice(client: FhirClient) -> list[Acknowledgement]:
    """Send the same message twice."""
    return [await client.send(bundle("EPOCHM1")), await client.send(bundle("EPOCHM1"))]


def test_the_very_bytes_are_posted_once_to_the_base_address() -> None:
    """POST [base] with FHIR's media type (R4 http.html), the stored bytes, and decimals with their trailing zeros."""
    with FhirReceiver() as server:
        assert run(server.base_url, once) == ACCEPTED
        (posted,) = server.posted
        assert posted.path == "/r4"
        assert posted.body == bundle("EPOCHM1").payload
        assert b'"value": 1.010' in posted.body
        assert (posted.headers["content-type"], posted.headers["accept"]) == ("application/fhir+json", "application/fhir+json")
        assert "authorization" not in posted.headers


def test_the_same_message_twice_is_filed_once() -> None:
    """Conditional creation makes one effect of two tries; the second is accepted like the first."""
    with FhirReceiver() as server:
        assert run(server.base_url, twice) == [ACCEPTED, ACCEPTED]
        assert server.posted[0].body == server.posted[1].body
        assert (len(server.of("Observation")), len(server.of("Device"))) == (1, 1)
        assert server.of("Observation")[0]["device"] == {"reference": "Device/1"}


def test_a_lost_answer_is_made_good_by_the_next_try() -> None:
    """The server filed it and its answer never came: time-out, then accepted, and one record."""
    late = threading.Event()
    with FhirReceiver() as server:
        server.script(Reply(held=late))
        answers = run(server.base_url, twice, answer_s=0.5)
        late.set()
        assert answers == [Acknowledgement(answer=Answer.TRY_AGAIN, code="timeout"), ACCEPTED]
        assert len(server.of("Observation")) == 1


def test_two_records_of_one_identity_are_refused() -> None:
    """The receiver holds two devices of that name: no try mends it, a person must."""
    with FhirReceiver() as server:
        for place in ("Device/a", "Device/b"):
            server.resources[place] = {"resourceType": "Device", "identifier": [{"system": "urn:t:device", "value": "dev-1"}]}
        assert run(server.base_url, once) == Acknowledgement(
            answer=Answer.REFUSED, code="HTTP 412", text="2 records of Device match"
        )
        assert server.of("Observation") == []


@pytest.mark.parametrize(
    ("reply", "expected"),
    [
        (
            turn_away(422, outcome("business-rule", "no such patient", details="Rule 7", expression="Bundle.entry[1]")),
            Acknowledgement(answer=Answer.REFUSED, code="HTTP 422", text="no such patient; Rule 7; Bundle.entry[1]"),
        ),
        (
            turn_away(503, b"", Retry_After="Wed, 25 Nov 2026 07:02:00 GMT"),
            Acknowledgement(answer=Answer.TRY_AGAIN, code="HTTP 503", retry_after_s=timedelta(minutes=2).total_seconds()),
        ),
        (turn_away(403, b""), Acknowledgement(answer=Answer.CLOSED, code="HTTP 403")),
        (
            turn_away(200, b"<html>Sign in</html>"),
            Acknowledgement(answer=Answer.REFUSED, code="HTTP 200", text="<html>Sign in</html>"),
        ),
        (
            turn_away(412, outcome("not-supported", "no conditions")),
            Acknowledgement(answer=Answer.CLOSED, code="HTTP 412", text="no conditions"),
        ),
    ],
)
def test_what_the_server_says_is_what_comes_back(reply: Reply, expected: Acknowledgement) -> None:
    """Status, words and Retry-After by the table in lifecycle/answers/."""
    with FhirReceiver() as server:
        server.script(reply)
        assert run(server.base_url, once) == expected


# Written by hand: patient and order by conditional references (tests/render/golden/README.md)
CONDITIONAL = (Path(__file__).parents[1] / "render/golden/us_conditional.json").read_bytes()
PATIENT = {"resourceType": "Patient", "identifier": [{"system": "urn:oid:2.999.1", "value": "1002003"}]}
ORDER = {"resourceType": "ServiceRequest", "identifier": [{"system": "urn:oid:2.999.5", "value": "ORD 47/11"}]}


async def pointing(client: FhirClient) -> Acknowledgement:
    """Send the Bundle whose patient and order the server must find."""
    message = Message(
        destination="record",
        format=Format.FHIR_US,
        control_id="TESTAM1",
        payload=CONDITIONAL,
        result_id="TESTAR42",
        version=1,
        lane="patient:1002003",
        priority=Priority.ROUTINE,
    )
    return await client.send(message)


def test_the_server_finds_patient_and_order() -> None:
    """One match each: what is filed points to the records themselves, and the report to the order."""
    with FhirReceiver() as server:
        server.resources.update({"Patient/p7": PATIENT, "Patient/p8": {"resourceType": "Patient"}, "ServiceRequest/o9": ORDER})
        assert run(server.base_url, pointing) == ACCEPTED
        filed = [*server.of("Observation"), *server.of("DiagnosticReport")]
        assert [each["subject"]["reference"] for each in filed] == ["Patient/p7"] * 3
        assert [each["basedOn"][0]["reference"] for each in filed] == ["ServiceRequest/o9"] * 3
        assert server.of("Specimen")[0]["subject"]["reference"] == "Patient/p7"


@pytest.mark.parametrize(
    ("known", "expected"),
    [
        ([], Acknowledgement(answer=Answer.REFUSED, code="HTTP 404", text="no Patient matches")),
        ([PATIENT], Acknowledgement(answer=Answer.REFUSED, code="HTTP 404", text="no ServiceRequest matches")),
        ([PATIENT, PATIENT, ORDER], Acknowledgement(answer=Answer.REFUSED, code="HTTP 412", text="2 records of Patient match")),
        (
            [PATIENT, ORDER, ORDER],
            Acknowledgement(answer=Answer.REFUSED, code="HTTP 412", text="2 records of ServiceRequest match"),
        ),
    ],
)
def test_no_patient_or_two_are_a_stop_for_a_person(known: list[dict[str, object]], expected: Acknowledgement) -> None:
    """The transaction fails as a whole, nothing is filed, and this strip alone is refused: the receiver stays open for the others. HZ-A01."""
    with FhirReceiver() as server:
        server.resources.update({f"{each['resourceType']}/k{number}": each for number, each in enumerate(known)})
        assert run(server.base_url, pointing) == expected
        assert len(server.resources) == len(known)


def test_an_unknown_address_is_still_a_closed_door() -> None:
    """A server that does not know the address answers 404 without a word of FHIR: nothing is consumed."""
    with FhirReceiver() as server:
        answer = run(f"{server.base_url}/else/where", pointing)
        assert (answer.answer, answer.code) == (Answer.CLOSED, "HTTP 404")
        assert server.resources == {}


def test_a_text_is_no_search() -> None:
    """Hostile text that looks like a conditional reference leaves 404 the address's fault."""
    with FhirReceiver() as server:
        server.script(turn_away(404, outcome("not-found", "nobody")))
        assert run(server.base_url, lambda client: client.send(bundle('x","reference":"Patient?'))).answer is Answer.CLOSED


def test_a_stale_token_is_read_anew_once(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A secret file that was renewed meanwhile is picked up by the 401, within the same try."""
    secret = tmp_path / "token"
    secret.write_text("old\n")
    monkeypatch.setenv("PADPOST_TEST_TOKEN_FILE", str(secret))

    async def talk(client: FhirClient) -> list[Acknowledgement]:
        first = await client.send(bundle("EPOCHM1"))
        secret.write_text("new\n")
        return [first, await client.send(bundle("EPOCHM2"))]

    def decide(posted: object) -> Reply:
        allowed = server.posted == [] or getattr(posted, "headers", {})["authorization"] == "Bearer new"
        return Reply() if allowed else turn_away(401)

    with FhirReceiver() as server:
        server.decide = decide
        assert run(server.base_url, talk, bearer=Secret(env="PADPOST_TEST_TOKEN")) == [ACCEPTED, ACCEPTED]
        assert [posted.headers["authorization"] for posted in server.posted] == ["Bearer old", "Bearer old", "Bearer new"]


def test_a_token_that_stays_wrong_closes_the_destination(monkeypatch: pytest.MonkeyPatch) -> None:
    """Two tries, no more: the account must not be locked by us."""
    monkeypatch.setenv("PADPOST_TEST_TOKEN", "wrong")
    with FhirReceiver() as server:
        server.decide = lambda _: turn_away(401)
        assert run(server.base_url, once, bearer=Secret(env="PADPOST_TEST_TOKEN")) == Acknowledgement(
            answer=Answer.CLOSED, code="HTTP 401"
        )
        assert len(server.posted) == 2


@pytest.mark.parametrize("file", [False, True])
def test_a_secret_that_is_not_there_closes_the_destination(file: bool, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Nothing is sent without the sign-in that was configured."""
    if file:
        monkeypatch.setenv("PADPOST_TEST_TOKEN_FILE", str(tmp_path / "away"))
    with FhirReceiver() as server:
        answer = run(server.base_url, once, bearer=Secret(env="PADPOST_TEST_TOKEN"))
        assert (answer.answer, answer.code) == (Answer.CLOSED, "cannot be sent as configured")
        assert server.posted == []


def test_a_new_device_is_made_by_one_message_alone() -> None:
    """Conditional creation is no lock (fhir.md, section 2): until one message with the device is accepted, no other travels beside it."""
    first = threading.Event()

    async def talk(client: FhirClient) -> list[Acknowledgement]:
        sends = [asyncio.create_task(client.send(bundle(f"EPOCHM{n}"))) for n in range(1, 5)]
        await asyncio.to_thread(server.wait_for, 1)
        other = await client.send(bundle("EPOCHM9", device="dev-2"))  # a device of its own does not wait
        assert len(server.posted) == 2
        first.set()
        return [other, *await asyncio.gather(*sends)]

    with FhirReceiver() as server:
        server.script(Reply(held=first))
        assert run(server.base_url, talk) == [ACCEPTED] * 5
        assert sorted(device["identifier"][0]["value"] for device in server.of("Device")) == ["dev-1", "dev-2"]
        assert server.busiest == 2


def test_known_devices_let_messages_travel_side_by_side() -> None:
    """Once the device is there, several lanes are in flight at once."""
    together = threading.Event()

    async def talk(client: FhirClient) -> list[Acknowledgement]:
        await client.send(bundle("EPOCHM1"))
        sends = [asyncio.create_task(client.send(bundle(f"EPOCHM{n}"))) for n in range(2, 5)]
        await asyncio.to_thread(server.wait_for, 4)
        together.set()
        return await asyncio.gather(*sends)

    with FhirReceiver() as server:
        server.script(Reply(), *[Reply(held=together)] * 3)
        assert run(server.base_url, talk) == [ACCEPTED] * 3
        assert server.busiest == 3


def test_a_refused_first_message_does_not_count_the_device_as_made() -> None:
    """The transaction failed as a whole, so the device is not there; the next message goes alone again."""
    with FhirReceiver() as server:
        server.script(turn_away(422), Reply())
        assert [answer.answer for answer in run(server.base_url, twice)] == [Answer.REFUSED, Answer.ACCEPTED]
        assert len(server.of("Device")) == 1


def test_the_servers_answer_is_checked_entry_by_entry() -> None:
    """A 200 that answers fewer entries than were sent has lost something."""
    short = json.dumps({"resourceType": "Bundle", "type": "transaction-response", "entry": [{"response": {"status": "201"}}]})
    with FhirReceiver() as server:
        server.script(turn_away(200, short.encode()))
        assert run(server.base_url, once).answer is Answer.REFUSED


# --- there already: only what is read back and compared

THERE = Acknowledgement(answer=Answer.ACCEPTED, code="there already")


def duplicate(status: int = 409, *, stored: bool = True) -> Reply:
    """File it, as an earlier try did, and say that it is there already."""
    return Reply(status=status, body=outcome("duplicate", "an identical record is there"), stored=stored)


@pytest.mark.parametrize("status", [409, 412])
def test_a_duplicate_is_accepted_once_it_was_read_back(status: int) -> None:
    """The server has the observation: searched for by our identifier, encoded once, it is the same, though 1.010 came back as 1.01."""
    with FhirReceiver() as server:
        server.script(duplicate(status))
        assert run(server.base_url, once) == THERE
        assert server.searched == ["/r4/Observation?identifier=urn:t:result%7CEPOCHM1"]


@pytest.mark.parametrize(
    "change",
    [
        {"status": "amended"},
        {"valueQuantity": {"value": 1.011, "unit": "{ratio}"}},
        {"identifier": []},
        {"subject": {"reference": "Patient/9"}},
    ],
)
def test_a_duplicate_that_is_another_result_is_refused(change: dict[str, object]) -> None:
    """Another value, status or patient, or no record at all: a person looks. The server's word alone is no yes."""

    async def changed(client: FhirClient) -> Acknowledgement:
        assert await client.send(bundle("EPOCHM1")) == ACCEPTED
        (place,) = (place for place, each in server.resources.items() if each["resourceType"] == "Observation")
        server.resources[place] = {**server.resources[place], **change}
        if not change.get("identifier", True):
            server._places.clear()
            server._indexed = 0
        return await client.send(bundle("EPOCHM1"))

    with FhirReceiver() as server:
        server.script(Reply(), duplicate(stored=False))
        answer = run(server.base_url, changed)
    assert (answer.answer, answer.code) == (Answer.REFUSED, "HTTP 409")
    assert answer.text.startswith(
        "The server says that it has this already; what it gave back could not be shown to be the same result."
    )


def test_a_duplicate_that_cannot_be_read_back_just_now_is_tried_again() -> None:
    """The search gets no answer: nobody knows, so nothing is decided."""
    with FhirReceiver() as server:
        server.search_status = 503
        server.script(duplicate())
        answer = run(server.base_url, once)
    assert (answer.answer, answer.code, answer.text) == (Answer.TRY_AGAIN, "timeout", "The result could not be read back.")


def test_a_try_without_an_answer_is_looked_for_before_it_goes_again() -> None:
    """read_back: the first try was filed and its answer never came; the second one finds it and posts nothing."""
    held = threading.Event()

    async def timed_out(client: FhirClient) -> list[Acknowledgement]:
        first = await client.send(bundle("EPOCHM1"))
        held.set()
        return [first, await client.send(bundle("EPOCHM1")), await client.send(bundle("EPOCHM2"))]

    with FhirReceiver() as server:
        server.script(Reply(held=held))
        answers = run(server.base_url, timed_out, answer_s=1.0, read_back=True)
        assert [answer.code for answer in answers] == ["timeout", "there already", "HTTP 200"]
        assert (len(server.posted), len(server.searched)) == (2, 1)


def test_what_is_not_found_after_a_doubt_goes_again() -> None:
    """read_back: the first try never arrived; without read_back nobody asks at all."""

    async def lost(client: FhirClient) -> list[Acknowledgement]:
        return [await client.send(bundle("EPOCHM1")), await client.send(bundle("EPOCHM1"))]

    for asks in (True, False):
        with FhirReceiver() as server:
            held = threading.Event()
            server.script(Reply(status=200, stored=False, held=held))
            answers = run(server.base_url, lost, answer_s=0.5, read_back=asks)
            held.set()
            assert [answer.code for answer in answers] == ["timeout", "HTTP 200"]
            assert len(server.searched) == asks
