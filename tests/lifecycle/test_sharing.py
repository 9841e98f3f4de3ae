"""Sharing out: everything that somebody wants is worked on by exactly one, evenly, and nothing is passed to and fro."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass, field

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
    assert first.take == ("analyzer:0", "analyzer:2", "analyzer:4")
    owners |= dict.fromkeys(first.take, "a")
    assert share_out("b", wishes, owners) == Share(take=("analyzer:1", "analyzer:3"), give_back=())


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


@pytest.mark.parametrize(
    ("mine", "theirs", "given"),
    [(0, 0, False), (1, 0, True), (1, 1, False), (2, 1, True), (1, 2, False)],
)
def test_who_stands_back_leaves_it_to_who_stands_nearer_and_to_nobody_else(mine: int, theirs: int, given: bool) -> None:
    """A receiver that neither reaches stays where it is: passing it on would change nothing."""
    name = "destination:a"
    wishes = {"me": frozenset({name}), "you": frozenset({name})}
    steps = {"me": {name: mine}, "you": {name: theirs}}
    assert share_out("me", wishes, {name: "me"}, steps) == Share(take=(), give_back=(name,) if given else ())
    if given:  # what it has given back, and only that, is the other's, however much that one has already
        owners = {name: NOBODY, "destination:b": "you", "destination:c": "you"}
        assert share_out("me", wishes, owners, steps).take == ()
        assert share_out("you", wishes, owners, steps).take == (name,)


def test_who_stands_back_is_not_given_another_in_its_place() -> None:
    """Cut off from one receiver it is mostly cut off from all: what it passed on counts as its own when shares are evened out."""
    names = _names(3, "destination")
    wishes = {"me": frozenset(names), "you": frozenset(names)}
    owners = dict.fromkeys(names, "you")
    assert share_out("you", wishes, owners).give_back == (names[2],)
    assert share_out("you", wishes, owners, {"me": {names[0]: 1}}).give_back == (names[2],)
    assert share_out("you", wishes, owners, {"me": {names[0]: 1, names[1]: 3}}).give_back == ()


def test_who_is_alone_serves_what_it_stands_back_from() -> None:
    """The other died, or does not want it: however often it was in vain, somebody must go on trying."""
    name = "destination:a"
    wishes = {"me": frozenset({name}), "you": frozenset({"destination:b"})}
    steps = {"me": {name: 9}}
    assert share_out("me", wishes, {name: NOBODY}, steps).take == (name,)
    assert share_out("me", wishes, {name: "me"}, steps).give_back == ()


@dataclass
class _Shared:
    """Who owns what, and the heartbeats of processes as a store does them: what is wound up is freed, then all that is free is shared out."""

    wishes: dict[str, frozenset[str]]
    owners: dict[str, str]
    steps_back: dict[str, dict[str, int]] = field(default_factory=dict)
    leaving: dict[str, tuple[str, ...]] = field(default_factory=dict)

    def beat(self, me: str) -> bool:
        """Beat once for ``me``; say whether anything moved."""
        wound_up = self.leaving.get(me, ())
        self.owners |= dict.fromkeys(wound_up, NOBODY)
        share = share_out(me, self.wishes, self.owners, self.steps_back)
        assert all(self.owners[name] == NOBODY for name in share.take)
        assert all(self.owners[name] == me for name in share.give_back)
        self.owners |= dict.fromkeys(share.take, me)
        self.leaving[me] = share.give_back
        return bool(wound_up or share.take or share.give_back)


def test_what_was_given_back_is_not_taken_again_by_who_gave_it() -> None:
    """Ten names, three processes with four, four and two: a share of four would let the giver take back at once what the poorest should have."""
    owners = {name: "aaaabbbbcc"[number] for number, name in enumerate(_names(10))}
    shared = _Shared(wishes=dict.fromkeys("abc", ALL), owners=owners)
    for me in "abcabcabc":
        shared.beat(me)
    assert sorted(Counter(owners.values()).values()) == [3, 3, 4]
    assert [shared.beat(me) for me in "abc"] == [False, False, False]


@given(
    wishes=st.lists(st.one_of(st.just(ALL), st.frozensets(st.sampled_from(_names(12)))), min_size=1, max_size=4),
    owned=st.lists(st.integers(0, 7), max_size=12),
    turns=st.permutations(range(4)),
    back=st.lists(st.dictionaries(st.sampled_from(_names(12)), st.integers(0, 2)), min_size=4, max_size=4),
)
def test_it_comes_to_rest_evenly_with_one_owner_each(
    wishes: list[frozenset[str]], owned: list[int], turns: list[int], back: list[dict[str, int]]
) -> None:
    """From any state, with processes taking turns in any order: after a few rounds all is held, evenly, and nothing moves any more.

    Evenly among those who stand nearest: nobody else has any.
    """
    who = [f"p{number}" for number in range(len(wishes))]
    owners = {name: [*who, *[NOBODY] * 8][owned[number]] for number, name in enumerate(_names(len(owned)))}
    shared = _Shared(wishes=dict(zip(who, wishes, strict=True)), owners=owners, steps_back=dict(zip(who, back, strict=False)))
    order = [who[turn] for turn in turns if turn < len(who)]
    for _ in range(2 * len(owned) + 3):
        moved = [shared.beat(me) for me in order]
    assert not any(moved)
    counts = Counter(owners.values())
    for each in who:  # and what it stands back from
        mine = [name for name in owners if owners[name] != each and wishes[who.index(each)] & {name, every("analyzer")}]
        counts[each] += sum(shared.steps_back[each].get(name, 0) > shared.steps_back[owners[name]].get(name, 0) for name in mine)
    for name, owner in owners.items():
        wanting = [each for each in who if wishes[who.index(each)] & {name, every("analyzer")}]
        nearest = min((shared.steps_back[each].get(name, 0) for each in wanting), default=0)
        wanting = [each for each in wanting if shared.steps_back[each].get(name, 0) == nearest]
        assert owner in (wanting or [NOBODY])
        assert not wanting or counts[owner] - min(counts[each] for each in wanting) <= 1
