"""The JSON API over a real loopback port: the same lists and actions as the pages, documented, its faults as problems."""

from __future__ import annotations

from collections.abc import Callable
from datetime import timedelta
from typing import Any

import httpx
import pytest

from bridge.desk.actions import Desk
from bridge.model import Answer, Format, Priority
from bridge.tables.hold_table import HoldTable, ReleasePolicy
from tests.pages.stocked import GOOD, LISBON, MISTYPED, NOW, OTHER, POLICY, Stocked, Visitor, finding

ROUTES = {
    ("get", "/api/today"),
    ("get", "/api/news"),
    ("get", "/api/stops"),
    ("get", "/api/stops/{stop_id}"),
    ("post", "/api/stops/{stop_id}/{action}"),
    ("get", "/api/reasons"),
    ("get", "/api/reasons/{rule}/read-again"),
    ("post", "/api/reasons/{rule}/read-again"),
    ("get", "/api/reasons/{rule}/{action}"),
    ("post", "/api/reasons/{rule}/{action}"),
    ("get", "/api/results"),
    ("post", "/api/results/search"),
    ("get", "/api/results/{result_id}"),
    ("get", "/api/strips"),
    ("get", "/api/strips/{strip_id}"),
    ("get", "/health/live"),
    ("get", "/health/ready"),
}


def problem(answer: httpx.Response) -> tuple[int, str, str]:
    """Give a fault's status, title and sentence; it must be a problem as RFC 9457 says (sections 3 and 3.1)."""
    assert answer.headers["content-type"] == "application/problem+json"
    body = answer.json()
    assert set(body) == {"type", "title", "status", "detail"}
    assert (body["type"], body["status"]) == ("about:blank", answer.status_code)
    return answer.status_code, body["title"], body["detail"]


def test_the_documentation_lists_every_route(still: Visitor) -> None:
    """OpenAPI 3.1, served by ourselves, under the guard; and only what is not for machines is left out."""
    document = still.get("/api/openapi.json").json()
    assert document["openapi"].startswith("3.1")
    listed = {(method, path) for path, methods in document["paths"].items() for method in methods}
    assert listed == ROUTES
    for path, methods in document["paths"].items():
        for method, operation in methods.items():
            assert operation.get("summary"), (method, path)
            assert operation.get("description"), (method, path)
            if path.startswith("/api/"):
                assert "application/problem+json" in operation["responses"]["404"]["content"], (method, path)


def test_the_documentation_comes_with_no_page_from_elsewhere(still: Visitor) -> None:
    """FastAPI's own document pages load scripts from another host, which our policy forbids; they are not served."""
    assert [still.get(path).status_code for path in ("/docs", "/redoc", "/openapi.json")] == [404, 404, 404]


def test_today_says_what_is_stopped(shelf: Stocked, visitor: Visitor) -> None:
    """The counts by group, and what keeps us from working."""
    shelf.held()
    shelf.rejected()
    assert visitor.get("/api/today").json() == {"faults": [], "stopped": {"held": 1, "rejected": 1, "refused": 0}}


def test_news_counts_what_came_since(shelf: Stocked, visitor: Visitor) -> None:
    """Open stops and strips behind the two ids; a stop that was dealt with is no news."""
    shelf.rejected()
    before = visitor.get("/api/news").json()
    assert before == {"stops": 1, "strips": 1, "last_stop": 1, "last_strip": 1, "standing": before["standing"]}
    shelf.coded()
    stop = shelf.held()
    since = f"/api/news?stop={before['last_stop']}&strip={before['last_strip']}"
    assert visitor.get(since).json() == {"stops": 1, "strips": 2, "last_stop": 2, "last_strip": 3, "standing": before["standing"]}
    visitor.api(f"/api/stops/{stop}/discard", {"name": "Ana", "reason": "r", "specimen": "run again"})
    assert visitor.get(since).json() == {"stops": 0, "strips": 2, "last_stop": 2, "last_strip": 3, "standing": before["standing"]}


def test_stops_come_most_urgent_first(shelf: Stocked, visitor: Visitor) -> None:
    """In one order over all rows, from behind ``after``; of one group or reason where it is named."""
    routine, held = shelf.rejected(), shelf.held()
    urgent = shelf.rejected(priority=Priority.STAT, found=finding("pad.error"))

    def ids(query: str) -> list[int]:
        return [row["stop_id"] for row in visitor.get(f"/api/stops{query}").json()]

    assert ids("") == [urgent, routine, held]
    assert ids("?limit=1") == [urgent]
    assert ids(f"?after={urgent}") == [routine, held]
    assert ids(f"?after={held}") == []
    assert ids("?group=held") == [held]
    assert ids("?rule=pad.error") == [urgent]


def test_one_stop_comes_with_its_history(shelf: Stocked, visitor: Visitor) -> None:
    """Every field of the row, and who did what."""
    stop = shelf.rejected(number="109")
    visitor.api(f"/api/stops/{stop}/discard", {"name": "Ana", "reason": "no urine left", "specimen": "run again"})
    answer = visitor.get(f"/api/stops/{stop}").json()
    row = answer["stop"]
    assert {
        key: row[key] for key in ("group", "state", "rule", "number", "patient_id", "priority", "closed_by", "closed_how")
    } == {
        "group": "rejected",
        "state": "closed",
        "rule": "patient.check_digit",
        "number": "109",
        "patient_id": MISTYPED,
        "priority": "routine",
        "closed_by": "Ana (unverified)",
        "closed_how": "discarded",
    }
    assert [(event["what"], event["actor"], event["verified"], event["reason"]) for event in answer["history"]] == [
        ("stop.opened", "padpost", "service", "patient.check_digit"),
        ("stop.closed", "Ana", "unverified", "no urine left"),
        ("specimen.next", "Ana", "unverified", ""),
    ]


def test_an_id_is_corrected_by_the_api_as_by_the_page(shelf: Stocked, visitor: Visitor) -> None:
    """The same rules: twice the same, a second identifier, name and reason. HZ-A06."""
    stop = shelf.rejected(number="109")
    good = {"name": "Ana", "reason": "typing slip", "first": GOOD, "second": GOOD, "second_identifier": "109"}
    path = f"/api/stops/{stop}/correct"
    sentences = [
        problem(visitor.api(path, {**good, **wrong}))
        for wrong in (
            {"second": OTHER},
            {"first": MISTYPED, "second": MISTYPED},
            {"second_identifier": "110"},
            {"name": " "},
            {"reason": ""},
        )
    ]
    assert sentences == [
        (400, "This did not work", "The two entries of the patient ID differ. Scan or key it twice again."),
        (400, "This did not work", "This patient ID fails its check digit. Scan the label again."),
        (
            400,
            "This did not work",
            "The second identifier does not belong to this strip. Check that you have the right slip in hand.",
        ),
        (400, "This did not work", "Say who you are: the name is kept with what you do."),
        (400, "This did not work", "Give a reason: it is kept with what you do."),
    ]
    assert visitor.api(path, good).json() == {"stop_id": stop, "done": "correct"}
    assert problem(visitor.api(path, good)) == (
        409,
        "This did not work",
        "Ana (unverified) has dealt with this already: patient ID corrected.",
    )


@pytest.mark.parametrize("action", ["release", "discard", "send-again", "read-again"])
def test_each_action_is_done_or_refused_in_words(shelf: Stocked, visitor: Visitor, action: str) -> None:
    """On the stop for which it is meant it is done; on a file that was not taken all but discard are refused."""
    made: dict[str, Callable[..., int]] = {
        "release": shelf.held, "discard": shelf.unread, "send-again": shelf.refused, "read-again": shelf.rejected,
    }  # fmt: skip
    stop = made[action]()
    assert visitor.api(f"/api/stops/{stop}/{action}", {"name": "Ana", "reason": "r"}).json() == {"stop_id": stop, "done": action}
    if action != "discard":
        status, _, detail = problem(visitor.api(f"/api/stops/{shelf.refused_file()}/{action}", {"name": "Ana", "reason": "r"}))
        assert status == 400
        assert detail in {
            "This cannot be released. Send fewer strips in one file.",
            "Nothing of this was ever sent, so it cannot be sent again.",
            "This file was not kept, so it cannot be read again. Put it into the folder again once it is mended.",
        }


def test_all_of_one_reason_are_read_again(shelf: Stocked, visitor: Visitor) -> None:
    """Preview, then the same count; another count is a conflict."""
    stops = [shelf.rejected() for _ in range(3)]
    shelf.unread()
    assert visitor.get("/api/reasons").json() == [
        {"group": "rejected", "rule": "patient.check_digit", "count": 3},
        {"group": "rejected", "rule": "read.torn", "count": 1},
    ]
    path = "/api/reasons/patient.check_digit/read-again"
    assert sorted(row["stop_id"] for row in visitor.get(path).json()) == stops
    body = {"name": "Ana", "reason": "profile mended", "expected": 2}
    assert problem(visitor.api(path, body)) == (
        409,
        "This did not work",
        "There are 3 of these now, not 2. Look at the list again.",
    )
    assert visitor.api(path, {**body, "expected": 3}).json() == {"rule": "patient.check_digit", "read_again": 3}
    assert visitor.get("/api/reasons").json() == [{"group": "rejected", "rule": "read.torn", "count": 1}]


@pytest.mark.parametrize(("action", "word"), [("release", "released"), ("discard", "discarded")])
def test_many_of_one_reason_are_decided_about_together(shelf: Stocked, action: str, word: str) -> None:
    """The preview, then its count and its newest row; the terms' second person and the specimen as for one."""
    terms = {"time.missing": ReleasePolicy(persons=2, bulk=True)}
    shelf.desk = Desk(shelf.store, POLICY, lambda: shelf.now, zone=LISBON, holds=HoldTable(policies=terms))
    stops = [shelf.held() for _ in range(3)]
    path = f"/api/reasons/time.missing/{action}"
    body = {"name": "Ana", "reason": "seen", "expected": 3, "newest": stops[-1]}
    with shelf.serving() as visitor:
        assert [row["stop_id"] for row in visitor.get(path).json()] == stops[::-1]
        status, _, detail = problem(visitor.api(path, body))
        assert (status, detail.partition(":")[0]) == (
            400,
            "This needs two persons here. A second one looks at it too, and gives a name."
            if action == "release"
            else "Say what becomes of the specimen",
        )
        assert problem(visitor.api(path, {**body, "newest": stops[0]}))[0] == 409
        full = {**body, "second_person": "Ben", "specimen": "order cancelled"}
        assert visitor.api(path, full).json() == {"rule": "time.missing", "done": 3}
        assert visitor.get(path).json() == []
    assert [row.closed_how for row in map(shelf.store.stop, stops) if row] == [word] * 3


def test_results_are_listed_and_found(shelf: Stocked, visitor: Visitor) -> None:
    """By identifier through a body, never an address."""
    one = shelf.coded(GOOD, to=(Format.ORU_R01,), arrived_at=NOW - timedelta(days=1))
    two = shelf.coded(OTHER, to=(Format.ORU_R01,))
    shelf.answered(one)

    def ids(answer: httpx.Response) -> list[str]:
        return [row["result_id"] for row in answer.json()]

    assert ids(visitor.get("/api/results")) == [two, one]
    assert ids(visitor.get("/api/results?before=2")) == [one]
    search = "/api/results/search"
    assert ids(visitor.api(search, {})) == [two, one]
    assert ids(visitor.api(search, {"text": GOOD})) == [one]
    assert ids(visitor.api(search, {"day": "2026-11-25"})) == [two]
    assert ids(visitor.api(search, {"states": ["accepted"]})) == [one]
    assert ids(visitor.api(search, {"states": ["accepted", "queued"], "limit": 1})) == [two]
    assert ids(visitor.api(search, {"before": 2})) == [one]


def test_one_result_comes_with_what_was_sent(shelf: Stocked, visitor: Visitor) -> None:
    """Pads, codes, and each receiver's message as it was rendered."""
    result = shelf.coded(GOOD, to=(Format.ORU_R01,))
    shelf.answered(result, Answer.ACCEPTED)
    assert visitor.get(f"/api/results/{result}").json() == {
        "result_id": result,
        "version": 1,
        "pads": [{"pad": "protein", "printed": "1+", "flag": "A", "codes": ["57735-3"]}],
        "deliveries": [
            {
                "destination": "records",
                "state": "accepted",
                "control_id": "M000001O",
                "attempts": 1,
                "message": "MSH|^~\\&|PADPOST|BENCH|||20261125120000||ORU^R01^ORU_R01|M000001O|P|2.5.1\rPID|1||40700007\r",
                "message_sha256": "",
            }
        ],
        "purged_at": None,
    }


def test_strips_are_listed_by_what_became_of_them(shelf: Stocked, visitor: Visitor) -> None:
    """Every judged strip can be looked at."""
    control = shelf.other()
    shelf.rejected()
    assert [row["outcome"] for row in visitor.get("/api/strips").json()] == ["rejected", "non_patient"]
    assert [row["strip_id"] for row in visitor.get("/api/strips?outcome=non_patient").json()] == [control]
    assert visitor.get("/api/strips?before=2").json()[0]["strip_id"] == control
    one = visitor.get(f"/api/strips/{control}").json()
    assert (one["purpose"], one["pads"]) == ("control", [["GLUC", "NEG", "", False], ["PROT", "1+", "", True]])


@pytest.mark.parametrize(
    ("method", "path", "body", "expected"),
    [
        ("GET", "/api/stops/999", None, (404, "There is no such page", "There is no such row.")),
        ("GET", "/api/results/NONE", None, (404, "There is no such page", "There is no such result.")),
        ("GET", "/api/strips/999", None, (404, "There is no such page", "There is no such strip.")),
        ("GET", "/api/nowhere", None, (404, "There is no such page", "Not Found")),
        ("DELETE", "/api/stops", None, (405, "This address takes no such request", "Method Not Allowed")),
        ("GET", "/api/stops?limit=501", None, (422, "Something is missing or not of its kind", "Look at: limit.")),
        ("GET", "/api/stops?limit=0", None, (422, "Something is missing or not of its kind", "Look at: limit.")),
        ("GET", "/api/stops?group=x&after=y", None, (422, "Something is missing or not of its kind", "Look at: after, group.")),
        ("GET", "/api/stops/x", None, (422, "Something is missing or not of its kind", "Look at: stop_id.")),
        (
            "POST",
            "/api/stops/1/alter",
            {"name": "a", "reason": "b"},
            (422, "Something is missing or not of its kind", "Look at: action."),
        ),
        (
            "POST",
            "/api/stops/1/discard",
            {"name": "a"},
            (400, "This did not work", "Give a reason: it is kept with what you do."),
        ),
        ("POST", "/api/stops/999/discard", {"name": "a", "reason": "b"}, (400, "This did not work", "There is no such row.")),
        ("POST", "/api/results/search", {"day": "x"}, (422, "Something is missing or not of its kind", "Look at: day.")),
        ("POST", "/api/results/search", {"limit": 501}, (422, "Something is missing or not of its kind", "Look at: limit.")),
    ],
)
def test_a_fault_is_a_problem_in_words(still: Visitor, method: str, path: str, body: Any, expected: tuple[int, str, str]) -> None:
    """Naming what to look at; the values that were sent do not come back (they may be identifiers)."""
    answer = still.client.request(method, path, json=body, headers={"x-padpost": "1"})
    assert problem(answer) == expected


def test_the_guard_speaks_in_problems_too(still: Visitor) -> None:
    """Whoever calls the API parses one kind of fault."""
    assert problem(still.get("/api/stops", headers={"host": "evil.example"}))[:2] == (421, "This is not our address")
    assert problem(still.get("/api/stops", headers={"origin": "http://evil.example"}))[:2] == (
        403,
        "This came from another site",
    )


def test_a_list_is_bounded(shelf: Stocked, visitor: Visitor) -> None:
    """500 at most in one answer, 100 unless asked for more."""
    for _ in range(120):
        shelf.rejected()
    assert len(visitor.get("/api/stops").json()) == 100
    assert len(visitor.get("/api/stops?limit=500").json()) == 120
