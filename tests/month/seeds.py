"""The faults of the month: what each does at the bench, at which places, and what must be found of it."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from datetime import timedelta
from typing import TYPE_CHECKING

from tests.bench.judged import SOUND

if TYPE_CHECKING:
    from bridge.demo.printers import Play
    from tests.month.plan import Bench

LINE, FILES = "bench-a", "bench-b"


MOST_READ = 20  # more missing numbers than these were never strips


def luhn(body: str) -> str:
    """Give an ID with its check digit (ISO/IEC 7812-1, annex B: the Luhn formula)."""
    total = sum(sum(divmod(int(sign) * (2 - place % 2), 10)) for place, sign in enumerate(reversed(body)))
    return f"{body}{-total % 10}"


# lot codes that could be a patient's ID by pattern and check digit: only the register of containers tells
STRIP_LOTS = {name: luhn(body) for name, body in (("first", "2410001"), ("second", "2420002"), ("third", "2430003"))}


@dataclass(frozen=True, kw_only=True, slots=True)
class Seed:
    """A fault at one place: the ``place``-th patient's strip of a day, 0 before the controls."""

    kind: str
    hazard: str
    analyzer: str
    day: int
    place: int
    plays: Callable[[Bench, Seed], None]


def _found(seed: Seed, outcome: str, *rules: str) -> dict[str, object]:
    return {"seed": seed.kind, "hazard": seed.hazard, "outcome": outcome, "rules": frozenset(rules)}


def printed(outcome: str, *rules: str, **fields: str) -> Callable[[Bench, Seed], None]:
    """Give a fault of what is printed beside the pads."""

    def plays(bench: Bench, seed: Seed) -> None:
        strip = bench.strip(**_found(seed, outcome, *rules))
        made = replace(strip.play, **fields)  # type: ignore[arg-type] # a play's own texts
        bench.reads(replace(strip, play=made))

    return plays


def changed(outcome: str, *rules: str, old: str, new: str) -> Callable[[Bench, Seed], None]:
    """Give a fault of the bytes: one text stands in another's place. The strip's pads are negative, so that the text is there."""

    def plays(bench: Bench, seed: Seed) -> None:
        strip = bench.strip(**_found(seed, outcome, *rules), changes=((old, new),))
        bench.reads(replace(strip, play=replace(strip.play, ranks={"ph": 2, "specific_gravity": 2})))
        if "message.processing_id" in rules:  # it gets no identity, so that its number is used by nobody
            bench.missing.add(strip.play.number)

    return plays


def timed(outcome: str, *rules: str, change: Callable[[Play], Play]) -> Callable[[Bench, Seed], None]:
    """Give a fault of the printed time."""

    def plays(bench: Bench, seed: Seed) -> None:
        strip = bench.strip(**_found(seed, outcome, *rules))
        bench.reads(replace(strip, play=change(strip.play)))

    return plays


def mistyped(bench: Bench, seed: Seed) -> None:
    """Let two neighbours that differ change places."""
    strip = bench.strip(**_found(seed, "rejected", "patient.check_digit"))
    told = strip.play.patient_id
    place = next(at for at in range(len(told) - 1) if told[at] != told[at + 1] and {told[at], told[at + 1]} != {"0", "9"})
    swapped = told[:place] + told[place + 1] + told[place] + told[place + 2 :]
    bench.reads(replace(strip, play=replace(strip.play, patient_id=swapped)))


def own_lot(bench: Bench, seed: Seed) -> None:
    """Scan the container in hand."""
    printed("rejected", "patient.denied", patient_id=bench.lot)(bench, seed)


def other_lot(bench: Bench, seed: Seed) -> None:
    """Scan a container that stands at the other analyzer."""
    lot = STRIP_LOTS["third" if bench.analyzer == LINE else "first"]
    printed("held", "patient.registered", patient_id=lot)(bench, seed)


def stayed(bench: Bench, seed: Seed) -> None:
    """Leave the ID of the patient before on the screen."""
    before = bench.strip()
    bench.reads(replace(before, play=replace(before.play, ranks={"ph": 2, "specific_gravity": 2})))
    bench.wait(7)
    strip = bench.strip(**_found(seed, "held", "patient.same_again"))
    ranks = {"ph": 2, "specific_gravity": 2, "glucose": 3, "blood": 2, "nitrite": 0}
    bench.reads(replace(strip, play=replace(strip.play, patient_id=before.play.patient_id, ranks=ranks)))


def edited(bench: Bench, seed: Seed) -> None:
    """Edit a strip's ID on the analyzer, and send it again."""
    before = bench.reads(bench.strip())
    bench.wait(2)
    other = bench.strip().play.patient_id
    bench.number -= 1
    bench.reads(bench.made(replace(before.play, patient_id=other), **_found(seed, "held", "copy.conflict")))


def sent_again(bench: Bench, seed: Seed) -> None:
    """Send the very bytes once more."""
    before = bench.reads(bench.strip())
    bench.wait(2)
    bench.reads(bench.made(before.play, **_found(seed, "copy", "copy.same_bytes")))


def from_memory(bench: Bench, seed: Seed) -> None:
    """Send from the analyzer's memory, marked as a copy."""
    before = bench.reads(bench.strip())
    bench.wait(2)
    bench.reads(bench.made(replace(before.play, is_copy=True), **_found(seed, "copy", "copy.same_strip")))


def read_twice(bench: Bench, seed: Seed) -> None:
    """Read the same specimen on a second strip, with the same values."""
    before = bench.reads(bench.strip())
    bench.wait(7)
    strip = bench.strip(**_found(seed, "held", "copy.possible"))
    bench.reads(replace(strip, play=replace(strip.play, patient_id=before.play.patient_id, ranks=before.play.ranks)))


ILL = {"ph": 2, "specific_gravity": 3, "protein": 2, "blood": 3, "leukocytes": 2, "nitrite": 1}


def dipped_twice(bench: Bench, seed: Seed) -> None:
    """Dip two patients' strips into one cup."""
    before = bench.strip()
    bench.reads(replace(before, play=replace(before.play, ranks=ILL)))
    bench.wait(7)
    strip = bench.strip(**_found(seed, "held", "look_alike.previous"))
    bench.reads(replace(strip, play=replace(strip.play, ranks=ILL)))


def control_as_patient(bench: Bench, seed: Seed) -> None:
    """Read the positive control under a patient's ID, a step off here and there."""
    strip = bench.strip(**_found(seed, "held", "look_alike.control"))
    ranks = {**SOUND["2"], "glucose": SOUND["2"]["glucose"] + 1, "ph": SOUND["2"]["ph"] - 1}
    bench.reads(replace(strip, play=replace(strip.play, ranks=ranks)))


def skewed(bench: Bench, seed: Seed) -> None:
    """End the strip in error."""
    rules = (
        ("analyzer.fault", "time.missing", "operator.unknown") if bench.analyzer == LINE else ("analyzer.fault",)
    )  # the line has them beside pads
    bench.reads(bench.strip(**_found(seed, "rejected", *rules), fault="E02 STRIP SKEW"))


def skewed_and_seen_to(bench: Bench, seed: Seed) -> None:
    """End a strip in error by itself; whoever sees to it takes as long as a strip."""
    skewed(bench, seed)
    bench.wait(7)


def torn(bench: Bench, seed: Seed) -> None:
    """Pull the cable in the middle of a strip: its number is used and nothing of it arrives whole."""
    strip = bench.reads(bench.strip(**_found(seed, "unreadable", "read.torn"), keep=0.6))
    bench.missing.add(strip.play.number)


def lost(count: int) -> Callable[[Bench, Seed], None]:
    """Give a fault that loses strips."""

    def plays(bench: Bench, seed: Seed) -> None:
        for _ in range(count):
            bench.lose()
            bench.wait(0 if count > MOST_READ else 7)  # a number that was set by hand took no strip's time
        bench.reads(bench.strip())

    return plays


def half_day(play: Play) -> Play:
    """Print twelve hours too early."""
    return replace(play, at=play.at - timedelta(hours=12))


def ahead(play: Play) -> Play:
    """Print forty minutes too late."""
    return replace(play, at=play.at + timedelta(minutes=40))


def swapped(play: Play) -> Play:
    """Print day and month the other way round."""
    return replace(play, at=play.at.replace(month=play.at.day, day=play.at.month))


def in_a_row(count: int, one: Callable[[Bench, Seed], None]) -> Callable[[Bench, Seed], None]:
    """Give a fault of several strips in a row: a setting."""

    def plays(bench: Bench, seed: Seed) -> None:
        for _ in range(count):
            one(bench, seed)
            bench.wait(7)

    return plays


def shifted(breaks: Callable[[Bench, Seed], None]) -> Callable[[Bench, Seed], None]:
    """Give a list of ten IDs that were typed ahead, a strip a minute, in which something goes missing behind the fourth."""

    def plays(bench: Bench, seed: Seed) -> None:
        for place in range(10):
            if place == 4:
                breaks(bench, seed)
                bench.wait(1)
            more = _found(seed, "held", "number.shift") if place >= 4 else {}
            bench.reads(bench.strip(**more))
            bench.wait(1)

    return plays


def one_lost(bench: Bench, _: Seed) -> None:
    """Let a strip fall from the belt."""
    bench.lose()


def early(bench: Bench, seed: Seed) -> None:
    """Read a patient's strip before the controls of the day."""
    bench.reads(bench.strip(**_found(seed, "waiting", "controls.due"), is_looked_at=True))


def failed_and_mended(bench: Bench, seed: Seed) -> None:
    """Let a control fail, and read five patients all the same; then it is put right, and both levels pass."""
    bench.control("2", glucose=0)
    for _ in range(5):
        bench.reads(bench.strip(**_found(seed, "held", "controls.failed")))
        bench.wait(7)
    bench.act("mend")
    bench.control("1")
    bench.control("2")


def failed_and_repeated(bench: Bench, seed: Seed) -> None:
    """Let a control fail in an open gate, and read two patients; then both levels pass once more, with a reason."""
    bench.control("2", blood=0)
    for _ in range(2):
        bench.reads(bench.strip(**_found(seed, "held", "controls.failed")))
        bench.wait(7)
    bench.control("1")
    bench.control("2")
    bench.act("explain")


def open_too_long(bench: Bench, seed: Seed) -> None:
    """Use a container beyond its days; then open the first one of a new lot, which nobody accepted yet."""
    for _ in range(3):
        bench.reads(bench.strip(**_found(seed, "held", "container.open_too_long")))
        bench.wait(7)
    bench.act("close")
    bench.lot = STRIP_LOTS["third"]
    bench.act("open")
    bench.control("1")
    bench.control("2")
    for place in range(3):
        found = {**_found(seed, "held", "container.new_lot"), "seed": "new lot", "hazard": "HZ-C05"}
        bench.reads(bench.strip(**found, is_looked_at=place == 2))
        bench.wait(7)
    bench.act("accept")


def expired(bench: Bench, seed: Seed) -> None:
    """Use a lot on the day after its last; then open another container."""
    for _ in range(3):
        bench.reads(bench.strip(**_found(seed, "held", "container.expired")))
        bench.wait(7)
    bench.act("close")
    bench.lot = STRIP_LOTS["second"]
    bench.act("open")
    bench.control("1")
    bench.control("2")


def warm_room(bench: Bench, seed: Seed) -> None:
    """Measure a room that is too warm, read four strips in it all the same, and cool it."""
    bench.act("room", degrees="31")
    for _ in range(4):
        bench.reads(bench.strip(**_found(seed, "held", "day_log.room")))
        bench.wait(7)
    bench.act("room", degrees="23.5")


def slow_clock(bench: Bench, seed: Seed) -> None:
    """For twelve strips the analyzer's clock is twenty minutes behind; then it is set right. Which are held the median decides."""
    bench.clock = -timedelta(minutes=20)
    for _ in range(12):
        bench.reads(bench.strip(seed=seed.kind, hazard=seed.hazard))
        bench.wait(7)
    bench.clock = timedelta()


def by_another(number: str, *rules: str) -> Callable[[Bench, Seed], None]:
    """Give a strip that was read under an operator's number that is not in order."""
    return printed("held", *rules, operator=number)


def proficiency(bench: Bench, seed: Seed) -> None:
    """Read a strip of a survey, marked as one on the analyzer."""
    strip = bench.strip(**_found(seed, "non_patient"))
    bench.reads(replace(strip, play=replace(strip.play, word="X", patient_id="", specimen_id="SURVEY-3")))


KINDS: Mapping[str, tuple[str, Callable[[Bench, Seed], None]]] = {
    "ID with two digits swapped": ("HZ-A02", mistyped),
    "ID of the wrong length": ("HZ-A08", printed("rejected", "patient.malformed", patient_id="407188")),
    "operator's badge scanned": ("HZ-A04", printed("rejected", "patient.malformed", patient_id="08")),
    "own container scanned": ("HZ-A04", own_lot),
    "another container scanned": ("HZ-A04", other_lot),
    "placeholder": ("HZ-A05", printed("rejected", "patient.denied", patient_id="00000000")),
    "blank ID": ("HZ-A06", printed("rejected", "patient.missing", patient_id="")),
    "ID stayed": ("HZ-A09", stayed),
    "ID list shifted by a lost strip": ("HZ-A10", shifted(one_lost)),
    "ID list shifted by an error": ("HZ-A10", shifted(skewed)),
    "ID edited and sent again": ("HZ-A15", edited),
    "wrong strip type set": (
        "HZ-C01",
        changed("rejected", "pad.unexpected", "unit.off_scale", "container.unknown", "controls.due", old="Q10", new="S5"),
    ),
    "room at 31 °C": ("HZ-B03", warm_room),
    "lot nobody entered": ("HZ-C02", printed("held", "container.unknown", lot="24990016")),
    "expired lot": ("HZ-C03", expired),
    "container open too long": ("HZ-C04", open_too_long),
    "unknown pad": ("HZ-C06", changed("rejected", "pad.unknown", "pad.missing", old="GLUC", new="GLUX")),
    "value on no step": ("HZ-D02", changed("rejected", "pad.unknown_value", old="KETO|NEG", new="KETO|N?G")),
    "strip in error": ("HZ-D02", skewed_and_seen_to),
    "one number lost": ("HZ-D03", lost(1)),
    "cable pulled": ("HZ-D04", torn),
    "other unit system": ("HZ-D05", changed("rejected", "unit.other_system", old="UROB|0.5|mg/dL", new="UROB|8|umol/L")),
    "mark that differs": ("HZ-D07", changed("coded", "mark.disagrees", old="KETO|NEG|||N", new="KETO|NEG|||A")),
    "clock twenty minutes behind": ("HZ-D08", slow_clock),
    "time ahead of arrival": ("HZ-D08", timed("held", "time.future", change=ahead)),
    "day and month swapped": ("HZ-D10", timed("held", "time.day_month", "container.unknown", change=swapped)),
    "unknown operator": ("HZ-D15", by_another("55", "operator.unknown")),
    "operator out of date": ("HZ-D15", by_another("08", "operator.expired")),
    "before the controls": ("HZ-E01", early),
    "control failed": ("HZ-E02", failed_and_mended),
    "control failed, repeat passed": ("HZ-E03", failed_and_repeated),
    "sent again": ("HZ-F05", sent_again),
    "sent again from memory": ("HZ-F05", from_memory),
    "specimen read twice": ("HZ-F06", read_twice),
    "test message": ("HZ-H11", changed("rejected", "message.processing_id", old="|P|LIS2-A2", new="|T|LIS2-A2")),
    "output off": ("HZ-K01", lost(8)),
    "ID entry off": ("HZ-K04", in_a_row(4, printed("rejected", "patient.missing", patient_id=""))),
    "number set by hand": ("HZ-K05", lost(500)),
    "twelve hours off": ("HZ-K06", timed("held", "time.half_day", change=half_day)),
    "time before the number before": ("HZ-K06", timed("held", "time.order", change=half_day)),
    "two strips from one cup": ("HZ-A10", dipped_twice),
    "control under a patient's ID": ("HZ-E06", control_as_patient),
    "survey strip": ("HZ-K07", proficiency),
    "other language": ("HZ-K08", in_a_row(3, changed("rejected", "pad.unknown_value", old="NITR|NEG", new="NITR|NEGATIV"))),
}

# kind: the places (analyzer, day of the month, place among the day's patients)
_PLACES: Mapping[str, tuple[tuple[str, int, int], ...]] = {
    "ID with two digits swapped": ((LINE, 2, 9), (LINE, 18, 40), (FILES, 7, 33), (FILES, 27, 5)),
    "ID of the wrong length": ((LINE, 3, 50), (FILES, 19, 12)),
    "operator's badge scanned": ((LINE, 4, 21), (FILES, 10, 44)),
    "own container scanned": ((LINE, 6, 30), (FILES, 25, 17)),
    "another container scanned": ((LINE, 23, 8), (FILES, 26, 51)),
    "placeholder": ((LINE, 10, 13), (FILES, 2, 27)),
    "blank ID": ((LINE, 5, 37), (FILES, 14, 19), (FILES, 28, 60)),
    "ID stayed": ((LINE, 9, 22), (FILES, 17, 36)),
    "ID list shifted by a lost strip": ((LINE, 12, 30), (FILES, 20, 15)),
    "ID list shifted by an error": ((LINE, 19, 25), (FILES, 5, 28)),
    "ID edited and sent again": ((LINE, 13, 11), (FILES, 8, 47)),
    "wrong strip type set": ((LINE, 16, 33), (LINE, 27, 20)),
    "room at 31 °C": ((LINE, 9, 51), (FILES, 16, 31)),
    "lot nobody entered": ((LINE, 15, 18), (FILES, 13, 29)),
    "expired lot": ((FILES, 30, 1),),
    "container open too long": ((FILES, 22, 1),),
    "unknown pad": ((LINE, 7, 45), (LINE, 24, 31)),
    "value on no step": ((LINE, 1, 26), (LINE, 20, 49)),
    "strip in error": ((LINE, 2, 41), (FILES, 4, 10), (FILES, 16, 55)),
    "one number lost": ((LINE, 4, 52), (LINE, 29, 14), (FILES, 3, 35), (FILES, 18, 24)),
    "cable pulled": ((LINE, 14, 57), (FILES, 24, 39)),
    "other unit system": ((LINE, 22, 16), (LINE, 28, 28)),
    "mark that differs": ((LINE, 11, 24), (LINE, 26, 46)),
    "clock twenty minutes behind": ((LINE, 17, 20),),
    "time ahead of arrival": ((LINE, 21, 27), (FILES, 11, 53)),
    "day and month swapped": ((LINE, 3, 15), (FILES, 9, 22)),
    "unknown operator": ((LINE, 13, 42), (FILES, 21, 48)),
    "operator out of date": ((LINE, 18, 12), (FILES, 29, 26)),
    "before the controls": ((LINE, 8, 0), (FILES, 6, 0)),
    "control failed": ((LINE, 30, 31),),
    "control failed, repeat passed": ((FILES, 12, 40),),
    "sent again": ((LINE, 5, 7), (LINE, 31, 23), (FILES, 15, 32)),
    "sent again from memory": ((LINE, 10, 48), (FILES, 23, 13)),
    "specimen read twice": ((LINE, 8, 35), (FILES, 14, 50)),
    "test message": ((LINE, 6, 54), (LINE, 23, 38)),
    "output off": ((LINE, 16, 10), (FILES, 31, 20)),
    "ID entry off": ((LINE, 29, 40),),
    "number set by hand": ((FILES, 26, 30),),
    "twelve hours off": ((LINE, 28, 50),),
    "time before the number before": ((FILES, 19, 41),),
    "two strips from one cup": ((LINE, 7, 12), (FILES, 2, 44)),
    "control under a patient's ID": ((LINE, 15, 47), (FILES, 29, 9)),
    "survey strip": ((LINE, 25, 29), (FILES, 1, 38)),
    "other language": ((LINE, 31, 44),),
}

SEEDS = tuple(
    Seed(kind=kind, hazard=KINDS[kind][0], analyzer=analyzer, day=day, place=place, plays=KINDS[kind][1])
    for kind, places in _PLACES.items()
    for analyzer, day, place in places
)
