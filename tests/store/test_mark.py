"""A store that was put back by other means is noticed at its start, and sends nothing by itself that may have been sent since."""

from __future__ import annotations

import os
import shutil
from collections.abc import Callable
from pathlib import Path

import pytest

from bridge.model import Answer, DeliveryState
from bridge.store.backup import back_up
from bridge.store.mark import NAME, Mark, is_behind, read_mark, write_mark
from bridge.store.restore import open_epoch, restore
from bridge.store.sqlite import FILE, SqliteStore
from tests.store import strips as s
from tests.store.strips import NOW, later

HERE = Mark(epoch="ABCDE", captures=7, attempts=9)


def _opened(folder: Path) -> SqliteStore:
    return SqliteStore(folder, now=lambda: later(60))


def _copied(folder: Path) -> Path:
    """Make a store with a waiting strip, copy its file, and let the strip be sent after that; give the copy."""
    store = _opened(folder)
    posted = s.post(store, "1")
    store.close()
    copy = folder.with_name("copy.sqlite")
    shutil.copyfile(folder / FILE, copy)
    store = _opened(folder)
    s.attempt(store, posted.delivery_ids[0], Answer.ACCEPTED)
    store.close()
    return copy


def test_a_copy_that_lies_in_the_stores_place_sends_nothing_by_itself(tmp_path: Path) -> None:
    """The result was sent since: only a person can know. A new epoch keeps lost identities from being given again."""
    folder = tmp_path / "store"
    copy = _copied(folder)
    store = _opened(folder)
    old = store.epoch
    store.close()
    shutil.copyfile(copy, folder / FILE)
    store = _opened(folder)
    assert store.epoch != old
    assert s.heads(store, now=later(600)) == []
    assert s.states(store, "1")["records"] is DeliveryState.UNSURE
    assert [stop.rule for stop in store.stops()] == ["restore.unsure"]
    epoch = store.epoch
    store.close()
    store = _opened(folder)  # it has been dealt with
    assert (store.epoch, len(store.stops())) == (epoch, 1)
    store.close()


def test_a_review_is_done_once_though_its_mark_cannot_be_written(tmp_path: Path) -> None:
    """A disk without room, or a folder in the way: the old mark stays. What came since the review goes on at every later start."""
    folder = tmp_path / "store"
    copy = _copied(folder)
    shutil.copyfile(copy, folder / FILE)
    (folder / f"{NAME}.part").mkdir()  # no mark can be written from here on
    store = _opened(folder)
    assert [stop.rule for stop in store.stops()] == ["restore.unsure"]
    epoch = store.epoch
    s.post(store, "2")
    store.close()
    store = _opened(folder)
    assert (store.epoch, s.heads(store, now=later(600)), len(store.stops())) == (epoch, ["2"], 1)
    store.close()


@pytest.mark.parametrize("how", ["in place", "from a backup"])
def test_a_power_cut_between_a_command_and_the_end_of_its_mark_is_no_second_review(tmp_path: Path, how: str) -> None:
    """The mark's name comes back with the power; the store itself says that its epoch was ended."""
    folder = tmp_path / "store"
    copy = _copied(folder)
    mark = read_mark(folder)
    assert mark is not None
    if how == "in place":
        shutil.copyfile(copy, folder / FILE)
        done = open_epoch(folder, now=NOW)
    else:
        taken, _ = back_up(folder / FILE, tmp_path / "backups", now=NOW, spare_bytes=0)
        done = restore(taken, folder, now=NOW, replace=True)
    write_mark(folder, mark)
    store = _opened(folder)
    assert store.epoch == done.reviewed.epoch
    store.close()


@pytest.mark.parametrize("how", ["in place", "from a backup"])
def test_what_a_command_put_back_is_not_put_back_twice(tmp_path: Path, how: str) -> None:
    """The command has opened an epoch and made the rows; the start finds nothing to do."""
    folder = tmp_path / "store"
    copy = _copied(folder)
    assert read_mark(folder) is not None
    if how == "in place":
        shutil.copyfile(copy, folder / FILE)
        done = open_epoch(folder, now=NOW)
    else:
        taken, _ = back_up(folder / FILE, tmp_path / "backups", now=NOW, spare_bytes=0)
        done = restore(taken, folder, now=NOW, replace=True)
    store = _opened(folder)
    assert store.epoch == done.reviewed.epoch
    store.close()


def test_a_crash_leaves_the_mark_behind_the_store_and_nothing_is_made_of_it(tmp_path: Path) -> None:
    """The mark is written now and then; a store that is ahead of it has lost nothing."""
    folder = tmp_path / "store"
    store = _opened(folder)
    s.post(store, "1")
    earlier = read_mark(folder)
    store.close()
    assert earlier is not None
    write_mark(folder, earlier)
    store = _opened(folder)
    assert (store.epoch, len(s.heads(store, now=later(600))), store.stops()) == (earlier.epoch, 1, ())
    store.close()


@pytest.mark.parametrize(
    ("store", "mark", "expected"),
    [
        (HERE, None, False),
        (HERE, HERE, False),
        (HERE, Mark(epoch="ABCDE", captures=6, attempts=9), False),
        (HERE, Mark(epoch="ABCDE", captures=8, attempts=9), True),
        (HERE, Mark(epoch="ABCDE", captures=7, attempts=10), True),
        (HERE, Mark(epoch="FGHJK", captures=1, attempts=1), True),  # another store, or this one of before a restore
    ],
)
def test_a_store_is_behind_where_it_lacks_what_was_there(store: Mark, mark: Mark | None, expected: bool) -> None:
    """No mark says nothing."""
    assert is_behind(store, mark) is expected


def test_a_mark_of_an_epoch_that_a_review_ended_says_nothing_of_what_came_then() -> None:
    """Numbers of the lost time are higher than those that are given since."""
    assert is_behind(HERE, Mark(epoch="FGHJK", captures=99, attempts=99), is_reviewed=True) is False
    assert is_behind(HERE, Mark(epoch="ABCDE", captures=99, attempts=99), is_reviewed=True) is True


def _no_json(folder: Path) -> None:
    (folder / NAME).write_text("{", encoding="utf-8")


def _no_file(folder: Path) -> None:
    (folder / NAME).mkdir()


@pytest.mark.parametrize("spoil", [_no_json, _no_file])
def test_a_mark_that_cannot_be_read_says_nothing(tmp_path: Path, spoil: Callable[[Path], None]) -> None:
    """And one that cannot be written is told, and keeps nobody from working."""
    spoil(tmp_path)
    assert read_mark(tmp_path) is None
    store = _opened(tmp_path)
    s.post(store, "1")
    store.close()
    assert os.listdir(tmp_path)
