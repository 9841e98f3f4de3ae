"""What a signal says to a person: names of receivers and analyzers, our own numbers, counts and times. Never a patient, never printed text."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from zoneinfo import ZoneInfo

from bridge.signals.kinds import Cause, Kind


@dataclass(frozen=True, kw_only=True, slots=True)
class Words:
    """A kind in words. ``one`` and ``many`` are headlines; ``many`` has the count put in. ``todo`` is what a person can do."""

    name: str
    one: str
    many: str
    todo: str
    counts: bool = False  # the count of strips or messages is the headline's, not that of subjects


KIND_WORDS: Mapping[Kind, Words] = {
    Kind.TELLING: Words(
        name="Critical result not told",
        one="Nobody was told of a critical result",
        many="Nobody was told of {} critical results",
        todo="Open Telling, tell whom it names by your procedure for critical results, and write it down.",
    ),
    Kind.STORE: Words(
        name="Store failed",
        one="The store cannot be written: no strip is kept and nothing is sent",
        many="The store cannot be written: no strip is kept and nothing is sent",
        todo="Work by your procedure for a broken link. Today and the log say why.",
    ),
    Kind.LOOP: Words(
        name="A part fell over",
        one="A part of Padpost fell over and was started again",
        many="{} parts of Padpost fell over and were started again",
        todo="The log says where it failed. Tell whoever looks after Padpost.",
    ),
    Kind.STAT: Words(
        name="STAT stuck",
        one="A STAT strip has not gone",
        many="{} STAT strips have not gone",
        todo="Open each and decide; if a result is needed now, report it by your procedure for urgent results.",
    ),
    Kind.RECEIVER: Words(
        name="Receiver down",
        one="A receiver takes nothing",
        many="{} receivers take nothing",
        todo="Today says why. Results are kept and go by themselves once it is back; urgent ones by your procedure for a broken link.",
    ),
    Kind.WAITING: Words(
        name="Waiting too long",
        one="A message has waited too long",
        many="{} messages wait, the oldest for too long",
        todo="Look at the receiver on Today; urgent results go by your procedure for a broken link.",
        counts=True,
    ),
    Kind.CONTROLS: Words(
        name="Controls overdue",
        one="A patient's strip waits for controls",
        many="{} patients' strips wait for controls",
        todo="Run the controls that the page Controls names; what waits goes once they have passed.",
        counts=True,
    ),
    Kind.REJECTED: Words(
        name="Rejected messages left",
        one="A rejected message has waited too long for a person",
        many="{} rejected messages have waited too long for a person",
        todo="Work through Rejected messages, the most urgent first.",
        counts=True,
    ),
    Kind.HISTORY: Words(
        name="History changed",
        one="The history is not as it was written",
        many="The history is not as it was written",
        todo="Audit says where. Keep the store and its backups as they are now, and tell your administrator and whoever answers for the laboratory's records.",
    ),
    Kind.SILENT: Words(
        name="Analyzer silent",
        one="An analyzer has been silent in opening hours",
        many="{} analyzers have been silent in opening hours",
        todo="Look whether it is on, connected, and set to send; strips read meanwhile are in its memory.",
    ),
    Kind.ROOM: Words(
        name="Room runs short",
        one="Room runs short where the store lies",
        many="Room runs short where the store lies",
        todo="Make room there; Today says how much is free.",
    ),
    Kind.EMERGENCY: Words(
        name="Emergency account in use",
        one="The emergency envelope was opened",
        many="{} emergency envelopes were opened",
        todo="Find out who it was and whether it was right, and say so on Emergency envelopes. Nobody looks into their own.",
    ),
    Kind.ENVELOPE: Words(
        name="Envelope spent",
        one="There is no good emergency envelope",
        many="There is no good emergency envelope",
        todo="An administrator seals a new one on Emergency envelopes.",
    ),
    Kind.CERTIFICATE: Words(
        name="Certificate or key",
        one="A certificate, key or secret needs a look",
        many="{} ways in or out have a certificate, key or secret that needs a look",
        todo="Today names the file; renew it in good time.",
    ),
}
MOST_LINES = 20  # ours: what fits a telephone
SUBJECTS = {
    "stop": "rejected message {number}",
    "strip": "strip {number}",
    "telling": "task {number}",
    "envelope": "envelope {number}",
}
_PLACES = {"stop": "/rejected/", "strip": "/strips/", "telling": "/telling#t", "envelope": "/envelopes#e"}


def headline(kind: Kind, causes: tuple[Cause, ...]) -> str:
    """Say in one line what stands; nothing of it is a patient's."""
    words = KIND_WORDS[kind]
    count = sum(cause.count for cause in causes) if words.counts else len(causes)
    return words.one if count == 1 else words.many.format(count)


def subject_words(cause: Cause, said: Callable[[str], str] = str) -> str:
    """Name a cause's subject: ``rejected message 12``, ``strip 9``, or a receiver's or analyzer's own name; "" for none.

    ``said`` puts a text of ``SUBJECTS`` into the reader's language; a name is no language's.
    """
    sort, colon, number = cause.subject.partition(":")
    return (
        said(SUBJECTS[sort]).format(number=number)
        if colon and sort in SUBJECTS
        else "".join(filter(str.isprintable, cause.subject))
    )


def place(cause: Cause) -> str:
    """Give the page on which a cause is worked on."""
    sort, colon, number = cause.subject.partition(":")
    if colon and sort in SUBJECTS:
        return f"{_PLACES[sort]}{number}"
    return {
        Kind.CONTROLS: "/controls",
        Kind.REJECTED: "/rejected",
        Kind.SILENT: "/analyzers",
        Kind.HISTORY: "/audit",
        Kind.ENVELOPE: "/envelopes",
    }.get(cause.kind, "/")


def line(cause: Cause, when: Callable[[Cause], str]) -> str:
    """Say one cause: its subject, how many, since when. ``when`` gives the time in the reader's zone."""
    named = subject_words(cause)
    counted = f"{cause.count} waiting" if KIND_WORDS[cause.kind].counts else ""
    return ", ".join(filter(None, (named, counted, f"since {when(cause)}")))


def text(kind: Kind, causes: tuple[Cause, ...], zone: ZoneInfo) -> str:
    """Give what is said beside the headline: each cause in a line, at most ``MOST_LINES`` of them, and what to do."""
    lines = [f"- {line(cause, lambda each: f'{each.since.astimezone(zone):%Y-%m-%d %H:%M}')}" for cause in causes[:MOST_LINES]]
    more = len(causes) - MOST_LINES
    return "\n".join((*lines, *((f"- and {more} more",) if more > 0 else ()), "", KIND_WORDS[kind].todo))
