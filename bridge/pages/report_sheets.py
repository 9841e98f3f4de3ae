"""The reports of turnaround, stops and operators as tables with charts."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import datetime

from bridge.bench.operators import Operator
from bridge.bench.period import Period
from bridge.bench.spread import METHOD, Spread
from bridge.bench.stop_figures import Reason, Stopped, people_of, reasons_of
from bridge.bench.turnaround import By, Stage, Times
from bridge.bench.workload import Hand, Load, Shift
from bridge.pages.bar_chart import Chart, Line, chart
from bridge.pages.language import Words, _, later
from bridge.pages.report_table import Cell, Table, count, heads, length, length_words, share, words
from bridge.pages.words import GROUP_WORDS, begin, counted, number
from bridge.pages.words import reason as reason_words

PERCENTS = (50, 90, 95)
_LENGTHS = ((later("Results"), "results"), (later("Median"), "median (s)"), (later("90th percentile"), "90th percentile (s)"), (later("95th percentile"), "95th percentile (s)"), (later("Longest"), "longest (s)"))  # fmt: skip
STAGES_SAID = later(
    "Printed is the date and time on the strip, by the analyzer's clock. Let go is when the result was ready to be sent: at once, unless the "
    "strip waited for its controls or for a person. Sent is the receiver's first message, acknowledged its first answer that it took the "
    "result. Patients' strips count, by when they arrived; a later correction changes none of it. Seconds are whole."
)
MOST_BARS = 15  # ours: a chart of half a page; the table has all
WAITED_SAID = later(
    "Stops of strips that arrived then, and files that were not taken then. A strip with several findings is one stop, by the one that is shown first. Waited: from the "
    "stop until it was closed, nights included; those that are open are not in it."
)
NUMBERS_SAID = later(
    "In the order of analyzers and numbers: it says who was busy, and nothing of how well anybody works. Names are as they were entered on "
    "the page Analyzers for days of this period. Strips count once, by the day they arrived; copies are left out."
)
PRIORITY_WORDS = Words[str]({"routine": "routine", "stat": "STAT"})


def _lengths(spread: Spread) -> tuple[Cell, ...]:
    found = spread.percentiles(*PERCENTS) or (None,) * len(PERCENTS)
    return (count(spread.n), *map(length, found), length(spread.longest_s))


def _ranges(rows: Sequence[tuple[str, Spread]], of: str) -> Chart | None:
    """Draw a median and a 95th percentile a line; None where there is nothing to draw."""
    found = [(label, spread.percentiles(50, 95)) for label, spread in rows]
    lines = [
        Line(
            label,
            _("{low} to {high}", low=length_words(each[0]), high=length_words(each[1])),
            dot=each[0],
            span=(each[0], each[1]),
        )
        for label, each in found
        if each is not None
    ]
    most = max((line.span[1] for line in lines if line.span), default=0.0)
    sentence = _(
        "{of}: the median as a dot, and from it a line to the 95th percentile; the whole width is {width}.",
        of=of,
        width=length_words(most),
    )
    return chart(lines, most=most, sentence=sentence) if lines else None


def turnaround(times: Times) -> tuple[Table, ...]:
    """Give how long results took: by stage and priority, by hour of arrival, by analyzer, by receiver."""
    said = [_(STAGES_SAID), _(METHOD)]
    if times.unanswered:
        said.append(_("Of {messages} {unanswered} had no acknowledgement yet: not in the stages that end with it.", messages=counted(times.ways, "message"), unanswered=number(times.unanswered)))  # fmt: skip
    if ahead := times.backwards.get(Stage.BROUGHT, 0):
        said.append(_("{strips} bore a time later than the arrival: the analyzer's clock was ahead. No time since the print is counted of them.", strips=counted(ahead, "strip")))  # fmt: skip
    if others := sum(found for stage, found in times.backwards.items() if stage is not Stage.BROUGHT):
        said.append(_("{lengths} of other stages ended before they began: a clock was set meanwhile. They are not counted.", lengths=counted(others, "length")))  # fmt: skip
    stages = [(begin(_(stage.value)), times.of(By.ALL, "", stage)) for stage in Stage]
    hours = [(f"{hour}:00", times.of(By.HOUR, hour, Stage.OURS)) for hour in times.names(By.HOUR)]
    return (
        Table(
            name="stages",
            title=_("Stage by stage"),
            says=tuple(said),
            heads=heads(("Stage", "stage"), ("Priority", "priority"), *_LENGTHS),
            rows=tuple(_stage_row(times, stage, priority) for stage in Stage for priority in ("", *times.names(By.PRIORITY))),
            nothing=_("No patient's result went on its way."),
            chart=_ranges(stages, _("Each stage")) if times.results else None,
        ),
        Table(
            name="hours",
            title=_("Arrived to acknowledged, by hour of arrival"),
            says=(_("Hours of the site's clock. Lengths of different receivers of one result all count."),),
            heads=heads(("Hour", "hour"), *_LENGTHS),
            rows=tuple((words(hour), *_lengths(spread)) for hour, spread in hours),
            nothing=_("No result was acknowledged."),
            chart=_ranges(hours, _("By hour of arrival")),
        ),
        _apart(times, By.ANALYZER, "analyzers", _("By analyzer")),
        _apart(times, By.RECEIVER, "receivers", _("By receiver")),
    )  # fmt: skip


def _stage_row(times: Times, stage: Stage, priority: str) -> tuple[Cell, ...]:
    spread = times.of(By.PRIORITY, priority, stage) if priority else times.of(By.ALL, "", stage)
    return (
        words(begin(_(stage.value))),
        words(PRIORITY_WORDS.get(priority, priority) if priority else _("all")),
        *_lengths(spread),
    )


def _apart(times: Times, by: By, name: str, title: str) -> Table:
    stages = (Stage.SENT, Stage.ANSWERED, Stage.OURS) if by is By.RECEIVER else tuple(Stage)
    found = tuple((each, stage) for each in times.names(by) for stage in stages)
    return Table(
        name=name,
        title=title,
        says=(),
        heads=heads((begin(_(by.value)), by.value), ("Stage", "stage"), *_LENGTHS),
        rows=tuple((words(each), words(begin(_(stage.value))), *_lengths(times.of(by, each, stage))) for each, stage in found),
        nothing=_("No patient's result went on its way."),
        chart=_ranges(
            [(each, times.of(by, each, Stage.OURS)) for each in times.names(by)],
            _("{title}, arrived to acknowledged", title=title),
        ),
    )


# --- stops


def stops(found: Sequence[Stopped], *, now: datetime) -> tuple[Table, ...]:
    """Give what was stopped: by reason, by analyzer, and who put it right."""
    reasons = reasons_of(found)
    return (
        Table(
            name="reasons",
            title=_("By reason"),
            says=(_(WAITED_SAID), _(METHOD)),
            heads=heads(
                ("Reason", "reason"), ("Group", "group"), ("Stops", "stops"), ("Share of all", "share of all"), ("Open", "open"),
                ("Oldest open", "oldest open (s)"), ("Waited, median", "waited, median (s)"), ("95th percentile", "waited, 95th percentile (s)"),
                ("Longest", "waited, longest (s)"), ("Put right", "put right"),
            ),
            rows=tuple(_reason_row(each, len(found), now) for each in reasons),
            nothing=_("Nothing was stopped."),
            chart=chart(
                [Line(begin(reason_words(each.rule)), number(each.count), bar=each.count) for each in reasons[:MOST_BARS]],
                most=reasons[0].count,
                sentence=_("Stops by reason, the most frequent first; the whole width is {stops}.", stops=counted(reasons[0].count, "stop")),
            ) if reasons else None,
        ),
        _by_analyzer(found),
        Table(
            name="people",
            title=_("Who put it right"),
            says=(_("In the order of names. What Padpost closed by itself, such as a capture that was read again, stands as its own."),),
            heads=heads(("Name", "name"), ("Stops", "stops"), ("How", "how")),
            rows=tuple(
                (words(each.name), count(sum(each.how.values())), words(_counts(each.how))) for each in people_of(found)
            ),
            nothing=_("Nothing was put right yet."),
        ),
    )  # fmt: skip


def _reason_row(each: Reason, stops: int, now: datetime) -> tuple[Cell, ...]:
    waited = each.waited.percentiles(50, 95) or (None, None)
    oldest = None if each.oldest_open_at is None else max(0.0, (now - each.oldest_open_at).total_seconds() // 1)
    return (
        Cell(begin(reason_words(each.rule)), each.rule),
        words(GROUP_WORDS.get(each.group, each.group)),  # type: ignore[call-overload]  # a StrEnum's text finds it
        count(each.count),
        share(each.count, stops),
        count(each.open),
        length(oldest),
        length(waited[0]),
        length(waited[1]),
        length(each.waited.longest_s),
        words(_counts(each.how)),
    )


def _by_analyzer(found: Sequence[Stopped]) -> Table:
    names = sorted({each.analyzer for each in found})
    rows = []
    for name in names:
        of = [each for each in found if each.analyzer == name]
        most = reasons_of(of)[0]
        rows.append(
            (words(name or _("none")), count(len(of)), share(len(of), len(found)), count(sum(each.closed_at is None for each in of)), words(f"{begin(reason_words(most.rule))}: {number(most.count)}"))
        )  # fmt: skip
    return Table(
        name="analyzers",
        title=_("By analyzer"),
        says=(),
        heads=heads(("Analyzer", "analyzer"), ("Stops", "stops"), ("Share of all", "share of all"), ("Open", "open"), ("Most frequent reason", "most frequent reason")),
        rows=tuple(rows),
        nothing=_("Nothing was stopped."),
    )  # fmt: skip


def _counts(how: Mapping[str, int]) -> str:
    return ", ".join(f"{_(word)} {number(times)}" for word, times in how.items())


# --- operators


def operators(
    loads: Mapping[Hand, Load], register: Sequence[Operator], period: Period, shifts: Sequence[Shift]
) -> tuple[Table, ...]:
    """Give what each operator's number read: in all, by hour of the site's clock, and by shift where the site has named any."""
    hours = sorted({hour for load in loads.values() for hour in (*load.patients, *load.others)})
    people = {hand: words(names_of(register, hand, period)) for hand in loads}
    who = tuple((hand, (words(hand.analyzer), words(hand.operator or _("none")), people[hand])) for hand in loads)
    head = ((later("Analyzer"), "analyzer"), (later("Number"), "operator number"), (later("Name"), "name"))
    by_hour = {hour: sum(_in(load, {hour}) for load in loads.values()) for hour in hours}
    return (
        Table(
            name="numbers",
            title=_("By operator's number"),
            says=(_(NUMBERS_SAID),),
            heads=heads(*head, ("Patients' strips", "patients' strips"), ("Controls and others", "controls and others"), ("All", "all")),
            rows=tuple(
                (*cells, count(sum(loads[hand].patients.values())), count(sum(loads[hand].others.values())), count(loads[hand].strips))
                for hand, cells in who
            ),
            nothing=_("No strip arrived."),
        ),
        Table(
            name="hours",
            title=_("By hour"),
            says=(_("Strips by the hour of the site's clock in which they were read: by the time on the strip, or by arrival where it bears none."),),
            heads=heads(*head, *((f"{hour:02d}", f"{hour:02d}:00") for hour in hours)),
            rows=tuple((*cells, *(_few(_in(loads[hand], {hour})) for hour in hours)) for hand, cells in who),
            nothing=_("No strip arrived."),
            chart=chart(
                [Line(f"{hour:02d}:00", number(strips), bar=strips) for hour, strips in by_hour.items()],
                most=max(by_hour.values()),
                sentence=_("All strips by hour; the whole width is {strips}.", strips=counted(max(by_hour.values()), "strip")),
            ) if by_hour else None,
        ),
        *((_by_shift(loads, who, shifts, head),) if shifts else ()),
    )  # fmt: skip


_Who = tuple[tuple[Hand, tuple[Cell, ...]], ...]


def _by_shift(loads: Mapping[Hand, Load], who: _Who, shifts: Sequence[Shift], head: tuple[tuple[str, str], ...]) -> Table:
    return Table(
        name="shifts",
        title=_("By shift"),
        says=(_("Shifts begin when the site's controls ask for a set. An hour belongs to the shift in which it begins."),),
        heads=heads(*head, *((_("from {time}", time=f"{each.begins:%H:%M}"), f"from {each.begins:%H:%M}") for each in shifts)),
        rows=tuple((*cells, *(count(_in(loads[hand], each.hours)) for each in shifts)) for hand, cells in who),
        nothing=_("No strip arrived."),
    )


def _in(load: Load, hours: set[int] | frozenset[int]) -> int:
    return sum(of.get(hour, 0) for of in (load.patients, load.others) for hour in hours)


def _few(strips: int) -> Cell:
    """Give a count; no strips are nothing to read on the page, and a 0 in the file."""
    return count(strips) if strips else Cell("", "0")


def names_of(register: Sequence[Operator], hand: Hand, period: Period) -> str:
    """Name everybody whose number it was on a day of the period, in the order in which they were entered."""
    names = (
        each.name
        for each in register
        if (each.analyzer, each.number) == hand and each.since <= period.last and period.first <= (each.until or period.last)
    )
    return ", ".join(dict.fromkeys(names)) or (_("not entered") if hand.operator else _("no number on the strip"))
