"""The simulation, short; and the proof that it would see what it is there to see: defects put into the parts that it simulates."""

from __future__ import annotations

import asyncio
from concurrent.futures import Future
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from bridge.model import Acknowledgement, Answer, DeliveryState, Message
from bridge.queue import lanes
from bridge.queue.committed import Committed
from bridge.queue.patience import Patience
from bridge.store.commands import Command, KeepCapture, NotedAnswer
from tests.faults import simulation
from tests.faults.simulated import RATES, Client, Handle, Round, Writers, cut_down, quietly
from tests.faults.virtual_loop import VirtualLoop

ROUNDS = 100  # of the 20,000 that are played by hand
FEW = range(1, 101)  # enough for a planted defect to be seen in some of them


@pytest.mark.slow
def test_a_hundred_rounds_keep_every_promise() -> None:
    """0 lost, 0 under a second identity, 0 out of order, 0 marked and not there, 0 stuck; and every kind of fault was among them."""
    figures = simulation.simulate(range(1, ROUNDS + 1), workers=2)
    assert figures["breaches"] == []
    assert figures["rounds"] == ROUNDS
    assert figures["strips"] > 10 * ROUNDS
    assert set(figures["faults"]) == set(RATES)
    print(figures)


def test_a_seed_gives_the_same_round_each_time() -> None:
    """What failed once fails again: faults, times, and every message in its order."""
    rounds = []
    with quietly():
        for _ in range(2):
            this = Round(7)
            assert this.play() == []
            rounds.append((this.world.history, this.world.faults, this.world.loop.time()))
    assert rounds[0] == rounds[1]
    assert rounds[0][1].total() > 0


def test_the_first_faults_of_a_round_are_the_same_with_fewer() -> None:
    """A failing round is cut down by letting only its first faults happen; with none there is no second sending."""
    with quietly():
        calm = Round(7, 0)
        assert calm.play() == []
    assert calm.world.faults.total() == 0
    assert len(calm.world.history.arrived) == len(calm.world.receivers) * len(calm.world.history.submitted)


def is_seen(breach: str) -> bool:
    """Say whether some round of a few comes to such a breach."""
    with quietly():
        return any(breach in "\n".join(Round(seed, owners=1).play()) for seed in FEW)


def test_an_answer_before_the_commit_is_seen_as_a_loss(monkeypatch: pytest.MonkeyPatch) -> None:
    """Planted: the sender is told yes at once, and the capture is kept a little later."""
    honest = Handle.submit

    def hasty(handle: Handle, command: Command) -> Future[Any]:
        future = honest(handle, command)
        if isinstance(command, KeepCapture) and not handle._process.is_dead:
            told: Future[Any] = Future()
            told.set_result(0)
            return told
        return future

    monkeypatch.setattr(Handle, "submit", hasty)
    assert is_seen("was acknowledged and never arrived")


def test_a_yes_that_nobody_said_is_seen(monkeypatch: pytest.MonkeyPatch) -> None:
    """Planted: silence is taken for yes."""
    honest = Client.send

    async def hopeful(client: Client, message: Message) -> Acknowledgement:
        answer = await honest(client, message)
        return replace(answer, answer=Answer.ACCEPTED) if answer.code == "timeout" else answer

    monkeypatch.setattr(Client, "send", hopeful)
    assert is_seen("is marked as delivered and not held there")


def test_a_new_number_for_a_second_try_is_seen(monkeypatch: pytest.MonkeyPatch) -> None:
    """Planted: each process sends under numbers of its own."""
    honest = Client.send

    async def forgetful(client: Client, message: Message) -> Acknowledgement:
        return await honest(client, replace(message, control_id=f"{message.control_id}-{id(client.process) % 1000}"))

    monkeypatch.setattr(Client, "send", forgetful)
    assert is_seen("identities")


def test_lanes_without_order_are_seen(monkeypatch: pytest.MonkeyPatch) -> None:
    """Planted: a lane for each strip, and none for its patient."""
    monkeypatch.setattr(Writers, "lane", lambda _, result: f"{result.patient_id}/{result.specimen_id}")
    assert is_seen("came after a later strip of the same patient")


def test_a_wait_by_a_clock_that_was_set_is_seen(monkeypatch: pytest.MonkeyPatch) -> None:
    """Planted: nobody notices that the clock was set, as it was before this simulation found it."""
    monkeypatch.setattr(lanes.DestinationQueue, "_watch_clock", lambda queue: queue._now())
    assert is_seen("nothing more came in 1:00:00 of calm")


def is_stuck_where_one_is_cut_off(seed: int) -> bool:
    """Say whether a round of two processes that live on, one of them often cut off from a receiver, ends with something waiting."""
    this = Round(seed, owners=2)
    this.world.rates.update({"killed": 0.0, "cut off": 0.0, "cut off from a receiver": 0.3})
    with quietly():
        return any("nothing more came in 1:00:00 of calm" in breach for breach in this.play())


def test_a_process_that_keeps_what_it_cannot_reach_is_seen(monkeypatch: pytest.MonkeyPatch) -> None:
    """Planted: a process that no longer reaches a receiver never stands back for one that does (decision 0033)."""
    seeds = range(1, 11)
    assert not any(is_stuck_where_one_is_cut_off(seed) for seed in seeds)
    monkeypatch.setattr(Patience, "note", lambda _patience, _door, _acknowledgement, _steady_s: 0)
    assert any(is_stuck_where_one_is_cut_off(seed) for seed in seeds)


def test_kept_that_is_taken_for_yes_is_seen(monkeypatch: pytest.MonkeyPatch) -> None:
    """Planted: a receiver that keeps a message and will answer later is taken to have said yes."""
    honest = Client.send

    async def hopeful(client: Client, message: Message) -> Acknowledgement:
        answer = await honest(client, message)
        return replace(answer, answer=Answer.ACCEPTED) if answer.answer is Answer.COMMITTED else answer

    monkeypatch.setattr(Client, "send", hopeful)
    assert is_seen("is marked as delivered and not held there")


def test_an_answer_that_is_forgotten_over_the_end_of_its_try_is_seen(monkeypatch: pytest.MonkeyPatch) -> None:
    """Planted: one that comes before its try's end is noted is passed over, as it was before this simulation found it."""
    honest = Committed._noted

    async def hasty(committed: Committed, control_id: str, answer: Acknowledgement) -> NotedAnswer | None:
        noted = await honest(committed, control_id, answer)
        is_early = noted is not None and noted.state is DeliveryState.SENDING
        return replace(noted, state=DeliveryState.COMMITTED) if noted is not None and is_early else noted

    monkeypatch.setattr(Committed, "_noted", hasty)
    assert is_seen("waits for a person, and its second answer was noted")


def test_a_run_goes_on_where_it_was(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """What was played is not played again, and the sums are of all; another run's file is refused."""
    file = tmp_path / "run.json"
    command = ["--workers", "1", "--resume", str(file)]
    assert simulation.main([*command, "--rounds", "2"]) == 0
    assert simulation.main([*command, "--rounds", "5"]) == 0
    kept = simulation.Run.read(file, 1)
    assert (kept.rounds, list(kept.commits.values())) == (5, [5])
    with quietly():
        whole = simulation.played(range(1, 6))
    assert (kept.sums.faults, kept.sums.counts) == (whole.faults, whole.counts)
    assert "5 rounds, " in capsys.readouterr().out
    with pytest.raises(SystemExit, match="began with seed 1; give that one, or another file"):
        simulation.main([*command, "--first", "7"])


def test_a_failing_round_is_cut_down(monkeypatch: pytest.MonkeyPatch) -> None:
    """The smallest number of first faults with which it fails: here the first lost message."""
    honest = Client.send

    async def hopeful(client: Client, message: Message) -> Acknowledgement:
        answer = await honest(client, message)
        return replace(answer, answer=Answer.ACCEPTED) if answer.code in ("timeout", "connection lost") else answer

    monkeypatch.setattr(Client, "send", hopeful)
    with quietly():
        failing = next(this for this in map(Round, FEW) if this.world.owners == 1 and this.play())
        fewest = cut_down(failing.seed, failing.world.faults.total())
        assert 0 < fewest < failing.world.faults.total()
        assert Round(failing.seed, fewest).play() != []
        assert Round(failing.seed, fewest - 1).play() == []


def test_the_loop_waits_without_waiting() -> None:
    """An hour is over at once, timers come in their order, and a wait that nothing can end is said so."""
    loop = VirtualLoop()
    came: list[tuple[str, float]] = []

    async def wait(name: str, seconds: float) -> None:
        await asyncio.sleep(seconds)
        came.append((name, loop.time()))

    async def both() -> None:
        await asyncio.gather(wait("late", 3600), wait("soon", 1))

    loop.run_until_complete(both())
    assert came == [("soon", 1.0), ("late", 3600.0)]
    hopeless = loop.create_task(asyncio.Event().wait())
    with pytest.raises(RuntimeError, match="nothing can ever happen again"):
        loop.run_until_complete(hopeless)
    hopeless.cancel()
    loop.run_until_complete(asyncio.gather(hopeless, return_exceptions=True))
    loop.close()
