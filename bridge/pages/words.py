"""How rows are put in words: times, counts, groups, states, and text that came from outside."""

from __future__ import annotations

import unicodedata
from collections.abc import Iterator
from datetime import date, datetime, timedelta
from enum import StrEnum
from zoneinfo import ZoneInfo

from markupsafe import Markup, escape

from bridge.check.understanding import SHARED_MODE
from bridge.lifecycle.ageing import Age
from bridge.lifecycle.states import DestinationState, SpecimenNext, StopGroup
from bridge.model import DeliveryState, Flag, Purpose
from bridge.pages.language import Words, _, later, ngettext, spoken
from bridge.store.rows import DestinationRow
from bridge.tables.flag_table import FlagTable
from bridge.tables.types import Tables


class Mark(StrEnum):
    """How a place is drawn. ``end``: the strip goes no further, and nobody need do anything."""

    DONE = "done"
    WAIT = "wait"
    DECIDE = "decide"
    CANNOT = "cannot"
    TURNED = "turned"
    END = "end"
    AHEAD = "ahead"


# ISO/IEC 646 (ECMA-48, ECMA-6) abbreviations of the C0 set, in order from 0, and of DEL.
CONTROL_WORDS = [
    "NUL",
    "SOH",
    "STX",
    "ETX",
    "EOT",
    "ENQ",
    "ACK",
    "BEL",
    "BS",
    "HT",
    "LF",
    "VT",
    "FF",
    "CR",
    "SO",
    "SI",
    "DLE",
    "DC1",
    "DC2",
    "DC3",
    "DC4",
    "NAK",
    "SYN",
    "ETB",
    "CAN",
    "EM",
    "SUB",
    "ESC",
    "FS",
    "GS",
    "RS",
    "US",
]
DELETE = 0x7F  # ECMA-6: DEL

# Unicode general categories that a reader cannot see, or that move other characters about (UAX #9, UTS #39):
# controls, formats (with all bidirectional ones), private use, surrogates, unassigned, line and paragraph separators.
UNSEEN = frozenset({"Cc", "Cf", "Co", "Cs", "Cn", "Zl", "Zp"})

GROUP_WORDS = Words[StopGroup](
    {
        StopGroup.HELD: "waiting for your decision",
        StopGroup.REJECTED: "cannot be sent",
        StopGroup.REFUSED: "turned away by a receiver",
    }
)

GROUP_MARKS: dict[StopGroup, Mark] = {
    StopGroup.HELD: Mark.DECIDE,
    StopGroup.REJECTED: Mark.CANNOT,
    StopGroup.REFUSED: Mark.TURNED,
}

AGE_WORDS = Words[Age](
    {
        Age.NEW: "new: less than 30 minutes",
        Age.WAITING: "waiting: 30 minutes to 2 hours",
        Age.LONG: "long: 2 hours to a day",
        Age.VERY_LONG: "very long: a day or more",
    }
)

DELIVERY_WORDS = Words[DeliveryState](
    {
        DeliveryState.UNBORN: "waiting: its message is not made yet",
        DeliveryState.QUEUED: "waiting to be sent",
        DeliveryState.SENDING: "being sent",
        DeliveryState.RETRYING: "waiting for the next try",
        DeliveryState.COMMITTED: "kept by the receiver, which has still to say whether it takes it",
        DeliveryState.ACCEPTED: "received",
        DeliveryState.REFUSED: "turned away",
        DeliveryState.EXPIRED: "given up after many tries",
        DeliveryState.UNSURE: "may have been sent; waiting for your decision",
        DeliveryState.UNMADE: "may have been sent; waiting for your decision",
        DeliveryState.SUPERSEDED: "replaced by a newer version",
        DeliveryState.DISCARDED: "discarded",
    }
)

DESTINATION_WORDS = Words[DestinationState](
    {
        DestinationState.OPEN: "open",
        DestinationState.CLOSED: "closed: nothing is sent until it answers again",
        DestinationState.RESTING: "gives no answer, so one result at a time tries",
        DestinationState.SHUT: "shut, nothing is sent",
        DestinationState.PAUSED: "paused, nothing is sent",
    }
)

UNTRIED = later("not tried yet: nothing was ever sent to it")

PURPOSE_WORDS = Words[Purpose](
    {
        Purpose.PATIENT: "patient",
        Purpose.CONTROL: "control",
        Purpose.PROFICIENCY: "proficiency",
        Purpose.COMPARISON: "lot comparison",
        Purpose.TRAINING: "training",
    }
)

SPECIMEN_WORDS = Words[SpecimenNext](
    {
        SpecimenNext.RUN_AGAIN: "is run again",
        SpecimenNext.COLLECT_AGAIN: "is collected again",
        SpecimenNext.ORDER_CANCELLED: "its order is cancelled",
        SpecimenNext.NONE: "nothing to do: its result stands, or it was no patient's",
    }
)

OUTCOME_WORDS = Words[str](
    {
        "coded": "became a result",
        "waiting": "waiting for controls to pass",
        "held": "waiting for your decision",
        "rejected": "cannot be sent",
        "copy": "a copy of an earlier strip; not sent",
        "non_patient": "stored and shown; in no patient's record",
        "unreadable": "could not be read",
        "discarded": "discarded",
        "withdrawn": "withdrawn: it was posted in error",
        "superseded": "replaced by a later reading",
    }
)

FLAG_WORDS = Words[Flag](
    {
        Flag.NORMAL: "normal",
        Flag.ABNORMAL: "abnormal",
        Flag.HIGH: "high",
        Flag.LOW: "low",
        Flag.CRITICAL: "critical",
        Flag.CRITICAL_HIGH: "critically high",
        Flag.CRITICAL_LOW: "critically low",
    }
)

# Every rule of docs/rejections.md that can stop a strip; a test compares the two.
REASON_WORDS = Words[str](
    {
        "controls.due": "controls are still to pass",
        "controls.failed": "controls failed",
        "container.unknown": "the container of strips is not entered",
        "container.expired": "the strips are past their last day",
        "container.open_too_long": "the container was open for too long",
        "container.new_lot": "nobody has accepted the lot of strips",
        "patient.missing": "no patient ID",
        "patient.denied": "patient ID is something else's number",
        "patient.registered": "patient ID is another label's",
        "patient.same_again": "patient ID of the strip before, other values",
        "patient.malformed": "patient ID is not built as IDs are",
        "patient.check_digit": "patient ID fails its check digit",
        "message.processing_id": "a test message, or not known to be live",
        "number.unreadable": "strip number cannot be read",
        "number.missing": "no strip number",
        "number.unknown_word": "unknown purpose",
        "strip_type.unknown": "unknown strip type",
        "pad.unknown": "unknown pad",
        "number.shift": "run that may have shifted by one",
        "pad.unexpected": "pad not on this strip type",
        "pad.twice": "pad given twice",
        "pad.unknown_value": "value not on the scale",
        "pad.error": "analyzer error in place of a value",
        "pad.missing": "pad missing",
        "addition.missing": "nothing added by hand in time",
        "entry.unconfirmed": "entered by one person, not yet compared by a second",
        "unit.other_system": "value of another unit system",
        "unit.differs": "unit is not the declared one",
        "unit.off_scale": "unit system in doubt",
        "unit.undecided": "unit system not shown",
        "mark.unknown": "unknown abnormal mark",
        "mark.disagrees": "abnormal mark and flag differ",
        "ratio.not_computed": "ratio not computed",
        "birth_date.unreadable": "birth date cannot be read",
        "sex.unknown": "unknown word for the sex",
        "flag.no_band": "limits by age or sex not applied",
        "critical.met": "critical by the laboratory's rule",
        "analyzer.fault": "analyzer reported an error",
        "time.missing": "no date and time",
        "time.arrival_used": "time of arrival used",
        "time.impossible": "date or time cannot be",
        "time.skipped_hour": "time in the hour that was skipped",
        "time.repeated_hour": "time in the hour that came twice",
        "time.future": "read after it arrived",
        "time.too_old": "strip too old",
        "specimen.too_old": "specimen too old",
        "specimen.collected_later": "specimen collected after it was read",
        "specimen.age_unknown": "age of the specimen not known",
        "specimen.collected_unreadable": "collection time cannot be read",
        "operator.unknown": "operator not known",
        "operator.expired": "operator out of date",
        "operator.elsewhere": "operator at two analyzers at once",
        "purpose.declared": "a patient's ID while something else is run",
        "purpose.like_patient": "a control with a patient's ID",
        "purpose.registered": "registered as no patient's, in doubt",
        "analyzer.serial": "serial number of another analyzer",
        "analyzer.out_of_service": "analyzer out of service",
        "analyzer.self_test": "self-test had failed",
        "analyzer.strip_type": "strip type not confirmed",
        "day_log.missing": "day log not complete",
        "day_log.wrong": "not in order by the day log",
        "day_log.room": "room too warm or too cold",
        "time.half_day": "time near twelve hours off",
        "time.clock_change": "summer or winter time not set",
        "time.day_month": "day and month may be swapped",
        "time.clock_off": "analyzer's clock is off",
        "time.order": "time before that of the number before it",
        "copy.same_bytes": "the same record came before",
        "copy.same_strip": "the same strip came before",
        "copy.marked": "marked as a copy",
        "copy.replaces_stopped": "replaces a stopped record",
        "copy.conflict": "same number, other content",
        "copy.purged": "same number, earlier strip purged",
        "copy.other_time": "same number and content, other time",
        "copy.possible": "same patient and values, other number",
        "specimen.run_again": "a specimen that was run before",
        "copy.doubt": "perhaps a copy",
        "copy.original_unknown": "copy whose original never came",
        "look_alike.control": "looks like a control",
        "look_alike.previous": "equals the strip before, another patient's",
        "plausible.nitrite_alone": "nitrite without leukocytes",
        "plausible.ascorbic_acid": "ascorbic acid may hide others",
        "plausible.ascorbic_acid_on_report": "ascorbic acid, said on the report",
        "plausible.alkaline": "pH 9 or more",
        "plausible.alkaline_nitrite": "alkaline, with nitrite",
        "plausible.alkaline_protein": "protein in an alkaline specimen",
        "plausible.like_water": "like water",
        "plausible.concentrated": "very concentrated",
        "plausible.blood_without_protein": "much blood, no protein",
        "plausible.bilirubin_without_urobilinogen": "bilirubin, urobilinogen normal",
        "plausible.coloured": "coloured specimen",
        "read.empty": "nothing in it",
        "read.frame": "no whole frame",
        "read.torn": "stopped in the middle",
        "read.header": "unexpected header",
        "read.record": "unexpected record",
        "read.layout": "unexpected layout",
        "read.twice": "one thing given twice",
        "read.undecodable": "not in the declared character set",
        "read.control": "control character inside a value",
        "read.message": "no message that the profile reads",
        "read.status": "not a final result",
        "read.json": "not JSON",
        "read.cut": "cut into other strips when read again",
        "read.many": "many strips cannot be read",
        "code.unmapped": "no code for a pad or value",
        "code.undated": "no time of analysis",
        "render.charset": "character that the receiver lacks",
        "render.pointer": "number that cannot be pointed to",
        "render.purpose": "no patient's strip, for a patient's record",
        "render.unplanned": "messages not checked with these tables",
        # of the way itself: no check of a strip speaks these
        "receive.refused": "file or message not taken",
        "deliver.refused": "turned away",
        "deliver.expired": "given up after many tries",
        "deliver.unanswered": "kept there, but never answered",
        "restore.unsure": "may have been sent since the backup",
        "restore.waited": "may have been sent since the backup",
        "restore.unjudged": "may have been judged since the backup",
        "profile.missing": "its profile is missing",
        "padpost.defect": "a defect in Padpost",
    }
)

MINUTE, HOUR, DAY = 60, 3_600, 86_400


NOTHING_CRITICAL = later(
    "No critical rules are switched on: Padpost calls nothing critical. A dangerous value stands here as any other, and nobody is asked to tell it:"
    " find and tell such results by your procedure."
)
NOTHING_JUDGED = later(
    "Padpost does not judge controls here: patients' results go whatever the controls say, also after one has failed."
    " Judge them by your procedure before patients' results are used."
)


def not_watched(tables: Tables) -> tuple[str, ...]:
    """Say in words what a person could think that Padpost watches, and it does not: critical results, and controls."""
    return (
        *((_(NOTHING_CRITICAL),) if not tables.flags.critical else ()),
        *((_(NOTHING_JUDGED),) if tables.controls.policy is None else ()),
    )


def critical_words(flags: FlagTable) -> str:
    """Say which critical rules are switched on; that none is must be as plain to see."""
    if not flags.critical:
        return _(NOTHING_CRITICAL)
    named = ", ".join(rule.rule for rule in flags.critical)
    return _(
        "Switched on by the laboratory: {named}. Padpost flags what meets them, keeps a task of telling, and tells nobody: "
        "follow your procedure for critical results.",
        named=named,
    )


def destination_word(row: DestinationRow) -> str:
    """Say how a receiver stands; one that was never tried is not called open."""
    return DESTINATION_WORDS[row.state] if row.is_tried or row.state is not DestinationState.OPEN else _(UNTRIED)


def code_point(char: str) -> str:
    """Give the visible word for a character that cannot be seen: ``ESC``, or ``U+202E``."""
    point = ord(char)
    if point < len(CONTROL_WORDS):
        return CONTROL_WORDS[point]
    return "DEL" if point == DELETE else f"U+{point:04X}"


def pieces(text: str) -> Iterator[tuple[str, bool]]:
    """Cut ``text`` into stretches of plain characters, and words of unseen ones (True)."""
    plain = ""
    for char in text:
        if unicodedata.category(char) in UNSEEN:
            if plain:
                yield plain, False
                plain = ""
            yield code_point(char), True
        else:
            plain += char
    if plain:
        yield plain, False


def shown(text: object) -> Markup:
    """Give text from outside as safe HTML in which every unseen character stands as a boxed word."""
    return Markup("").join(
        Markup('<span class="unseen">{}</span>').format(piece)
        if unseen
        else Markup("<bdi>{}</bdi>").format(piece)
        if _leans_right(piece)
        else escape(piece)
        for piece, unseen in pieces(str(text))
    )


def told(sentence: object) -> Markup:
    """Give a sentence of another room, kept or just said, as ``shown`` does, in the language of the request where it is known there."""
    return shown(spoken().sentences.said(str(sentence)))


def _leans_right(piece: str) -> bool:
    """Say whether a stretch holds right-to-left letters, which would move their neighbours (UAX #9)."""
    return any(unicodedata.bidirectional(char) in {"R", "AL", "AN"} for char in piece)


def plain(text: object) -> str:
    """Give text from outside without markup, unseen characters in brackets: for titles and attributes."""
    return "".join(f"[{piece}]" if unseen else piece for piece, unseen in pieces(str(text)))


def span(length: timedelta) -> str:
    """Give a length of time: ``12 s``, ``3 min``, ``5 h``, ``3 h 48 min``, ``2 days``. Under two days no minute is rounded away: it is a delay."""
    seconds = max(0, int(length.total_seconds()))
    if seconds < MINUTE:
        return f"{seconds} s"
    if seconds < HOUR:
        return f"{seconds // MINUTE} min"
    if seconds < 2 * DAY:
        hours, minutes = divmod(seconds // MINUTE, HOUR // MINUTE)
        return f"{hours} h {minutes} min" if minutes else f"{hours} h"
    return _("{count} days", count=number(seconds // DAY))


def ago(then: datetime, *, now: datetime) -> str:
    """Give how long ago: ``just now``, ``3 min ago``; a time ahead of the clock is ``in 3 min``."""
    if then - now >= timedelta(seconds=1):
        return _("in {span}", span=span(then - now))
    return _("just now") if now - then < timedelta(seconds=MINUTE) else _("{span} ago", span=span(now - then))


def to_the_second(then: datetime, *, zone: ZoneInfo) -> str:
    """Give a time of day in ``zone`` with its seconds, for what may be over within a minute: ``12:27:10``."""
    return f"{then.astimezone(zone):%H:%M:%S}"


def clock_time(then: datetime, *, now: datetime, zone: ZoneInfo) -> str:
    """Give a time of day in ``zone``: ``08:42`` today, ``24 Nov 08:42`` this year, else with the year."""
    local, today = then.astimezone(zone), now.astimezone(zone)
    if local.date() == today.date():
        return f"{local:%H:%M}"
    month = spoken().writing.months[local.month - 1]  # by name: a figure could be taken for the day
    if local.year == today.year:
        return f"{local.day} {month} {local:%H:%M}"
    return f"{local.day} {month} {local:%Y %H:%M}"


def month_words(day: date) -> str:
    """Name a month: ``November 2026``."""
    return _("{month} {year}", month=spoken().writing.whole_months[day.month - 1], year=day.year)


def day_words(day: date) -> str:
    """Name a day: ``Wednesday, 25 November 2026``."""
    names = spoken().writing
    return _(
        "{weekday}, {day} {month} {year}",
        weekday=names.days[day.weekday()],
        day=day.day,
        month=names.whole_months[day.month - 1],
        year=day.year,
    )


def series_words(mode: str, series: str, *, now: datetime, zone: ZoneInfo) -> str:
    """Give a number series in words: its mode where there are several, and when it began."""
    try:
        begun = datetime.fromisoformat(series)
    except ValueError:
        begun = None
    began = _("from {time}", time=clock_time(begun, now=now, zone=zone)) if begun is not None and begun.tzinfo else series
    return " ".join(word for word in ("" if mode == SHARED_MODE else mode, began) if word)


def when(then: datetime, *, now: datetime, zone: ZoneInfo) -> str:
    """Give a time as ``08:42, 3 min ago``."""
    return f"{clock_time(then, now=now, zone=zone)}, {ago(then, now=now)}"


def on_paper(then: datetime, *, zone: ZoneInfo) -> str:
    """Give a time as a report has it, which is read years later: ``2026-11-25 08:42``."""
    return f"{then.astimezone(zone):%Y-%m-%d %H:%M}"


def number(count: int) -> str:
    """Give a count with thin separators: ``12 345`` (a narrow no-break space, U+202F)."""
    return f"{count:,}".replace(",", "\u202f")


def counted(count: int, one: str, many: str = "") -> str:
    """Give a count with its noun: ``1 strip``, ``2 strips``."""
    return f"{number(count)} {ngettext(one, many or one + 's', count)}"


def begin(phrase: str) -> str:
    """Give a phrase as a heading begins: its first letter large, the others as they are (ID stays ID)."""
    return phrase[:1].upper() + phrase[1:]


def reason(rule: str) -> str:
    """Give a rule's name in a few plain words; a rule we have no words for is named by its parts."""
    return REASON_WORDS.get(rule) or rule.replace("_", " ").replace(".", ": ")
