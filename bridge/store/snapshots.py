"""Questions that take several queries see one moment of the store, whatever is committed meanwhile."""

from __future__ import annotations

from collections.abc import Callable
from functools import wraps
from typing import Concatenate, ParamSpec, Protocol, TypeVar

from bridge.store.database import Db


class Reads(Protocol):
    """What gives this thread's reading connection."""

    _db: Callable[[], Db]


_Reads = TypeVar("_Reads", bound=Reads)
_Asked = ParamSpec("_Asked")
_Told = TypeVar("_Told")


def one_snapshot(read: Callable[Concatenate[_Reads, _Asked], _Told]) -> Callable[Concatenate[_Reads, _Asked], _Told]:
    """Run a read inside one reading transaction; inside another's it joins that one."""

    @wraps(read)
    def inside(reads: _Reads, /, *args: _Asked.args, **kwargs: _Asked.kwargs) -> _Told:
        db = reads._db()  # noqa: SLF001 - a method of theirs, wrapped
        if db.in_transaction:
            return read(reads, *args, **kwargs)
        db.execute("BEGIN")
        try:
            return read(reads, *args, **kwargs)
        finally:
            db.execute("COMMIT")

    return inside
