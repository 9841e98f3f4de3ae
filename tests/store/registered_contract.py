"""What every store must keep of identifiers that are no patient's: entered by one, signed by another, ended with a reason."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import replace
from datetime import date

import pytest

from bridge.bench.registered import KeptRegistration, Registration
from bridge.errors import Overtaken, RefusedAction
from bridge.model import Actor, Purpose
from bridge.store.api import Store
from bridge.store.life_commands import EndRegistration, RegisterId, SignRegistration
from tests.store.contract import Opened
from tests.store.strips import BO, EDA, NOW, WAIT, later

ROUND = Registration(
    text="EQ-26-##", purpose=Purpose.PROFICIENCY, scheme="Round 4", since=date(2026, 11, 1), until=date(2026, 11, 30)
)


def register(store: Store, of: Registration = ROUND, *, signed: bool = True) -> int:
    """Register, by Bo, and let Eda sign."""
    made: int = store.submit(RegisterId(registration=of, actor=BO, at=NOW)).result(WAIT)
    if signed:
        store.submit(SignRegistration(registration_id=made, actor=EDA, at=later(1))).result(WAIT)
    return made


class RegisteredContract:
    """The suite. Each test opens an empty store of its own."""

    @pytest.fixture
    def opened(self, make: Callable[[], Store]) -> Iterator[Opened]:
        opened = Opened(make)
        yield opened
        opened.store.close()

    def test_a_registration_outlives_a_restart_and_ends_with_a_reason(self, opened: Opened) -> None:
        """Hazard HZ-K07: who entered, signed and ended it is kept; an ended one is in force no more, and never forgotten."""
        first, second = (
            register(opened.store),
            register(opened.store, replace(ROUND, text="T1", purpose=Purpose.TRAINING), signed=False),
        )
        store = opened.restart()
        kept = KeptRegistration(
            registration_id=first, registration=ROUND, entered_by="Bo", entered_at=NOW, signed_by="Eda", signed_at=later(1)
        )
        assert store.registrations()[0] == kept
        assert [each.signed_by for each in store.registrations(is_in_force=True)] == ["Eda", ""]
        end = EndRegistration(registration_id=first, actor=EDA, reason="round over", at=later(5))
        store.submit(end).result(WAIT)
        assert [each.registration_id for each in store.registrations(is_in_force=True)] == [second]
        assert store.registrations()[0] == replace(kept, ended_by="Eda", ended_at=later(5), reason="round over")
        told = [(event.what, event.actor, event.reason) for event in store.events(f"registered:{first}")]
        assert told == [
            ("registered.entered", "Bo", ""),
            ("registered.signed", "Eda", ""),
            ("registered.ended", "Eda", "round over"),
        ]
        for gone in (first, 99):
            with pytest.raises(Overtaken):
                store.submit(replace(end, registration_id=gone)).result(WAIT)

    def test_a_second_person_signs_once(self, opened: Opened) -> None:
        """Another name; blanks and capitals make no other one."""
        made = register(opened.store, signed=False)
        sign = SignRegistration(registration_id=made, actor=EDA, at=NOW)
        for same in ("Bo", " bo "):
            with pytest.raises(RefusedAction, match="second person"):
                opened.store.submit(replace(sign, actor=Actor(name=same, verified="unverified"))).result(WAIT)
        opened.store.submit(sign).result(WAIT)
        for gone in (made, 99):
            with pytest.raises(Overtaken):
                opened.store.submit(replace(sign, registration_id=gone)).result(WAIT)
