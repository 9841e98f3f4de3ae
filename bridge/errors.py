"""The error tree: whose fault it is, and whether trying again helps.

::

    PadpostError
    ├── SetupError                 ours to mend before start; trying again unchanged is pointless
    │   ├── SettingsError          site configuration: file, line, key, remedy
    │   └── TableError             a mapping file: file, line, key, remedy
    ├── RejectError                the analyzer's data; becomes a row on the rejected-messages page
    ├── RefusedAction              a person's action that the rules do not allow; says why
    │   ├── Overtaken              somebody else acted first
    │   └── AnotherStrip           the person is asked something, and says so with the same action again
    ├── StoreError                 the local disk or database
    │   ├── StoreFull              no room; try again when there is
    │   ├── StoreLocked            another process owns the store
    │   ├── BackupError            a backup cannot be taken, or is not to be relied on
    │   ├── StoreAway              the server cannot be reached: nothing was written, try again
    │   ├── StoreUnsure            the server went away during a commit: look, then try again
    │   └── StoreFailed            a write or fsync failed: stop acknowledging, restart
    ├── LeaseLost                  another process has taken this work over; leave it alone
    └── LineError                  a wire or folder; try again

What a receiver answers is a value (``model.Acknowledgement``), never an error.
"""

from __future__ import annotations

from dataclasses import dataclass


class PadpostError(Exception):
    """Anything that Padpost raises on purpose."""


@dataclass(frozen=True, kw_only=True, slots=True)
class Spot:
    """Where in a configuration or mapping file: name, line (from 1) and dotted key."""

    file: str
    line: int
    key: str

    def __str__(self) -> str:
        """Give ``file:line: key``, the form editors jump to."""
        return f"{self.file}:{self.line}: {self.key}" if self.key else f"{self.file}:{self.line}"


class SetupError(PadpostError):
    """Something to mend in a file before the service can start.

    ``path`` is the way from the document's root to the faulty value. Pure code
    knows the path only; ``settings`` adds the spot (file and line).
    """

    def __init__(self, sentence: str, *, remedy: str, path: tuple[str | int, ...] = (), spot: Spot | None = None) -> None:
        super().__init__(sentence)
        self.sentence = sentence
        self.remedy = remedy
        self.path = path
        self.spot = spot

    def __str__(self) -> str:
        """Give place, cause and remedy on one line."""
        where = str(self.spot) if self.spot else ".".join(str(part) for part in self.path)
        return f"{where}: {self.sentence} {self.remedy}".lstrip(": ").rstrip()


class SettingsError(SetupError):
    """The site configuration cannot be used."""


class TableError(SetupError):
    """A mapping file cannot be used."""


class RejectError(PadpostError):
    """A reading cannot go on; carries what its row on the rejected-messages page says.

    ``start`` and ``end`` are the byte range of the offending value in the
    capture's payload, ``None`` where the fault has no place.
    """

    def __init__(self, rule: str, sentence: str, *, remedy: str, start: int | None = None, end: int | None = None) -> None:
        super().__init__(f"{rule}: {sentence}")
        self.rule = rule
        self.sentence = sentence
        self.remedy = remedy
        self.start = start
        self.end = end


class RefusedAction(PadpostError):  # noqa: N818 - the house's word for it; "refused" is what the person reads
    """The rules do not allow this action; the message says why and what to do."""


class Overtaken(RefusedAction):
    """Somebody else has dealt with this already; show the page anew."""


class AnotherStrip(RefusedAction):
    """The patient has another strip of that day: the person says first that it is the same person's."""


class StoreError(PadpostError):
    """The store could not do it."""


class StoreFull(StoreError):  # noqa: N818 - names the state, as the log shows it
    """The disk has no room; nothing was written."""


class StoreLocked(StoreError):  # noqa: N818 - names the state, as the log shows it
    """Another process owns this store."""


class BackupError(StoreError):
    """A backup cannot be taken or used; the message says why and what to do."""


class StoreAway(StoreError):  # noqa: N818 - names the state, as the log shows it
    """The database server cannot be reached for now; nothing was written."""


class StoreUnsure(StoreError):  # noqa: N818 - names the state, as the log shows it
    """The database server went away during a commit: what was submitted may be kept or not. Look at the store again."""


class StoreFailed(StoreError):  # noqa: N818 - names the state, as the log shows it
    """A write or fsync failed; what is durable is unknown until a restart."""


class LeaseLost(PadpostError):  # noqa: N818 - names what happened, as the log shows it
    """Another process works on this now: neither send nor mark, and forget it."""


class LineError(PadpostError):
    """A serial line, socket or folder is gone for now."""
