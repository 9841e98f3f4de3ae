"""Whether a patient's strip is from a container that a person entered, and that may still be used."""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import datetime

from bridge.bench.containers import container_of, is_of, last_day
from bridge.check.rulebook import finding
from bridge.model import Container, Finding, Severity
from bridge.tables.container_table import ContainerPolicy, ContainerTable

UNKNOWN = "container.unknown"
EXPIRED = "container.expired"
OPEN_TOO_LONG = "container.open_too_long"
NEW_LOT = "container.new_lot"


@dataclass(frozen=True, kw_only=True, slots=True)
class Asked:
    """What of a strip its container is told by. ``strip_lot`` is as printed; ``read_at`` is when it was read, else when it arrived."""

    analyzer: str
    strip_type: str
    strip_lot: str
    read_at: datetime


def container_right(containers: tuple[Container, ...] | None, table: ContainerTable, asked: Asked) -> tuple[Finding, ...]:
    """Find what is wrong with the container of a strip; nothing where the site asks for none.

    A lot past its last day is told before an opened life that is over: it is the graver one (42 CFR 493.1252(d): what has exceeded its
    expiration date must not be used).
    """
    policy = table.policy
    if containers is None or policy is None:
        return ()
    found = container_of(containers, asked.strip_lot, asked.read_at, policy.zone)
    if found is None:
        return (_unknown(containers, policy, asked),)
    return (*_too_old(found, table, policy, asked), *_new_lot(found, policy))


def _too_old(found: Container, table: ContainerTable, policy: ContainerPolicy, asked: Asked) -> tuple[Finding, ...]:
    day = asked.read_at.astimezone(policy.zone).date()
    if day > found.expires:
        return (
            _asking(
                policy.expired, EXPIRED, f"Lot {found.strip_lot} may be used to {found.expires}; this strip was read on {day}."
            ),
        )
    last = last_day(found, policy.zone, table.open_days.get(asked.strip_type))
    if day <= last:
        return ()
    opened = found.opened_at.astimezone(policy.zone).date()
    sentence = (
        f"The container of lot {found.strip_lot} was opened on {opened} and may be used to {last}; this strip was read on {day}."
    )
    return (_asking(policy.open_too_long, OPEN_TOO_LONG, sentence),)


def _new_lot(found: Container, policy: ContainerPolicy) -> tuple[Finding, ...]:
    if policy.new_lot is None or found.is_accepted:
        return ()
    return (_asking(policy.new_lot, NEW_LOT, f"Nobody has accepted lot {found.strip_lot} yet."),)


def _unknown(containers: tuple[Container, ...], policy: ContainerPolicy, asked: Asked) -> Finding:
    lot = f"lot {asked.strip_lot}" if asked.strip_lot else "strips"
    if not any(is_of(each, asked.strip_lot) for each in containers):
        return _asking(policy.unknown, UNKNOWN, f"No container of {lot} is entered for {asked.analyzer}.")
    at = asked.read_at.astimezone(policy.zone)
    sentence = f"No container of {lot} that is entered for {asked.analyzer} was in use on {at:%Y-%m-%d at %H:%M}, when this strip was read."
    return _asking(policy.unknown, UNKNOWN, sentence)


def _asking(severity: Severity, rule: str, sentence: str) -> Finding:
    return replace(finding(rule, sentence), severity=severity)
