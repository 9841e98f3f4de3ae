"""The in-memory twin keeps the contract of every store; what a crash leaves of it is what was committed."""

from __future__ import annotations

from collections.abc import Callable
from functools import cached_property
from typing import cast

import pytest
from hypothesis import HealthCheck, settings

from bridge.errors import StoreFailed
from bridge.model import Answer, DeliveryState
from bridge.store.api import Store
from bridge.store.commands import ReserveNumbers
from bridge.store.memory import MemoryStore
from tests.store import strips as s
from tests.store.account_contract import AccountContract
from tests.store.addition_contract import AdditionContract
from tests.store.audit_contract import AuditContract
from tests.store.clock_contract import ClockContract
from tests.store.contract import StoreContract
from tests.store.correction_contract import CorrectionContract
from tests.store.day_log_contract import DayLogContract
from tests.store.envelope_contract import EnvelopeContract
from tests.store.gate_contract import GateContract
from tests.store.life_contract import LifeContract
from tests.store.look_back_contract import LookBackContract
from tests.store.lot_contract import LotContract
from tests.store.machine import PLACES, StoreMachine
from tests.store.month_contract import MonthContract
from tests.store.number_contract import NumberContract, ShiftContract
from tests.store.operator_contract import OperatorContract
from tests.store.quick_contract import QuickContract
from tests.store.registered_contract import RegisteredContract
from tests.store.replacement_contract import ReplacementContract
from tests.store.report_contract import ReportContract
from tests.store.signal_contract import SignalContract
from tests.store.stop_contract import StopContract
from tests.store.strips import NOW, later
from tests.store.telling_contract import TellingContract
from tests.store.today_contract import TodayContract


def reopening() -> Callable[[], Store]:
    """Give what opens a twin over what the one before it committed."""
    made: list[MemoryStore] = []

    def open_again() -> Store:
        committed = made[-1].committed if made else None
        made.append(MemoryStore(committed, now=lambda: later(60)))
        return cast("Store", made[-1])  # without the sums that only pages ask

    return open_again


class TestContract(StoreContract):
    """The twin is a store like the others, as far as judging, queues and the rows of the pages go."""

    @pytest.fixture
    def make(self) -> Callable[[], Store]:
        return reopening()


class TestGates(GateContract):
    """The same store keeps the contract of gates."""

    @pytest.fixture
    def make(self) -> Callable[[], Store]:
        return reopening()


class TestSignals(SignalContract):
    """The same store keeps the contract of signals."""

    @pytest.fixture
    def make(self) -> Callable[[], Store]:
        return reopening()


class TestAdditions(AdditionContract):
    """The same store keeps the contract of additions."""

    @pytest.fixture
    def make(self) -> Callable[[], Store]:
        return reopening()


class TestClocks(ClockContract):
    """The same store keeps the contract of clocks."""

    @pytest.fixture
    def make(self) -> Callable[[], Store]:
        return reopening()


class TestMonths(MonthContract):
    """The same store keeps the contract of the monthly review."""

    @pytest.fixture
    def make(self) -> Callable[[], Store]:
        return reopening()


class TestNumbers(NumberContract):
    """The same store keeps the contract of missing numbers."""

    @pytest.fixture
    def make(self) -> Callable[[], Store]:
        return reopening()


class TestCorrections(CorrectionContract):
    """The same store keeps the contract of corrections."""

    @pytest.fixture
    def make(self) -> Callable[[], Store]:
        return reopening()


class TestLookBacks(LookBackContract):
    """The same store keeps the contract of look-backs."""

    @pytest.fixture
    def make(self) -> Callable[[], Store]:
        return reopening()


class TestReplacements(ReplacementContract):
    """The same store keeps the contract of replaced results."""

    @pytest.fixture
    def make(self) -> Callable[[], Store]:
        return reopening()


class TestOperators(OperatorContract):
    """The same store keeps the contract of the register of operators."""

    @pytest.fixture
    def make(self) -> Callable[[], Store]:
        return reopening()


class TestAudit(AuditContract):
    """The same store keeps the contract of the audit trail."""

    @pytest.fixture
    def make(self) -> Callable[[], Store]:
        return reopening()


class TestDayLogs(DayLogContract):
    """The same store keeps the contract of the day logs."""

    @pytest.fixture
    def make(self) -> Callable[[], Store]:
        return reopening()


class TestPausesAndNotes(TodayContract):
    """The same store keeps the contract of pauses and of the hand-over list."""

    @pytest.fixture
    def make(self) -> Callable[[], Store]:
        return reopening()


class TestReports(ReportContract):
    """The same store keeps the contract of reports."""

    @pytest.fixture
    def make(self) -> Callable[[], Store]:
        return reopening()


class TestRegistered(RegisteredContract):
    """The same store keeps the contract of registered identifiers."""

    @pytest.fixture
    def make(self) -> Callable[[], Store]:
        return reopening()


class TestStops(StopContract):
    """The same store keeps the contract of what is stopped."""

    @pytest.fixture
    def make(self) -> Callable[[], Store]:
        return reopening()


class TestAccounts(AccountContract):
    """The same store keeps the contract of accounts."""

    @pytest.fixture
    def make(self) -> Callable[[], Store]:
        return reopening()


class TestEnvelopes(EnvelopeContract):
    """The same store keeps the contract of envelopes."""

    @pytest.fixture
    def make(self) -> Callable[[], Store]:
        return reopening()


class TestBenches(QuickContract):
    """The same store keeps the contract of shared benches."""

    @pytest.fixture
    def make(self) -> Callable[[], Store]:
        return reopening()


class TestLives(LifeContract):
    """The same store keeps the contract of analyzers' lives."""

    @pytest.fixture
    def make(self) -> Callable[[], Store]:
        return reopening()


class TestTellings(TellingContract):
    """The same store keeps the contract of telling."""

    @pytest.fixture
    def make(self) -> Callable[[], Store]:
        return reopening()


class TestShifts(ShiftContract):
    """The same store keeps the contract of held runs."""

    @pytest.fixture
    def make(self) -> Callable[[], Store]:
        return reopening()


class TestLots(LotContract):
    """The same store keeps the contract of containers and lots."""

    @pytest.fixture
    def make(self) -> Callable[[], Store]:
        return reopening()


class MemoryMachine(StoreMachine):
    """The twin keeps to the model."""

    @cached_property
    def made(self) -> list[MemoryStore]:
        return []

    def opened(self) -> Store:
        self.made.append(MemoryStore(self.made[-1].committed if self.made else None, now=lambda: self.now))
        return cast("Store", self.made[-1])

    def removed(self) -> None:
        """Nothing is left of it."""

    def lane_columns(self) -> list[tuple[int, int, int, int]]:
        """Give what the columns of a database would say: the twin keeps none, and reckons its heads at each look."""
        state = self.made[-1].committed
        heads = {sent.row.delivery_id for place in PLACES for sent in state.heads(place).values()}
        return [
            (number, int(number in heads), int(not state.is_urgent(sent)), int(not state.is_over(sent.after)))
            for number, sent in state.sent.items()
        ]


TestMachine = MemoryMachine.TestCase
TestMachine.settings = settings(
    max_examples=60, stateful_step_count=40, deadline=None, suppress_health_check=[HealthCheck.too_slow], derandomize=True
)


def test_a_crash_is_a_copy_that_nothing_later_changes() -> None:
    """What is committed after the copy was taken is not in it; what was being sent is due again."""
    store = MemoryStore(now=lambda: NOW)
    twin = cast("Store", store)
    (one,) = s.post(twin, "A1").delivery_ids
    attempt = s.begin(twin, one)
    left = store.committed
    assert s.end(twin, one, attempt, Answer.ACCEPTED) is DeliveryState.ACCEPTED
    s.post(twin, "A2")
    again = cast("Store", MemoryStore(left, now=lambda: NOW))
    assert s.states(again, "A1") == {"records": DeliveryState.RETRYING}
    assert again.result("A2") is None
    assert s.heads(again) == ["A1"]
    assert s.states(twin, "A1") == {"records": DeliveryState.ACCEPTED}


def test_a_closed_twin_takes_nothing() -> None:
    """As every store."""
    store = MemoryStore(now=lambda: NOW)
    store.close()
    with pytest.raises(StoreFailed, match="The store is closed"):
        store.submit(ReserveNumbers(count=1)).result(s.WAIT)
