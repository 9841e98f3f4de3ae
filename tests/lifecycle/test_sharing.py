"""Sharing out: everything that somebody wants is worked on by exactly one, evenly, and nothing is passed to and fro."""

from __future__ import annotations

from collections import Counter

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bridge.lifecycle.sharing import EVERY_ROLE, NOBODY, Role, Share, every, is_every, kind_of, share_out

ALL = frozenset({every("analyzer")})


def _names(count: int, kind: str = "analyzer") -> list[str]:
    return [f"{kind}:{number}" for number in range(count)]


def test_one_process_takes_everything_it_wants() -> None:
    """And nothing else: a destination that is not in its configuration is another's business."""
    owners = dict.fromkeys([*_names(3), "destination:a", "destination:b"], NOBODY)
    wishes = {"me": frozenset({every("analyzer"), "destination:b"})}
    assert share_out("me", wishes, owners) == Share(
        take=("analyzer:0", "analyzer:1", "analyzer:2", "destination:b"), give_back=()
    )


def test_a_second_process_takes_its_share_of_what_is_free() -> None:
    """Five free names, two processes: three for the first that looks, two are left for the other."""
    owners = dict.fromkeys(_names(5), NOBODY)
    wishes = {"a": ALL, "b": ALL}
    first = share_out("a", wishes, owners)
    assert first.take == ("analyzer:0", "analyzer:1", "analyzer:2")
    owners |= dict.fromkeys(first.take, "a")
    assert share_out("b", wishes, owners) == Share(take=("analyzer:3", "analyzer:4"), give_back=())


@pytest.mark.parametrize(("mine", "theirs", "given"), [(3, 0, 1), (4, 0, 2), (2, 1, 0), (3, 2, 0), (1, 0, 0), (5, 1, 2)])
def test_who_has_more_gives_back_until_it_is_even(mine: int, theirs: int, given: int) -> None:
    """One more than the other is even: what would only change sides stays."""
    owners = {name: "me" if number < mine else "you" for number, name in enumerate(_names(mine + theirs))}
    share = share_out("me", {"me": ALL, "you": ALL}, owners)
    assert share.take == ()
    assert share.give_back == tuple(_names(mine))[mine - given :]


def test_what_nobody_else_wants_is_not_given_back_and_what_only_one_wants_is_taken() -> None:
    """Two configurations, one a destination ahead of the other: the new one is served, however little the others have to do."""
    names = _names(3, "destination")
    owners = dict.fromkeys(names[:2], "new") | {names[2]: NOBODY}
    wishes = {"new": frozenset(names), "old": frozenset(names[:2])}
    assert share_out("new", wishes, owners) == Share(take=(names[2],), give_back=(names[1],))
    assert share_out("idle", {**wishes, "idle": frozenset()}, owners) == Share(take=(), give_back=())


def test_what_is_no_longer_wanted_is_given_back() -> None:
    """A process that no longer has a name in its configuration leaves it to others."""
    assert share_out("me", {"me": ALL}, {"destination:a": "me"}) == Share(take=(), give_back=("destination:a",))


def test_a_wish_for_all_of_a_kind_is_no_name() -> None:
    """It is never leased itself."""
    assert [is_every(wish) for wish in (every("analyzer"), "analyzer:a")] == [True, False]
    assert kind_of("destination:a:b") == "destination"
    assert frozenset(Role) == EVERY_ROLE == {"intake", "delivery", "web"}


@given(
    processes=st.integers(1, 4),
    names=st.integers(0, 12),
    owned=st.lists(st.integers(0, 4), min_size=12, max_size=12),
    turns=st.permutations(range(4)),
)
def test_it_comes_to_rest_evenly_with_one_owner_each(processes: int, names: int, owned: list[int], turns: list[int]) -> None:
    """From any state, with processes taking turns in any order: after a few rounds all is held, evenly, and nothing moves any more."""
    who = [f"p{number}" for number in range(processes)]
    owners = {name: [*who, NOBODY, NOBODY, NOBODY, NOBODY][owned[number]] for number, name in enumerate(_names(names))}
    wishes = dict.fromkeys(who, ALL)
    for _ in range(names + 3):
        moved = False
        for turn in turns:
            me = who[turn % processes]
            share = share_out(me, wishes, owners)
            assert all(owners[name] == NOBODY for name in share.take)
            assert all(owners[name] == me for name in share.give_back)
            owners |= dict.fromkeys(share.take, me) | dict.fromkeys(share.give_back, NOBODY)
            moved = moved or share != Share(take=(), give_back=())
    assert not moved
    assert NOBODY not in owners.values()
    counts = Counter(owners.values())
    assert not names or max(counts.values()) - min(counts[each] for each in who) <= 1
