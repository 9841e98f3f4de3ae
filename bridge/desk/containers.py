"""Containers of strips: what a person enters from a label as it is opened, and when it is out of use."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta

from bridge.bench.containers import ContainerEnd
from bridge.desk.who import require_name
from bridge.errors import RefusedAction
from bridge.model import Actor
from bridge.store.api import Store
from bridge.store.commands import AcceptLot, CloseContainer, OpenContainer, SignAcceptedLot, WithdrawLot
from bridge.tables.container_table import ContainerPolicy
from bridge.tables.types import Tables

CLOCKS_DIFFER = timedelta(minutes=5)  # ours: a browser's clock may be ahead of ours by as much
LONGEST_AGO = timedelta(days=400)  # ours: no container is in use for longer; a year that was typed wrong is
LONGEST_SHELF_LIFE = timedelta(days=5 * 366)  # ours: longer than strips keep; a year that was typed wrong
LONGEST_LOT = 40  # ours: characters; printed lots are shorter


@dataclass(frozen=True, kw_only=True, slots=True)
class TypedContainer:
    """What a person typed. ``expires`` is the last day on the label, as 2027-03-31; ``opened`` the site's clock, as 2026-11-25T09:00, or "" for now."""

    analyzer: str
    strip_type: str
    strip_lot: str
    expires: str
    opened: str = ""


class ContainerDesk:
    """The actions on containers. Raises RefusedAction or Overtaken with a sentence for the technician."""

    def __init__(self, store: Store, tables: Tables, now: Callable[[], datetime]) -> None:
        self._store = store
        self._tables = tables
        self._now = now

    def open(self, typed: TypedContainer, *, actor: Actor) -> int:
        """Keep that a container was opened at an analyzer; controls come due for it there. Give its id."""
        policy = self._tables.containers.policy
        if policy is None:
            raise RefusedAction("This site asks for no containers: its file containers.yaml says nothing of findings.")
        require_name(actor)
        if typed.strip_type not in self._tables.strip_types:
            raise RefusedAction("Choose the analyzer and the strip type.")
        lot = typed.strip_lot.strip()
        if not lot or len(lot) > LONGEST_LOT or not lot.isprintable():
            raise RefusedAction("Give the lot code as the analyzer prints it.")
        now = self._now()
        opened_at = _opened(typed.opened, policy, now)
        command = OpenContainer(
            analyzer=typed.analyzer,
            strip_type=typed.strip_type,
            strip_lot=lot,
            expires=_last_day(typed.expires, opened_at.astimezone(policy.zone).date()),
            opened_at=opened_at,
            policy=self._tables.controls.policy,
            actor=actor,
            at=now,
        )
        made: int = self._store.submit(command).result()
        return made

    def close(self, container_id: int, *, how: ContainerEnd, reason: str, actor: Actor) -> None:
        """Take a container out of use; strips that are read later are from no known container."""
        require_name(actor)
        if how is ContainerEnd.MISTAKE and not reason.strip():
            raise RefusedAction("Say what was wrong: it is kept with what you do.")
        command = CloseContainer(container_id=container_id, how=how, actor=actor, reason=reason.strip(), at=self._now())
        self._store.submit(command).result()

    def accept_lot(self, strip_type: str, strip_lot: str, *, reason: str, actor: Actor) -> None:
        """Accept a lot, after it was compared by the laboratory's procedure. A second person has still to sign."""
        self._require_reason(strip_type, reason, actor)
        command = AcceptLot(strip_type=strip_type, strip_lot=strip_lot, actor=actor, reason=reason.strip(), at=self._now())
        self._store.submit(command).result()

    def sign_lot(self, strip_type: str, strip_lot: str, *, actor: Actor) -> None:
        """Sign, as a second person, that a lot is accepted. What was held for nothing else is judged again."""
        self._require_asked(strip_type, actor)
        self._store.submit(SignAcceptedLot(strip_type=strip_type, strip_lot=strip_lot, actor=actor, at=self._now())).result()

    def withdraw_lot(self, strip_type: str, strip_lot: str, *, reason: str, actor: Actor) -> None:
        """Take back that a lot is accepted: its next strips are held, or noted, again."""
        self._require_reason(strip_type, reason, actor)
        command = WithdrawLot(strip_type=strip_type, strip_lot=strip_lot, actor=actor, reason=reason.strip(), at=self._now())
        self._store.submit(command).result()

    def _require_reason(self, strip_type: str, reason: str, actor: Actor) -> None:
        self._require_asked(strip_type, actor)
        if not reason.strip():
            raise RefusedAction("Say what it was compared with, or why: it is kept with what you do.")

    def _require_asked(self, strip_type: str, actor: Actor) -> None:
        policy = self._tables.containers.policy
        if policy is None or policy.new_lot is None or strip_type not in self._tables.strip_types:
            raise RefusedAction("This site asks for no lots to be accepted: its file containers.yaml says nothing of new_lot.")
        require_name(actor)


def _opened(text: str, policy: ContainerPolicy, now: datetime) -> datetime:
    """Give when a container was opened, UTC. Raises RefusedAction for a time that is none, or that cannot be meant."""
    if not text:
        return now
    try:
        local = datetime.fromisoformat(text)
    except ValueError as error:
        raise RefusedAction("Give the day and time of opening, such as 2026-11-25T09:00, or leave it empty for now.") from error
    opened_at = (local if local.tzinfo else local.replace(tzinfo=policy.zone)).astimezone(UTC)
    if opened_at > now + CLOCKS_DIFFER:
        raise RefusedAction("This container would be opened in the future. Look at the day and the time.")
    if opened_at < now - LONGEST_AGO:
        raise RefusedAction("This container would have been opened more than a year ago. Look at the day.")
    return min(opened_at, now)


def _last_day(text: str, opened_on: date) -> date:
    """Give the last day of use. Raises RefusedAction for a day that is none, or that cannot be meant."""
    try:
        expires = date.fromisoformat(text)
    except ValueError as error:
        raise RefusedAction(
            "Give the last day on the label as 2027-03-31. Where it has a month only, the last day of that month is meant."
        ) from error
    if expires < opened_on:
        raise RefusedAction(
            f"This container is past its last day, {expires}: do not use it. If the label says otherwise, look at what you typed."
        )
    if expires > opened_on + LONGEST_SHELF_LIFE:
        raise RefusedAction(f"No strips keep to {expires}. Look at the year on the label.")
    return expires
