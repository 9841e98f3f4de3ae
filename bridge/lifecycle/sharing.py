"""Who works on what, where several processes share a store: roles, and how names are shared out fairly."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from enum import StrEnum
from types import MappingProxyType

NOBODY = ""


class Role(StrEnum):
    """A part of the work that a process may be told to do alone (``padpost serve --only``)."""

    INTAKE = "intake"
    DELIVERY = "delivery"
    WEB = "web"


EVERY_ROLE = frozenset(Role)

StepsBack = Mapping[str, Mapping[str, int]]
"""By process and name: how far a process stands back from what it wants and could not serve. Who is not named stands at none."""
NOBODY_STANDS_BACK: StepsBack = MappingProxyType({})


def every(kind: str) -> str:
    """Give the wish for all names of a kind, such as every analyzer that was ever heard of."""
    return f"{kind}:*"


def is_every(wish: str) -> bool:
    """Say whether a wish is for all names of a kind, and not a name itself."""
    return wish.endswith(":*")


def kind_of(name: str) -> str:
    """Give the kind of a name such as ``destination:records``."""
    return name.partition(":")[0]


@dataclass(frozen=True, kw_only=True, slots=True)
class Share:
    """What one process takes now, and what it should give back once it has wound it up; in order of name."""

    take: tuple[str, ...]
    give_back: tuple[str, ...]


def share_out(
    me: str, wishes: Mapping[str, frozenset[str]], owners: Mapping[str, str], steps_back: StepsBack = NOBODY_STANDS_BACK
) -> Share:
    """Give what ``me`` takes of what nobody owns, and what it should leave to a process that has less.

    ``wishes`` holds what each live process wants, ``me`` among them; ``owners`` the owner of every known name, NOBODY where it is
    free; ``steps_back`` by process and name how far a process stands back from what it wants and could not serve, none where it is
    not named. Of those who want a name, only who stands nearest counts; the others are not given something else in its place. What is
    free goes, name by name, to whoever has least; a process takes what falls to itself so, and leaves the rest to the others' next heartbeats. It gives back what another stands
    nearer to, and one that a process wants that would still not have more: what it has given back falls to that one, and never to
    itself again.
    """
    take: list[str] = []
    give_back: list[str] = []
    for kind in sorted({kind_of(name) for name in owners}):
        kin = _Kin(me, wishes, {name: owner for name, owner in owners.items() if kind_of(name) == kind}, steps_back)
        take += kin.takes()
        give_back += kin.gives_back()
    return Share(take=tuple(sorted(take)), give_back=tuple(sorted(give_back)))


class _Kin:
    """The names of one kind; each kind is shared by itself, so that no process has all that is heavy."""

    def __init__(self, me: str, wishes: Mapping[str, frozenset[str]], owners: Mapping[str, str], steps_back: StepsBack) -> None:
        self._me = me
        self._steps_back = steps_back
        self._owners = owners
        self._wishes = wishes
        self._has = Counter(owner for owner in owners.values() if owner != NOBODY)
        for name, owner in owners.items():  # who cannot serve one is mostly no better with the next: it is not evened out
            nearest = self._wanting(name)
            self._has.update(process for process in wishes if self._wants(process, name) and process not in {owner, *nearest})

    def _wants(self, process: str, name: str) -> bool:
        return name in self._wishes[process] or every(kind_of(name)) in self._wishes[process]

    def _wanting(self, name: str) -> Sequence[str]:
        """Give who may have a name: of those who want it, whoever stands nearest to it."""
        wanting = [process for process in sorted(self._wishes) if self._wants(process, name)]
        nearest = min((self._steps(process, name) for process in wanting), default=0)
        return [process for process in wanting if self._steps(process, name) == nearest]

    def _steps(self, process: str, name: str) -> int:
        return self._steps_back.get(process, {}).get(name, 0)

    def takes(self) -> list[str]:
        taken = []
        for name in sorted(name for name, owner in self._owners.items() if owner == NOBODY):
            poorest = min(self._wanting(name), key=lambda each: (self._has[each], each != self._me), default=None)
            if poorest is not None:
                self._has[poorest] += 1
            if poorest == self._me:
                taken.append(name)
        return taken

    def gives_back(self) -> list[str]:
        given = []
        for name in sorted((name for name, owner in self._owners.items() if owner == self._me), reverse=True):
            wanting = self._wanting(name)
            others = [process for process in wanting if process != self._me]
            poorest = min(others, key=lambda other: self._has[other], default=None)
            if self._me not in wanting:
                given.append(name)
            elif poorest is not None and self._has[poorest] + 1 < self._has[self._me]:
                given.append(name)
                self._has[self._me] -= 1
                self._has[poorest] += 1
        return given
