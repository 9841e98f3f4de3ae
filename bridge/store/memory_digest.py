"""The digest of a shift on the in-memory twin."""

from __future__ import annotations

from dataclasses import replace

from bridge.model import SERVICE
from bridge.store.apply_digest import KEPT, WHAT
from bridge.store.digest_commands import KeepDigest
from bridge.store.memory_rows import State, next_id
from bridge.store.rows import SayRow, SayState
from bridge.store.statements import Change


def keep_digest(state: State, command: KeepDigest) -> bool:
    """Keep a digest and what is to be said of it; say whether it was kept."""
    last = state.last_digest
    if last is not None and last >= command.due:
        return False
    state.last_digest = command.due
    if last is None:
        return False
    for say_id, row in state.says.items():
        if row.state is SayState.DUE and row.what == WHAT:
            state.says[say_id] = replace(row, state=SayState.DROPPED, ended_at=command.at)
    for way in command.ways:
        say_id = next_id(state.says)
        state.says[say_id] = SayRow(
            say_id=say_id, signal_id=None, way=way, what=WHAT, headline=command.headline, text=command.text, at=command.at,
            state=SayState.DUE, due_at=command.at, tries=0, ended_at=None, fault="", actor="",
        )  # fmt: skip
    state.note(command.at, SERVICE, KEPT, "digest", Change(after="kept"))
    return True
