"""Every read of a store that speaks SQL, whichever database is behind it: one list, so that no store lacks what another can tell."""

from __future__ import annotations

from bridge.store.reads_accounts import AccountReads
from bridge.store.reads_additions import AdditionReads
from bridge.store.reads_audit import AuditReads
from bridge.store.reads_clock import ClockReads
from bridge.store.reads_corrections import CorrectionReads
from bridge.store.reads_course import CourseReads
from bridge.store.reads_day_log import DayLogReads
from bridge.store.reads_envelopes import EnvelopeReads
from bridge.store.reads_found import FoundReads
from bridge.store.reads_gate import GateReads
from bridge.store.reads_kept import KeptReads
from bridge.store.reads_life import LifeReads
from bridge.store.reads_look_back import LookBackReads
from bridge.store.reads_lots import LotReads
from bridge.store.reads_month import MonthReads
from bridge.store.reads_numbers import NumberReads
from bridge.store.reads_operators import OperatorReads
from bridge.store.reads_purge import PurgeReads
from bridge.store.reads_quick import QuickReads
from bridge.store.reads_receivers import ReceiverReads
from bridge.store.reads_registered import RegisteredReads
from bridge.store.reads_replacement import ReplacementReads
from bridge.store.reads_reports import ReportReads
from bridge.store.reads_shift import ShiftReads
from bridge.store.reads_shown import ShownReads
from bridge.store.reads_signals import SignalReads
from bridge.store.reads_stops import StopReads
from bridge.store.reads_telling import TellingReads
from bridge.store.reads_today import TodayReads
from bridge.store.reads_ways import WayReads
from bridge.store.reads_work import WorkReads


class Reads(
    WorkReads,
    WayReads,
    ShownReads,
    StopReads,
    TodayReads,
    FoundReads,
    GateReads,
    LookBackReads,
    ClockReads,
    KeptReads,
    LotReads,
    NumberReads,
    MonthReads,
    OperatorReads,
    CourseReads,
    DayLogReads,
    LifeReads,
    ReceiverReads,
    RegisteredReads,
    ReportReads,
    AccountReads,
    QuickReads,
    AdditionReads,
    EnvelopeReads,
    CorrectionReads,
    ReplacementReads,
    ShiftReads,
    SignalReads,
    TellingReads,
    PurgeReads,
    AuditReads,
):
    """All reads; the store that mixes them in gives the connection."""
