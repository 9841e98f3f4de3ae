"""The one narrow interface to the store: commands in, rows out."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from concurrent.futures import Future
from datetime import date, datetime, timedelta
from typing import Any, Protocol
from zoneinfo import ZoneInfo

from bridge.accounts.envelope import Envelope
from bridge.accounts.people import Account, ApiKey, Session
from bridge.accounts.quick import Bench, Quick
from bridge.bench.analyzer_life import KeptHappening
from bridge.bench.answered import GapAnswer
from bridge.bench.clock import Heard
from bridge.bench.day_log import KeptLine
from bridge.bench.feed import Came
from bridge.bench.gaps import Gap, NumberRun
from bridge.bench.gate import GateKey, Seat
from bridge.bench.hand_over import HandOver
from bridge.bench.lots import LotReading, LotUse
from bridge.bench.month import Facts, Month, Window
from bridge.bench.operators import Operator
from bridge.bench.registered import KeptRegistration
from bridge.bench.stop_figures import Stopped
from bridge.bench.timeline import Move
from bridge.bench.turnaround import Travelled
from bridge.bench.workload import Handled
from bridge.lifecycle.pauses import Pause
from bridge.lifecycle.states import StopGroup
from bridge.model import CodedResult, DeliveryState, Needs, Neighbour, Priority, RunFacts, RunState, SeenStrips, SeriesState
from bridge.rehearsal import Kept
from bridge.signals.causes import Standing, Stuck
from bridge.signals.machine import Signal
from bridge.store import rows
from bridge.store.commands import CloseStop, Command


class Store(Protocol):
    """What every store does. Reads may be called from any thread and see all that was committed."""

    @property
    def epoch(self) -> str:
        """Give the store's epoch: 5 letters, new at initialisation and at every restore."""

    @property
    def is_shared(self) -> bool:
        """Say whether other processes may work on this store at the same time, and reads cross a network."""

    @property
    def fault(self) -> str:
        """Say why nothing can be written any more; empty while all is well."""

    @property
    def away(self) -> str:
        """Say why nothing can be written for now: the database server cannot be reached; empty while it can."""

    @property
    def shortage(self) -> str:
        """Say that the disk had no room when something was last written; empty once something could be written again."""

    def submit(self, command: Command) -> Future[Any]:
        """Do ``command`` in one durable transaction; the future gives its result once committed.

        The future raises StoreFull, StoreAway, StoreUnsure (it may be kept or not: look at the store), StoreFailed, or
        Overtaken (a command says when), or LeaseLost (commands that carry a lease).
        """

    def listen(self, heard: Callable[[str], None]) -> None:
        """Call ``heard``, from a thread of the store's own, with each name that has news: `analyzer:X`, `destination:X`, `pauses`.

        Only what other processes wrote is told, and "" where anything may have been missed: look everywhere. At most one listener.
        """

    async def look_through(self) -> None:
        """Check once, beside the work, what the start had no time for. What it finds stops the store (``fault``)."""

    def close(self) -> None:
        """Finish what was submitted, then let go of the file."""

    # --- judging

    def analyzers_with_work(self) -> tuple[str, ...]:
        """Give the analyzers that have readings to judge."""

    def next_intake(self, analyzer: str, *, after: int = 0) -> rows.IntakeRow | None:
        """Give the oldest piece of judging work of ``analyzer`` behind the piece ``after``."""

    def intake_ahead(self, analyzer: str, *, after: int, limit: int) -> tuple[rows.IntakeRow, ...]:
        """Give the next piece of judging work, and what follows it as far as all are captures that are judged for the first time."""

    def capture(self, capture_id: int) -> rows.CaptureRow:
        """Give a kept capture, byte-identical."""

    def seen_strips(self, needs: Needs, *, now: datetime, window: timedelta, apart_from: tuple[int, int]) -> SeenStrips:
        """Give earlier strips that could be this one; ``apart_from`` is its own (capture id, index)."""

    def strip_before(self, analyzer: str, seat: tuple[int, int]) -> Neighbour | None:
        """Give the patient's strip that an analyzer read last before the strip ``seat`` (capture id, index); None where none is near."""

    def series(self, analyzer: str, mode: str) -> SeriesState | None:
        """Give the newest number series of an analyzer and mode."""

    def reading_facts(self, capture_id: int, index: int, *, record_digest: str) -> rows.ReadingFacts:
        """Give what persons decided about a reading, and the result it became before, if no receiver has that.

        Both are of these very bytes: where a mended profile cuts the capture otherwise, another strip has the index.
        """

    def gate_reading(self, key: GateKey, *, arrived_at: datetime, seat: Seat) -> rows.GateReading:
        """Give a gate as it was last moved, and how it stood around a strip that arrived then and there (capture id, index)."""

    def is_behind_waiting(self, key: GateKey, *, patient_id: str, seat: Seat) -> bool:
        """Say whether a strip of the patient that was read before ``seat`` waits for the same gate still, or to be judged again."""

    def last_run(self, analyzer: str) -> RunState | None:
        """Give how an analyzer's run stands after the last strip of it that was recorded; None where there is none."""

    def is_run_held(self, analyzer: str) -> bool:
        """Say whether the last run of an analyzer that was held for what went missing in it still waits for a person."""

    def held_run(self, analyzer: str, seat: Seat) -> RunFacts | None:
        """Give for what the run of a strip was held, and who has confirmed it; None where the strip stands in no such run."""

    def control_lots(self) -> tuple[rows.LotShown, ...]:
        """Give the lots of control material that people entered and that are in use, oldest first."""

    def containers(self) -> tuple[rows.ContainerRow, ...]:
        """Give every container of strips that was ever entered, in the order of opening."""

    # --- telling a sender

    def capture_state(self, capture_id: int) -> rows.CaptureState | None:
        """Give what became of a capture, strip by strip, without anything of a patient; None if there is none."""

    # --- delivering

    def lane_heads(self, destination: str, *, now: datetime, limit: int, turn: int = 0) -> tuple[rows.LaneHead, ...]:
        """Give deliveries that may be tried now, one a lane: lanes with STAT first, then oldest first.

        Of more than ``limit`` a fair choice is given (``lifecycle.fairness``), for which ``turn`` counts the tries begun so far.

        A head whose ``due_at`` lies ahead, that is being sent, or that waits for ``after``, blocks its lane only.
        """

    def next_due(self, destination: str) -> datetime | None:
        """Give the earliest due time of a head that waits for its next try."""

    def unanswered(self, destination: str, *, now: datetime, limit: int) -> tuple[int, ...]:
        """Give committed deliveries whose answer was due by ``now``, oldest first."""

    def next_unanswered(self, destination: str) -> datetime | None:
        """Give until when the next answer to a committed delivery is waited for."""

    def unborn(self, destination: str, *, limit: int) -> tuple[tuple[int, CodedResult], ...]:
        """Give deliveries whose message is still to be made and whose ``after`` is over, oldest first."""

    def waiting_tables(self, destination: str) -> frozenset[str]:
        """Name, by digest, the table sets that coded what waits for ``destination``, born or not."""

    def table_set(self, digest: str) -> bytes | None:
        """Give the canonical JSON of a table set that was kept; results name it by ``digest``."""

    def plan_check(self, digest: str) -> str | None:
        """Give what the oracles said of a plan: None if never asked, "" if it passed."""

    # --- showing

    def stops(
        self,
        *,
        group: StopGroup | None = None,
        rule: str = "",
        priority: Priority | None = None,
        is_open: bool = True,
        before: int | None = None,
        limit: int = 100,
    ) -> tuple[rows.StopRow, ...]:
        """Give stops, newest first, before the stop id ``before``; of one group, rule or priority where one is named."""

    def urgent_stops(
        self, search: rows.StopSearch = rows.EVERY_STOP, *, after: int | None = None, limit: int = 100
    ) -> tuple[rows.StopRow, ...]:
        """Give open stops, the most urgent first: STAT before routine, then what waits longest; from behind the stop id ``after``."""

    def newer_stops(self, search: rows.StopSearch, *, after: int, limit: int) -> tuple[rows.StopRow, ...]:
        """Give open stops that came after the stop id ``after``, newest first."""

    def stop_counts(self, edges: Sequence[datetime]) -> tuple[rows.StopCount, ...]:
        """Count the open stops of each kind that a list is narrowed by; ``edges`` part them by when they were opened, the latest first."""

    def news(self, *, after_stop: int, after_strip: int) -> rows.News:
        """Give what came after a stop id and a strip id; counts end at a thousand."""

    def stop(self, stop_id: int) -> rows.StopRow | None:
        """Give one stop."""

    def why_not(self, command: CloseStop) -> str:
        """Say why a command would be refused as things stand, in the words that it would be refused with; "" where it would not."""

    def stop_events(self, stop_id: int) -> tuple[rows.EventRow, ...]:
        """Give the history of a stop and of what stood for the same strip before it, oldest first; of a message, not what another receiver said."""

    def stop_turns(self, *, after: int) -> rows.Turns:
        """Give the events by which stops became somebody's or ended, from behind an event's id; and the newest id of all events."""

    def refused_file(self, stop_id: int) -> rows.RefusedFileRow | None:
        """Give the file behind a stop that has no capture."""

    def open_stops(self) -> Mapping[StopGroup, int]:
        """Count the open stops of each group."""

    def open_reasons(self) -> tuple[tuple[StopGroup, str, int], ...]:
        """Count the open stops of each (group, rule), in order of group and rule."""

    def results(
        self,
        *,
        before: int | None = None,
        limit: int = 50,
        search: str = "",
        day: tuple[date, ZoneInfo] | None = None,
        states: frozenset[DeliveryState] = frozenset(),
    ) -> tuple[rows.ResultRow, ...]:
        """Give results, newest first, before the strip id ``before``.

        ``search``: patient ID, number, specimen or control ID. ``day``: arrived on that local day. ``states``: at least one
        receiver's delivery of the newest version is in one of them.
        """

    def result(self, result_id: str) -> rows.ResultDetail | None:
        """Give one result's newest version with its whole way."""

    def strip(self, strip_id: int) -> rows.StripRow | None:
        """Give one judged strip."""

    def capture_strips(self, capture_id: int) -> tuple[rows.StripRow, ...]:
        """Give the newest interpretation of every strip of a capture, by index; superseded ones left out."""

    def strips(self, *, outcome: str = "", before: int | None = None, limit: int = 50) -> tuple[rows.StripRow, ...]:
        """Give judged strips, newest first, superseded ones left out unless asked for by ``outcome``."""

    def deliveries(self, result_id: str) -> tuple[rows.DeliveryRow, ...]:
        """Give a result's deliveries of all versions, oldest first."""

    def events(self, subject: str) -> tuple[rows.EventRow, ...]:
        """Give the history of ``stop:ID``, ``strip:ID``, ``delivery:ID`` or ``destination:NAME``, oldest first."""

    def audit(self, wanted: rows.AuditSearch, *, before: int | None = None, limit: int) -> tuple[rows.AuditRow, ...]:
        """Give events of the audit trail, newest first, from before the event ``before``."""

    def verified(self) -> rows.Verified | None:
        """Give what the last walk along every chain found; None before the first."""

    def audit_names(self) -> tuple[tuple[str, ...], tuple[str, ...]]:
        """Give who did or saw something, and what, each in the order of the alphabet."""

    def destinations(self, *, since: datetime | None = None) -> tuple[rows.DestinationRow, ...]:
        """Give every destination that was ever named, by name; ``accepted`` counts what was made since then, without it all."""

    def flows(self, destinations: tuple[str, ...], *, since: datetime) -> tuple[rows.FlowRow, ...]:
        """Give for each destination what it answered last, and how much it received since then, as far as the newest tries tell."""

    def find_strips(self, text: str, *, limit: int) -> tuple[rows.FoundStrip, ...]:
        """Give the strips that a text names, newest first within each kind, at most ``limit`` and one more of a kind; each strip once."""

    def strips_between(self, since: datetime, until: datetime, *, limit: int) -> tuple[rows.FoundStrip, ...]:
        """Give the strips that were run, then those that arrived, from ``since`` to before ``until``, oldest first, at most ``limit`` of each; each once."""

    def numbers_near(self, number: int, *, reach: int, since: datetime) -> tuple[rows.NearNumber, ...]:
        """Give by analyzer the nearest number below and above that arrived since then, at most ``reach`` away."""

    def came_between(self, since: datetime, until: datetime) -> bool:
        """Say whether any strip arrived from then until before then."""

    def arrivals(self, day: date, zone: ZoneInfo) -> tuple[tuple[datetime, int, int], ...]:
        """Give by the minute of a local day (UTC) how many strips arrived, and how many of them are stopped or could not be read."""

    def door_moves(self, *, since: datetime) -> tuple[Move, ...]:
        """Give how receivers began and ceased to take messages since then, in order of time."""

    def pauses(self) -> tuple[Pause, ...]:
        """Give the pauses that nobody has ended, by destination."""

    def shut_destinations(self) -> tuple[str, ...]:
        """Give the destinations that were shut when somebody last said how they stand, by name."""

    def hand_over(self, *, since: datetime) -> tuple[HandOver, ...]:
        """Give the notes for the next shift that stand, and those that were closed since then, in the order in which they were left."""

    def analyzers(self) -> tuple[rows.AnalyzerRow, ...]:
        """Give every analyzer that was ever heard, by name."""

    def came_lately(self, analyzer: str, *, limit: int) -> tuple[Came, ...]:
        """Give an analyzer's newest patients' strips and what could not be read, copies left out: what stopped each, newest first."""

    def number_runs(self, *, since: datetime, until: datetime | None = None) -> tuple[NumberRun, ...]:
        """Give the numbers that arrived since ``since``, and before ``until``, as runs without a hole, in order of analyzer, mode, series, number; copies too, what was set aside not."""

    def day(self, day: date, zone: ZoneInfo) -> rows.DayStrips:
        """Give everything that the day tally adds up."""

    def travelled(self, *, since: datetime, until: datetime) -> tuple[Travelled, ...]:
        """Give the patients' strips that arrived then and whose result went on its way, in the order in which they were kept."""

    def handled(self, *, since: datetime, until: datetime) -> tuple[Handled, ...]:
        """Give every strip that arrived then, as it was understood last, in the order in which they were kept."""

    def stopped(self, *, since: datetime, until: datetime) -> tuple[Stopped, ...]:
        """Give the stops of strips that arrived then, and those of no strip that were opened then, as they stand now."""

    def critical_told(self, *, since: datetime, until: datetime) -> tuple[tuple[datetime, datetime | None], ...]:
        """Give the tasks of telling that were opened then, in order, each with when somebody first read it back; None for nobody yet."""

    def operators_ever(self) -> tuple[tuple[Operator, datetime | None], ...]:
        """Give every entry of the register that there ever was, in the order in which they were entered, each with when it was ended."""

    def arrivals_behind(self, strip_id: int, *, limit: int) -> tuple[tuple[int, datetime], ...]:
        """Give the strips that were judged, judged again or corrected behind one, by id, each with when it arrived."""

    def heard_strips(self, analyzer: str, *, until: int | None = None, limit: int) -> tuple[Heard, ...]:
        """Give the newest strips of an analyzer, no copies, as far as they tell of its clock, up to a capture."""

    def operators(self) -> tuple[rows.OperatorShown, ...]:
        """Give the entries of the register that are in force, in the order in which they were entered."""

    def gap_answers(self, gaps: Iterable[Gap]) -> tuple[GapAnswer, ...]:
        """Give what people said of numbers of the series that these gaps are in, oldest first within a series."""

    def held_runs(self) -> tuple[rows.ShiftShown, ...]:
        """Give the runs that wait for a person, with the strips that wait for it still; oldest first."""

    def kept_before(self, before: int | None, *, limit: int) -> tuple[Kept, ...]:
        """Give stored captures, the newest first, before a capture's id (None: from the newest), each with its patients' strips."""

    def tellings_open(self) -> tuple[rows.TellingShown, ...]:
        """Give every critical result that nobody closed, in the order in which they came."""

    def tellings_closed(self, *, before: int | None = None, limit: int = 50) -> tuple[rows.TellingShown, ...]:
        """Give critical results that were closed, the last that came first, before a task's id."""

    def telling(self, telling_id: int) -> rows.TellingShown | None:
        """Give one task of telling; None where there is none."""

    def day_signatures(self, *, since: date, until: date) -> tuple[rows.DaySignature, ...]:
        """Give the signatures of the days from ``since`` to ``until``, both inclusive: by day, newest first, and of one day the latest first."""

    def day_log(self, *, since: datetime, until: datetime | None = None) -> tuple[KeptLine, ...]:
        """Give the lines of what was done since a moment and before another, corrected ones too, in the order in which they were entered."""

    def registrations(self, *, is_in_force: bool = False) -> tuple[KeptRegistration, ...]:
        """Give every registration of an identifier that is no patient's, or those that nobody has ended, in the order of entry."""

    def accounts(self) -> tuple[Account, ...]:
        """Give every account, in the order in which they were made."""

    def account(self, account_id: int) -> Account | None:
        """Give one account."""

    def account_named(self, name: str) -> Account | None:
        """Give the account of a name; capitals and blanks make no other one."""

    def benches(self) -> tuple[Bench, ...]:
        """Give every shared bench, ended ones too, in the order in which they were made."""

    def bench(self, digest: str) -> Bench | None:
        """Give the bench of the browser whose token has this digest."""

    def quick(self, account_id: int) -> Quick | None:
        """Give what an account switches by at a bench; None where it never chose."""

    def quick_by_badge(self, badge: str) -> Quick | None:
        """Give what the account of a badge switches by."""

    def account_of(self, issuer: str, subject: str) -> Account | None:
        """Give the account of somebody in a directory, whatever their name."""

    def envelopes(self, *, limit: int) -> tuple[Envelope, ...]:
        """Give sealed envelopes, the newest first."""

    def envelopes_opened(self) -> tuple[Envelope, ...]:
        """Give those whose opening nobody has looked into, in the order in which they were sealed."""

    def session(self, digest: str) -> tuple[Session, Account] | None:
        """Give a session and whose it is; by the digest of its token."""

    def api_keys(self) -> tuple[ApiKey, ...]:
        """Give every key for programs, ended ones too, in the order in which they were made."""

    def api_key(self, digest: str) -> ApiKey | None:
        """Give the key of a digest."""

    def life_events(self, *, since: datetime) -> tuple[KeptHappening, ...]:
        """Give what happened to analyzers since then, and of before the last of each kind, in the order in which it was entered."""

    def day_log_line(self, line_id: int) -> KeptLine | None:
        """Give one line of a day log; None where there is none."""

    def gates(self) -> tuple[rows.GateRow, ...]:
        """Give every gate that something happened to or that a strip waits for, by analyzer, strip type and lot."""

    def gate_events(
        self, *, since: datetime | None = None, until: datetime | None = None, before: int | None = None, limit: int = 100
    ) -> tuple[rows.GateEventRow, ...]:
        """Give what happened to gates, newest first: since a time, until another (not included), and before an event id."""

    def sent_in_spite(self, *, since: datetime, limit: int = 200) -> tuple[rows.StripRow, ...]:
        """Give the strips that arrived since then and were sent though their controls were not right, newest first."""

    def look_backs(self, *, is_open: bool, limit: int = 500) -> tuple[rows.LookBackShown, ...]:
        """Give results that left before a control failed: those that nobody has decided about, as they were read, or the others, latest first."""

    def look_backs_under_way(self, *, limit: int = 500) -> tuple[rows.LookBackShown, ...]:
        """Give those decided to be corrected or withdrawn of which some receiver has not heard, or that nobody has done yet, latest first."""

    def specimen_strips(self, strip_id: int, *, limit: int = 50) -> tuple[rows.StripRow, ...]:
        """Give the other patients' strips with the printed patient ID and the specimen number of a strip, newest first."""

    def awaited(self, *, after: int | None = None, limit: int = 100) -> tuple[rows.AwaitedRow, ...]:
        """Give the results that wait for additions, in the order in which they came; behind the row ``after``."""

    def awaited_one(self, awaited_id: int) -> rows.AwaitedRow | None:
        """Give one wait, over or not."""

    def awaited_of(self, result_id: str) -> rows.AwaitedRow | None:
        """Give the open wait of a result."""

    def awaited_count(self) -> int:
        """Count the results that wait for additions."""

    def awaited_named(self, text: str) -> tuple[rows.AwaitedRow, ...]:
        """Give the results that wait and whose strip has ``text`` as its number, specimen ID or patient ID, sign by sign."""

    def next_awaited_due(self) -> datetime | None:
        """Give when the next wait for additions is over; None where none is."""

    def replacing(self, result_id: str) -> rows.StripRow | None:
        """Give the strip whose result takes the place of one that was withdrawn for it; None where it was not."""

    def month_facts(self, month: Month, window: Window) -> Facts:
        """Give all that is known of a month of controls."""

    def control_spans(self) -> tuple[rows.ControlledSpan, ...]:
        """Give each analyzer and strip type that a gate's history is of, by name."""

    def month_signatures(self, *, since: date, until: date, of: tuple[str, str] | None = None) -> tuple[rows.MonthSignature, ...]:
        """Give the signatures of the months (first days) from ``since`` to ``until``, of one analyzer and strip type or all; the latest first."""

    def accepted_lot(self, strip_type: str, strip_lot: str) -> rows.AcceptedLot | None:
        """Give who accepted a lot of strips, and who signed that; None where nobody did, or it was taken back."""

    def lot_uses(self, strip_type: str, strip_lot: str) -> tuple[LotUse, ...]:
        """Give every strip of a lot as it stands, oldest first, and where the newest version of its result went."""

    def lots_alike(self, strip_type: str, strip_lot: str) -> tuple[tuple[str, int], ...]:
        """Give the lots that are written as this one but for capitals, spaces and hyphens, each with its strips, by code."""

    def patient_readings(self, strip_type: str, strip_lot: str, *, since: datetime) -> Iterator[LotReading]:
        """Give what patients' strips of a lot showed that arrived since then, oldest first; copies and what was discarded or purged left out."""

    def compared_readings(self, strip_type: str, strip_lot: str) -> Iterator[LotReading]:
        """Give what strips of a lot showed that were read for no patient, oldest first; what was stopped, or purged, left out."""

    # --- signals

    def last_digest(self) -> datetime | None:
        """Give for which time the last digest of a shift was kept; None before the first."""

    def standing_signals(self) -> tuple[Signal, ...]:
        """Give the signals that are not over, by kind."""

    def ended_signals(self, *, limit: int) -> tuple[Signal, ...]:
        """Give signals that are over, newest first."""

    def muted_kinds(self, *, now: datetime) -> tuple[rows.MuteRow, ...]:
        """Give the kinds that are muted at ``now``, by kind."""

    def due_says(self, *, now: datetime, limit: int) -> tuple[rows.SayRow, ...]:
        """Give what is to be said by ``now``, oldest first."""

    def says_of(self, signal_id: int) -> tuple[rows.SayRow, ...]:
        """Give what was said of a signal or is to be said, oldest first."""

    def newest_says(self, *, limit: int) -> tuple[rows.SayRow, ...]:
        """Give what was said last, of whatever signal, and the last tests; newest first."""

    def old_stops(self, *, before: datetime) -> Standing | None:
        """Count the open stops that were opened by ``before``, and give the oldest's time; None where there is none."""

    def stuck_stat(self, *, before: datetime, limit: int) -> tuple[Stuck, ...]:
        """Give STAT strips that have stood since ``before``: stopped, waiting for controls, or not received; at most ``limit`` of each."""

    def waiting_for_controls(self) -> tuple[Standing, ...]:
        """Count by analyzer the strips that wait for controls, with the arrival of the first."""

    # --- purging

    def purge_clock(self) -> datetime | None:
        """Give when the clock was last held to be right: at the last purge, else at the newest event; None in a store in which nothing happened."""

    def corrections(
        self, *, result_id: str = "", since: datetime | None = None, limit: int = 100
    ) -> tuple[rows.CorrectionRow, ...]:
        """Give corrections, newest first: of a result, as it was or as it is now, or those made since then."""

    def correction(self, correction_id: int) -> rows.CorrectionRow | None:
        """Give one correction."""

    def result_versions(self, result_id: str) -> tuple[CodedResult, ...]:
        """Give every version of a result that still has its values, oldest first."""

    def old_captures(self, *, before: datetime, results: bool, after: int, limit: int) -> rows.Old:
        """Give captures behind the id ``after`` that arrived before ``before`` and are over, of which something is left to purge.

        ``results``: what is left may be of their strips. At most ``limit`` rows are looked at.
        """

    def old_events(self, *, before: datetime, after: int, limit: int) -> rows.Old:
        """Give events behind the id ``after`` that are older than ``before``, apart from those of what is open; at most ``limit`` are looked at."""
