"""A withdrawn result in words: who has taken it back, and which receiver may still show it and why."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from bridge.bench.corrections import Kind, Withdrawal
from bridge.lifecycle.states import OPEN_DELIVERY
from bridge.model import DeliveryState
from bridge.pages.language import Words, _, later
from bridge.store.api import Store
from bridge.store.rows import CorrectionRow

_WHY = Words[DeliveryState](
    {
        DeliveryState.REFUSED: "it turned the withdrawal away",
        DeliveryState.EXPIRED: "the withdrawal was given up after many tries",
        DeliveryState.DISCARDED: "the withdrawal was discarded",
        DeliveryState.UNSURE: "nobody knows whether the withdrawal was sent",
        DeliveryState.UNMADE: "nobody knows whether the withdrawal was sent",
    }
)


@dataclass(frozen=True, kw_only=True, slots=True)
class Withdrawn:
    """Where a withdrawn result stands, receiver by receiver; none where no receiver ever had it."""

    withdrawals: tuple[Withdrawal, ...] = ()

    @property
    def still_there(self) -> tuple[tuple[str, str], ...]:
        """Give each receiver that may still show the result, and why in words."""
        return tuple((each.destination, _why(each)) for each in self.withdrawals if each.may_be_shown)

    @property
    def sentence(self) -> str:
        """Say all of it in one line: ``withdrawal received by chart, not yet by records (its withdrawal waits: paused)``."""
        took = [each.destination for each in self.withdrawals if each.is_acknowledged]
        waits = [f"{name} ({why})" for name, why in self.still_there]
        said = [_("received by {names}", names=_(" and ").join(took))] if took else []
        said += [_("not yet by {names}", names=_(" nor by ").join(waits))] if waits else []
        return _("withdrawal {how}", how=", ".join(said)) if said else _("no receiver has it")


def _why(withdrawal: Withdrawal) -> str:
    if withdrawal.state not in OPEN_DELIVERY:
        return _WHY[withdrawal.state]
    still = withdrawal.stands_still
    return _("its withdrawal waits: {why}", why=_(still)) if still else _("its withdrawal is on its way")


class StandingStill:
    """The receivers to which nothing goes before a person acts, as the store knows them now."""

    def __init__(self, store: Store) -> None:
        self._why = {
            **dict.fromkeys(store.shut_destinations(), later("shut")),
            **{pause.destination: later("paused") for pause in store.pauses()},
        }

    def withdrawals(self, states: Iterable[tuple[str, DeliveryState]]) -> tuple[Withdrawal, ...]:
        """Give where withdrawals stand, each with what keeps it back."""
        return tuple(Withdrawal(destination=name, state=state, stands_still=self._why.get(name, "")) for name, state in states)

    def withdrawn(self, states: Iterable[tuple[str, DeliveryState]]) -> Withdrawn:
        """Give where a withdrawn result stands."""
        return Withdrawn(withdrawals=self.withdrawals(states))


def withdrawal_of(corrections: Iterable[CorrectionRow], result_id: str) -> tuple[tuple[str, DeliveryState], ...]:
    """Give the deliveries that take a result back; ``corrections`` are those that it is part of. None where it stands."""
    taken = (row for row in corrections if row.correction.result_id == result_id and row.correction.kind is not Kind.CORRECTED)
    return next((row.withdrawals for row in taken), ())
