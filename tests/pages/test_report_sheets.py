"""What the tables of turnaround, stops and operators say of strips that are known."""

from __future__ import annotations

from datetime import UTC, date, datetime, time, timedelta
from zoneinfo import ZoneInfo

from bridge.bench.operators import Operator
from bridge.bench.period import period_of
from bridge.bench.stop_figures import Stopped
from bridge.bench.turnaround import Times, Travelled, Went, times_of
from bridge.bench.workload import Hand, Load, shifts_of
from bridge.pages.report_sheets import names_of, operators, stops, turnaround
from bridge.pages.report_table import Table

NOW = datetime(2026, 11, 25, 10, 0, tzinfo=UTC)
NOVEMBER = period_of("2026-11")


def travelled(seconds: int, priority: str = "routine", *, printed: int = -60, receiver: str = "records") -> Travelled:
    answered = NOW + timedelta(seconds=seconds)
    way = Went(receiver, NOW + timedelta(seconds=1), answered, True)
    return Travelled("tern", priority, NOW + timedelta(seconds=printed), NOW, NOW, (way,))


def plain(table: Table) -> list[list[str]]:
    return [[cell.plain for cell in row] for row in table.rows]


def test_turnaround_by_stage_hour_analyzer_and_receiver() -> None:
    """Three routine results and one STAT; the percentiles are those of 3, 5, 7 and 101 s by hand: places 1.5, 2.7 and 2.85."""
    times = times_of([travelled(3), travelled(5), travelled(7), travelled(101, "stat")], ZoneInfo("UTC"))
    stages, hours, analyzers, receivers = turnaround(times)
    rows = {(row[0], row[1]): row[2:] for row in plain(stages)}
    assert rows["Arrived to acknowledged", "all"] == ["4", "6", "72.8", "86.9", "101"]
    assert rows["Arrived to acknowledged", "STAT"] == ["1", "101", "101", "101", "101"]
    assert rows["Printed to arrived", "routine"] == ["3", "60", "60", "60", "60"]
    assert plain(hours) == [["10:00", "4", "6", "72.8", "86.9", "101"]]
    assert [row[:3] for row in plain(analyzers)][4] == ["tern", "Arrived to acknowledged", "4"]
    assert plain(receivers)[0][:3] == ["records", "Let go to sent", "4"]
    assert stages.chart is not None
    assert [line.words for line in stages.chart.lines][4] == "6 s to 1 min 27 s"


def test_what_is_not_counted_is_said() -> None:
    """Messages without an acknowledgement, and strips of a clock that was ahead."""
    open_way = travelled(5)._replace(ways=(Went("records", None, None, False),))
    (said, *_) = (table.says for table in turnaround(times_of([open_way, travelled(5, printed=90)], ZoneInfo("UTC"))))
    assert "Of 2 messages 1 had no acknowledgement yet: not in the stages that end with it." in said
    assert any(each.startswith("1 strip bore a time later than the arrival") for each in said)
    back = travelled(0)._replace(ways=(Went("records", NOW, NOW - timedelta(seconds=9), True),))
    assert any("3 lengths of other stages" in each for each in turnaround(times_of([back], ZoneInfo("UTC")))[0].says) is False
    assert any("2 lengths of other stages" in each for each in turnaround(times_of([back], ZoneInfo("UTC")))[0].says)


def test_nothing_is_an_empty_table() -> None:
    assert all(not table.rows or table.name == "stages" for table in turnaround(Times()))
    assert all(not table.rows and table.chart is None for table in stops([], now=NOW))
    assert all(not table.rows and table.chart is None for table in operators({}, [], NOVEMBER, ()))


def test_stops_by_reason_with_how_they_were_put_right() -> None:
    """Two by one reason, one open for an hour; a file that was not taken is of no analyzer."""
    opened = NOW - timedelta(hours=1)
    found = [
        Stopped(
            "rejected",
            "patient.missing",
            "tern",
            opened,
            opened + timedelta(minutes=4),
            "patient ID corrected",
            "Ana (unverified)",
        ),
        Stopped("rejected", "patient.missing", "tern", opened, None, "", ""),
        Stopped("rejected", "receive.refused", "", opened, None, "", ""),
    ]
    reasons, analyzers, people = stops(found, now=NOW)
    assert plain(reasons) == [
        ["patient.missing", "cannot be sent", "2", "0.6667", "1", "3600", "240", "240", "240", "patient ID corrected 1"],
        ["receive.refused", "cannot be sent", "1", "0.3333", "1", "3600", "", "", "", ""],
    ]
    assert reasons.rows[0][0].shown == "No patient ID"
    assert plain(analyzers) == [
        ["none", "1", "0.3333", "1", "File or message not taken: 1"],
        ["tern", "2", "0.6667", "1", "No patient ID: 2"],
    ]
    assert plain(people) == [["Ana (unverified)", "1", "patient ID corrected 1"]]


def test_operators_by_number_with_their_names_and_no_rank() -> None:
    """In the order of numbers, whoever read most; hours and shifts add up to the same."""
    loads = {Hand("tern", ""): Load(patients={7: 1}, others={}), Hand("tern", "07"): Load(patients={7: 2, 15: 3}, others={22: 4})}
    register = [Operator(analyzer="tern", number="07", name="Ana Reis", since=date(2026, 1, 1))]
    numbers, hours, shifts = operators(loads, register, NOVEMBER, shifts_of([time(6), time(14), time(22)]))
    assert plain(numbers) == [
        ["tern", "none", "no number on the strip", "1", "0", "1"],
        ["tern", "07", "Ana Reis", "5", "4", "9"],
    ]
    assert [head.plain for head in hours.heads] == ["analyzer", "operator number", "name", "07:00", "15:00", "22:00"]
    assert plain(hours)[1][3:] == ["2", "3", "4"]
    assert plain(hours)[0][3:] == ["1", "0", "0"]
    assert plain(shifts)[1][3:] == ["2", "3", "4"]
    assert [table.name for table in operators(loads, register, NOVEMBER, ())] == ["numbers", "hours"]


def test_a_number_has_the_names_of_its_days() -> None:
    """Who had it in the period, each once; one whose days are over has it no more."""
    register = [
        Operator(analyzer="tern", number="07", name="Ana", since=date(2026, 1, 1), until=date(2026, 11, 9)),
        Operator(analyzer="tern", number="07", name="Eda", since=date(2026, 11, 10)),
        Operator(analyzer="plover", number="07", name="Ivo", since=date(2026, 1, 1)),
    ]
    hand = Hand("tern", "07")
    assert names_of(register, hand, NOVEMBER) == "Ana, Eda"
    assert names_of(register, hand, period_of("2026-11-09")) == "Ana"
    assert names_of(register, hand, period_of("2026-12")) == "Eda"
    assert names_of(register, Hand("tern", "08"), NOVEMBER) == "not entered"
