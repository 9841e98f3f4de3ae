"""What the pages ask: filters, order, paging and the sums of a day."""

from __future__ import annotations

from collections.abc import Callable
from datetime import date, timedelta
from zoneinfo import ZoneInfo

import pytest

from bridge.lifecycle.states import StopEnd
from bridge.model import Answer, Coded, DeliveryState
from bridge.store.reads_shown import MOST_FEW
from bridge.store.sqlite import SqliteStore
from tests.store import strips as s
from tests.store.plans import plans
from tests.store.strips import NOW, later

D = DeliveryState
LISBON, AUCKLAND = ZoneInfo("Europe/Lisbon"), ZoneInfo("Pacific/Auckland")
DAY = date(2026, 11, 25)


# --- results and strips


def test_results_are_found_by_what_a_technician_has_in_hand(store: SqliteStore) -> None:
    """Patient ID, number, specimen or control ID, exactly; a part of one finds nobody."""
    s.post(store, "R1", patient="A1")
    s.post(store, "R2", patient="A2")
    s.post(store, "R3", patient="A1")

    def found(**asked: object) -> list[str]:
        return [row.result_id for row in store.results(**asked)]  # type: ignore[arg-type]  # the parameters vary by row

    assert found() == ["R3", "R2", "R1"]
    assert found(limit=1) == ["R3"]
    assert found(before=3) == ["R2", "R1"]
    assert found(search="A1") == ["R3", "R1"]
    assert found(search="R2") == ["R2"]  # the number
    assert found(search="UR2") == ["R2"]  # the specimen
    assert found(search="R1rec") == ["R1"]  # the control ID
    assert found(search="A") == []
    assert found(search="' OR 1=1 --") == []


def test_a_corrected_patient_is_found_by_the_corrected_id_alone(store: SqliteStore) -> None:
    """What was printed belongs to nobody, or to another."""
    of, made = s.reading("7", patient="wrong"), s.result("R7", patient="right")
    checked = s.checked(of, patient_id="right")
    s.record(store, of, Coded(checked=checked, result=made), deliveries=[s.delivery(s.message(made, "M7"))])
    assert [row.result_id for row in store.results(search="right")] == ["R7"]
    assert store.results(search="wrong") == ()


def test_many_results_in_a_state_are_listed_as_few_are(store: SqliteStore, monkeypatch: pytest.MonkeyPatch) -> None:
    """However many stand there, the same rows come in the same order."""
    for name in ("R1", "R2", "R3"):
        s.post(store, name, patient=name)
    s.attempt(store, store.deliveries("R2")[0].delivery_id, Answer.ACCEPTED)
    for most in (0, 1, 2, MOST_FEW):
        monkeypatch.setattr("bridge.store.reads_shown.MOST_FEW", most)
        assert [row.result_id for row in store.results(states=frozenset({D.QUEUED}))] == ["R3", "R1"]
        assert [row.result_id for row in store.results(states=frozenset({D.ACCEPTED}), search="R2")] == ["R2"]


def test_results_are_found_by_day_and_by_where_they_stand(store: SqliteStore) -> None:
    """The day is the site's own; a state counts at any receiver."""
    for name, arrived in (("R1", NOW), ("R2", later(13 * 60 + 59)), ("R3", later(14 * 60))):  # 10:00, 23:59, 24:00 in Lisbon
        of = s.reading(name)
        made = s.result(name)
        capture_id = s.keep(store, name.encode(), arrived_at=arrived)
        going = [s.delivery(s.message(made, f"{name}{place}", destination=place)) for place in ("records", "chart")]
        s.record(store, of, Coded(checked=s.checked(of), result=made), deliveries=going, capture_id=capture_id)
    assert [row.result_id for row in store.results(day=(DAY, LISBON))] == ["R2", "R1"]
    assert [row.result_id for row in store.results(day=(DAY + timedelta(days=1), LISBON))] == ["R3"]
    assert [row.result_id for row in store.results(day=(DAY, AUCKLAND))] == ["R1"]
    assert [row.result_id for row in store.results(states=frozenset({D.QUEUED}))] == ["R3", "R2", "R1"]
    s.attempt(store, store.deliveries("R1")[1].delivery_id, Answer.ACCEPTED)
    assert [row.result_id for row in store.results(states=frozenset({D.ACCEPTED}))] == ["R1"]
    assert store.results(states=frozenset({D.REFUSED, D.EXPIRED})) == ()
    (row,) = store.results(states=frozenset({D.ACCEPTED, D.REFUSED}), search="R1", day=(DAY, LISBON))
    assert row.states == (("records", D.QUEUED), ("chart", D.ACCEPTED))


def test_a_result_shows_its_newest_version_and_all_its_deliveries(store: SqliteStore) -> None:
    """What was set aside stays on record beside what took its place."""
    recorded = s.post(store, "R1")
    strip = store.strip(recorded.strip_id)
    assert strip is not None
    s.attempt(store, recorded.delivery_ids[0], Answer.REFUSED)
    s.close(store, store.stops()[0].stop_id, StopEnd.READ_AGAIN)
    of, made = s.reading("R1"), s.result("R1", version=2)
    s.record(
        store,
        of,
        Coded(checked=s.checked(of), result=made),
        deliveries=[s.delivery(s.message(made, "M2"), born=False)],
        capture_id=strip.capture_id,
    )
    detail = store.result("R1")
    assert detail is not None
    assert detail.result is not None
    assert (detail.version, detail.result.version, detail.strip.strip_id) == (2, 2, 2)
    assert [(row.version, row.state, message.control_id) for row, message, _ in detail.deliveries] == [
        (1, D.SUPERSEDED, "R1rec"),
        (2, D.UNBORN, ""),
    ]
    (listed,) = store.results()
    assert (listed.version, listed.states) == (2, (("records", D.UNBORN),))
    assert store.result("R9") is None
    assert store.strip(999) is None


def test_strips_come_newest_first_without_what_was_set_aside(store: SqliteStore) -> None:
    """Unless asked for by that word."""
    capture_id = s.keep(store)
    for _ in range(2):
        stopped = s.record(store, s.reading("1"), s.held(s.reading("1")), capture_id=capture_id)
        assert stopped.stop_id is not None
        s.close(store, stopped.stop_id, StopEnd.READ_AGAIN)
    s.record(store, s.reading("1"), s.control(s.reading("1")), capture_id=capture_id)
    s.post(store, "R1")
    assert [(row.strip_id, row.outcome) for row in store.strips()] == [(4, "coded"), (3, "non_patient")]
    assert [row.strip_id for row in store.strips(outcome="superseded")] == [2, 1]
    assert [row.strip_id for row in store.strips(before=4, limit=1)] == [3]


@pytest.mark.parametrize(
    ("ask", "index"),
    [
        (lambda store: store.result("R1"), "deliveries_result"),
        (lambda store: store.deliveries("R1"), "deliveries_result"),
        (lambda store: store.events("stop:1"), "events_subject"),
        (lambda store: store.capture_strips(1), "strips_"),
        (lambda store: store.open_stops(), "stops_open"),
        (lambda store: store.results(search="R1"), "strips_number"),
        (lambda store: store.results(search="R1"), "strips_specimen"),
        (lambda store: store.results(search="R1"), "strips_patient"),
        (lambda store: store.results(search="R1"), "strips_corrected"),
        (lambda store: store.results(day=(DAY, LISBON)), "strips_arrived"),
        (lambda store: store.results(states=frozenset({D.REFUSED})), "deliveries_state"),
        (lambda store: store.results(states=frozenset({D.QUEUED})), "deliveries_state"),
        (lambda store: store.strips(outcome="copy"), "strips_seldom"),
    ],
)
def test_the_pages_questions_are_answered_by_an_index(
    store: SqliteStore, ask: Callable[[SqliteStore], object], index: str
) -> None:
    """Captures, strips, deliveries and events grow for years; a page must not walk through them."""
    s.post(store, "R1")
    lines = plans(store, lambda: ask(store))
    assert any(f"INDEX {index}" in line for line in lines), lines
    big = ("captures", "strips", "deliveries", "events", "attempts", "s", "d", "c")
    assert [line for line in lines if line.startswith("SCAN ") and line.split()[1] in big] == []
