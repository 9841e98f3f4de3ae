"""The seals of the audit trail."""

from __future__ import annotations

from bridge.store.chain import Head
from bridge.store.codec import microseconds
from bridge.store.commands import SealAudit
from bridge.store.database import Db


def seal_audit(db: Db, command: SealAudit) -> Head | None:
    """Append an entry that names the newest of every writer; give it, None where nothing came since the last one."""
    return db.chain.seal(db, microseconds(command.at))
