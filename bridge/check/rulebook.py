"""Every rule of this room: its id, where it stands in the order, what it asks for, what to do.

Ids never change once released: they are stored, and docs/rejections.md explains each. Severities and
remedies stand here, in one place; the sentence is the rule's own, since it names what was found.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from enum import IntEnum

from bridge.model import Finding, Place, Severity


class Concern(IntEnum):
    """What a rule is about, in the order in which findings are shown (PRODUCT section 5); a critical one is first among the notes."""

    CRITICAL = -1
    IDENTITY = 0
    RECORD = 1
    ANALYZER = 2
    CONTROLS = 3
    TIME = 4
    COPY = 5
    LOOK_ALIKE = 6
    PLAUSIBILITY = 7
    COMPLETENESS = 8


@dataclass(frozen=True, kw_only=True, slots=True)
class Rule:
    """What is fixed of a rule. ``releasable``: a named person may send the reading in spite of it."""

    rule: str
    concern: Concern
    severity: Severity
    remedy: str
    releasable: bool = False


_SCAN = "Scan the label again and correct the patient ID here."
_AGAIN = "Run the strip again, or send it again from the analyzer's memory."
_COORDINATOR = "Tell your coordinator: the analyzer's profile does not know it. Read the strip again once it does."
_COMPARE = "Compare both strips. Release this one if it is a strip of its own; discard it if it is not."
_CLOCK = "Set the analyzer's clock. Release this strip if its date and time are right; else discard it and run a new strip."
_DOUBTFUL = "Set the analyzer's clock. Correct this strip's time here, or release it if its date and time are right."
_TWELVE = "Set the analyzer's clock, and see whether it counts 12 or 24 hours. Correct this strip's time here, or release it if it is right."

_REJECT, _HOLD, _NOTE = Severity.REJECT, Severity.HOLD, Severity.NOTE

_ALL: tuple[Rule, ...] = (
    Rule(rule="patient.missing", concern=Concern.IDENTITY, severity=_REJECT, remedy=_SCAN),
    Rule(rule="patient.denied", concern=Concern.IDENTITY, severity=_REJECT, remedy=_SCAN),
    Rule(rule="patient.malformed", concern=Concern.IDENTITY, severity=_REJECT, remedy=_SCAN),
    Rule(rule="patient.check_digit", concern=Concern.IDENTITY, severity=_REJECT, remedy=_SCAN),
    Rule(
        rule="patient.registered",
        concern=Concern.IDENTITY,
        severity=_HOLD,
        remedy="Scan the patient's label and correct the patient ID here. Release it only if that very label bears this ID.",
        releasable=True,
    ),
    Rule(
        rule="patient.same_again",
        concern=Concern.IDENTITY,
        severity=_HOLD,
        remedy=(
            "Compare the labels of both specimens. Correct the patient ID here if it is another's; release this strip if both are this "
            "patient's. Where the strip before it was the wrong one, have its result withdrawn."
        ),
        releasable=True,
    ),
    Rule(
        rule="purpose.registered",
        concern=Concern.IDENTITY,
        severity=_HOLD,
        remedy=(
            "Compare the strip's label with the page Registered. If it is no patient's, have the registration signed, or enter the identifier "
            "itself, and read this strip again. If it is a patient's, have the registration ended or made narrower, and read it again."
        ),
    ),
    Rule(
        rule="purpose.declared",
        concern=Concern.IDENTITY,
        severity=_HOLD,
        remedy=(
            "Look at the cup. If it is a patient's specimen, say on Analyzers that patients were run again, and since when, and read this strip "
            "again. If it is not, discard it."
        ),
    ),
    Rule(
        rule="purpose.like_patient",
        concern=Concern.IDENTITY,
        severity=_HOLD,
        remedy=(
            "Look at the cup or vial. If it was a patient's specimen, run it again as a patient's, and discard this strip. If it was a control, enter "
            "its lot on Controls, and release this strip."
        ),
        releasable=True,
    ),
    Rule(
        rule="number.shift",
        concern=Concern.IDENTITY,
        severity=_HOLD,
        remedy=(
            "On Numbers, scan the labels of the first and the last specimen of this run. If both are right the whole run goes; if not, discard "
            "its strips and run the specimens again."
        ),
    ),
    Rule(
        rule="message.processing_id",
        concern=Concern.RECORD,
        severity=_REJECT,
        remedy="If it was a test, discard it. If not, set the analyzer to send live results, and send the strip again from its memory.",
    ),
    Rule(rule="number.unreadable", concern=Concern.RECORD, severity=_REJECT, remedy=_AGAIN),
    Rule(
        rule="number.missing",
        concern=Concern.RECORD,
        severity=_HOLD,
        remedy="Look on the analyzer for the strip. Release it if it is this patient's; else discard it and run a new strip.",
        releasable=True,
    ),
    Rule(rule="number.unknown_word", concern=Concern.RECORD, severity=_REJECT, remedy=_COORDINATOR),
    Rule(rule="strip_type.unknown", concern=Concern.RECORD, severity=_REJECT, remedy=_COORDINATOR),
    Rule(rule="pad.unknown", concern=Concern.RECORD, severity=_REJECT, remedy=_COORDINATOR),
    Rule(
        rule="pad.unexpected",
        concern=Concern.RECORD,
        severity=_REJECT,
        remedy="Check the strip type that is set on the analyzer, then run the strip again.",
    ),
    Rule(rule="pad.twice", concern=Concern.RECORD, severity=_REJECT, remedy=_AGAIN),
    Rule(
        rule="unit.other_system",
        concern=Concern.RECORD,
        severity=_REJECT,
        remedy="Set the analyzer's units as its profile says, then send the strip again from its memory or run it again.",
    ),
    Rule(
        rule="unit.differs",
        concern=Concern.RECORD,
        severity=_REJECT,
        remedy="Set the analyzer's units as its profile says, then send the strip again from its memory or run it again.",
    ),
    Rule(
        rule="unit.off_scale",
        concern=Concern.RECORD,
        severity=_REJECT,
        remedy="Check the units and the strip type that are set on the analyzer, then send the strip again or run it again.",
    ),
    Rule(
        rule="unit.undecided",
        concern=Concern.RECORD,
        severity=_HOLD,
        remedy=(
            "Look at the units on the analyzer's display. Release this strip if they are those that it is set up for here; "
            "else discard it, set the analyzer's units, and run the strip again."
        ),
        releasable=True,
    ),
    Rule(rule="pad.unknown_value", concern=Concern.RECORD, severity=_REJECT, remedy=_AGAIN),
    Rule(rule="pad.error", concern=Concern.RECORD, severity=_REJECT, remedy="Run a new strip."),
    Rule(
        rule="mark.unknown",
        concern=Concern.RECORD,
        severity=_HOLD,
        remedy="Compare the strip with the analyzer's own display. Release it if they agree; else run a new strip.",
        releasable=True,
    ),
    Rule(
        rule="mark.disagrees",
        concern=Concern.RECORD,
        severity=_NOTE,
        remedy="Nothing to do now. If it comes often, compare the analyzer's marks with the site's limits.",
    ),
    Rule(
        rule="ratio.not_computed",
        concern=Concern.RECORD,
        severity=_NOTE,
        remedy="Nothing to do now. If the ratio is needed, have it measured in the laboratory.",
    ),
    Rule(
        rule="birth_date.unreadable",
        concern=Concern.RECORD,
        severity=_NOTE,
        remedy="Nothing to do now: the birth date counts as not known. If it comes often, tell your coordinator.",
    ),
    Rule(
        rule="sex.unknown",
        concern=Concern.RECORD,
        severity=_NOTE,
        remedy="Nothing to do now: the sex counts as not known. If it comes often, tell your coordinator.",
    ),
    Rule(
        rule="flag.no_band",
        concern=Concern.RECORD,
        severity=_NOTE,
        remedy="Nothing to do now. Where age or sex matters, compare the values with the laboratory's own limits.",
    ),
    Rule(
        rule="critical.met",
        concern=Concern.CRITICAL,
        severity=_NOTE,
        remedy="Tell somebody now, by the laboratory's procedure for critical results, and write it down on the page Telling. Padpost tells nobody by itself.",
    ),
    Rule(
        rule="analyzer.fault",
        concern=Concern.ANALYZER,
        severity=_REJECT,
        remedy="Do what the analyzer's instructions say of this error, then run a new strip.",
    ),
    Rule(
        rule="operator.unknown",
        concern=Concern.ANALYZER,
        severity=_HOLD,
        remedy="Find out who read it. Enter the number on the page Analyzers if it is somebody's; release the strip if its result is sound.",
        releasable=True,
    ),
    Rule(
        rule="operator.expired",
        concern=Concern.ANALYZER,
        severity=_HOLD,
        remedy="Find out who read it, and have the training shown or the entry renewed. Release the strip if its result is sound.",
        releasable=True,
    ),
    Rule(
        rule="operator.elsewhere",
        concern=Concern.ANALYZER,
        severity=_HOLD,
        remedy="Find out who used the number: one of the two strips was read by another person. Release the strip if its result is sound.",
        releasable=True,
    ),
    Rule(
        rule="analyzer.serial",
        concern=Concern.ANALYZER,
        severity=_HOLD,
        remedy=(
            "Look at the type plate. If another analyzer stands there now, say so on the page Analyzers, run its controls, and release this strip "
            "once they pass; if two lines were mixed up, put them right and run the specimen again."
        ),
        releasable=True,
    ),
    Rule(
        rule="analyzer.out_of_service",
        concern=Concern.ANALYZER,
        severity=_HOLD,
        remedy="Run the specimen on an analyzer that is in service and discard this strip. Release it only if its result is sound all the same.",
        releasable=True,
    ),
    Rule(
        rule="analyzer.self_test",
        concern=Concern.ANALYZER,
        severity=_HOLD,
        remedy="Repeat the self-test and note its result on the page Analyzers. Run the specimen again once it passes, and discard this strip.",
        releasable=True,
    ),
    Rule(
        rule="analyzer.strip_type",
        concern=Concern.ANALYZER,
        severity=_HOLD,
        remedy=(
            "Compare the strip type that is set on the analyzer with the container, and confirm it on the page Analyzers: then what only waited "
            "for that is judged again by itself."
        ),
        releasable=True,
    ),
    Rule(
        rule="day_log.missing",
        concern=Concern.ANALYZER,
        severity=_HOLD,
        remedy=(
            "Do what is due and note it in the day log: then strips of that day which only waited for it are judged again by themselves. "
            "Release this strip if its result is sound all the same."
        ),
        releasable=True,
    ),
    Rule(
        rule="day_log.wrong",
        concern=Concern.ANALYZER,
        severity=_HOLD,
        remedy="Put the analyzer right and run the specimen again. Release this strip only if its result is sound all the same.",
        releasable=True,
    ),
    Rule(
        rule="day_log.room",
        concern=Concern.ANALYZER,
        severity=_HOLD,
        remedy=(
            "Bring the room within the limits and note its temperature. Then run the specimen again; release this strip only if its result is "
            "sound all the same."
        ),
        releasable=True,
    ),
    Rule(
        rule="controls.due",
        concern=Concern.CONTROLS,
        severity=_HOLD,
        remedy="Run every level of the controls. If they pass, release this strip; if not, put the analyzer right first.",
        releasable=True,
    ),
    Rule(
        rule="controls.failed",
        concern=Concern.CONTROLS,
        severity=_HOLD,
        remedy=(
            "Put the analyzer right and run the controls until they pass by your procedure. Then run this specimen again and discard "
            "this strip; release it only if its result is sound all the same."
        ),
        releasable=True,
    ),
    Rule(
        rule="container.unknown",
        concern=Concern.CONTROLS,
        severity=_HOLD,
        remedy=(
            "Enter the container on the page Lots, as its label says: then this strip is judged again by itself. If the analyzer has "
            "another lot than the container, put that right and run a new strip."
        ),
        releasable=True,
    ),
    Rule(
        rule="container.expired",
        concern=Concern.CONTROLS,
        severity=_HOLD,
        remedy=(
            "Discard this strip and run the specimen with a new container. If the last day was typed wrong, take the container out of use as "
            "a mistake, enter it anew, and read this strip again."
        ),
    ),
    Rule(
        rule="container.open_too_long",
        concern=Concern.CONTROLS,
        severity=_HOLD,
        remedy="Open a new container and run the specimen again. Release this strip only if its result is sound all the same.",
        releasable=True,
    ),
    Rule(
        rule="container.new_lot",
        concern=Concern.CONTROLS,
        severity=_HOLD,
        remedy=(
            "Compare the new lot with the one in use by your procedure, and accept it on the page Lots: then this strip is judged again by "
            "itself. If it cannot be accepted, run the specimen with the lot in use."
        ),
        releasable=True,
    ),
    Rule(
        rule="time.missing",
        concern=Concern.TIME,
        severity=_HOLD,
        remedy="Look on the analyzer when the strip was read. If you release it, the time of arrival stands for it.",
        releasable=True,
    ),
    Rule(
        rule="time.arrival_used",
        concern=Concern.TIME,
        severity=_NOTE,
        remedy="Nothing to do: this analyzer prints no full date and time, and it sends as soon as it has read.",
    ),
    Rule(rule="time.impossible", concern=Concern.TIME, severity=_REJECT, remedy=_AGAIN),
    Rule(rule="time.skipped_hour", concern=Concern.TIME, severity=_HOLD, remedy=_CLOCK, releasable=True),
    Rule(rule="time.repeated_hour", concern=Concern.TIME, severity=_HOLD, remedy=_CLOCK, releasable=True),
    Rule(rule="time.future", concern=Concern.TIME, severity=_HOLD, remedy=_CLOCK, releasable=True),
    Rule(rule="time.half_day", concern=Concern.TIME, severity=_HOLD, remedy=_TWELVE, releasable=True),
    Rule(rule="time.clock_change", concern=Concern.TIME, severity=_HOLD, remedy=_DOUBTFUL, releasable=True),
    Rule(
        rule="time.day_month",
        concern=Concern.TIME,
        severity=_HOLD,
        remedy=(
            "Look at the order of day and month that is set on the analyzer: it must be the one that its profile declares. Correct this "
            "strip's time here."
        ),
        releasable=True,
    ),
    Rule(rule="time.clock_off", concern=Concern.TIME, severity=_HOLD, remedy=_DOUBTFUL, releasable=True),
    Rule(rule="time.order", concern=Concern.TIME, severity=_HOLD, remedy=_DOUBTFUL, releasable=True),
    Rule(
        rule="time.too_old",
        concern=Concern.TIME,
        severity=_HOLD,
        remedy="Release it if the result is still wanted and the date is right; else discard it.",
        releasable=True,
    ),
    Rule(
        rule="specimen.too_old",
        concern=Concern.TIME,
        severity=_HOLD,
        remedy="Collect a new specimen. Release this strip only if the specimen was kept as your procedure allows.",
        releasable=True,
    ),
    Rule(
        rule="specimen.collected_later",
        concern=Concern.TIME,
        severity=_HOLD,
        remedy="Compare the specimen's label with the analyzer's clock. If you release this strip, it goes without a collection time.",
        releasable=True,
    ),
    Rule(
        rule="specimen.age_unknown",
        concern=Concern.TIME,
        severity=_NOTE,
        remedy="Nothing to do now. Where the age matters, ask when the specimen was collected.",
    ),
    Rule(
        rule="specimen.collected_unreadable",
        concern=Concern.TIME,
        severity=_NOTE,
        remedy="Nothing to do now: the collection time counts as not known. If it comes often, tell your coordinator.",
    ),
    Rule(rule="copy.same_bytes", concern=Concern.COPY, severity=_NOTE, remedy="Nothing to do: the strip counts once."),
    Rule(rule="copy.same_strip", concern=Concern.COPY, severity=_NOTE, remedy="Nothing to do: the strip counts once."),
    Rule(rule="copy.marked", concern=Concern.COPY, severity=_NOTE, remedy="Nothing to do: the strip counts once."),
    Rule(
        rule="copy.replaces_stopped",
        concern=Concern.COPY,
        severity=_NOTE,
        remedy="Discard the earlier one, which is still among the rejected messages.",
    ),
    Rule(
        rule="copy.conflict",
        concern=Concern.COPY,
        severity=_HOLD,
        remedy="Compare both strips and find out which is right. If this one is, have the earlier one withdrawn and run a new strip.",
    ),
    Rule(
        rule="copy.purged",
        concern=Concern.COPY,
        severity=_HOLD,
        remedy="Look in the patient's record. It is most likely there: then discard this one. If it is not, run a new strip.",
    ),
    Rule(rule="copy.other_time", concern=Concern.COPY, severity=_HOLD, remedy=_COMPARE, releasable=True),
    Rule(rule="copy.possible", concern=Concern.COPY, severity=_HOLD, remedy=_COMPARE, releasable=True),
    Rule(
        rule="specimen.run_again",
        concern=Concern.COPY,
        severity=_HOLD,
        remedy=(
            "Compare both strips. Keep the first result, or replace it by this one: it is withdrawn then, and this one goes once that is "
            "acknowledged. They are never averaged."
        ),
    ),
    Rule(rule="copy.doubt", concern=Concern.COPY, severity=_HOLD, remedy=_COMPARE, releasable=True),
    Rule(
        rule="copy.original_unknown",
        concern=Concern.COPY,
        severity=_HOLD,
        remedy="Look in the patient's record and on Results for this strip. Release it if it is in neither; else discard it.",
        releasable=True,
    ),
    Rule(rule="pad.missing", concern=Concern.COMPLETENESS, severity=_REJECT, remedy=_AGAIN),
    Rule(
        rule="addition.missing",
        concern=Concern.COMPLETENESS,
        severity=_HOLD,
        remedy="Add what was seen on the page To be added, or release this strip: it then goes without.",
        releasable=True,
    ),
    Rule(
        rule="entry.unconfirmed",
        concern=Concern.COMPLETENESS,
        severity=_HOLD,
        remedy=(
            "A second person compares the strip, or the slip, with every value that was entered, and releases it under a name of their own. "
            "If one differs, discard it and enter it again."
        ),
        releasable=True,
    ),
)

RULES: Mapping[str, Rule] = {each.rule: each for each in _ALL}
# What a person answers who says when a strip was read
OF_TIME = frozenset(each.rule for each in _ALL if each.rule.startswith("time.") and each.severity is Severity.HOLD)

# Rules that a site declares in mappings/holds.yaml, by the family of their ids
DECLARED: Mapping[str, Concern] = {"look_alike": Concern.LOOK_ALIKE, "plausible": Concern.PLAUSIBILITY}

_ALONE = frozenset({"controls.failed", "copy.conflict", "copy.purged", "entry.unconfirmed"})
_ALONE_CONCERNS = frozenset({Concern.CRITICAL, Concern.IDENTITY, Concern.LOOK_ALIKE})


def concern_of(rule: str) -> Concern:
    """Give what a rule of the book, or a declared one, is about. Raises KeyError for another."""
    book = RULES.get(rule)
    return DECLARED[rule.partition(".")[0]] if book is None else book.concern


def is_for_one_by_one(rule: str) -> bool:
    """Say whether what a rule stopped is never decided about together with others, whatever a site's file says.

    Identity (a strip that looks like its neighbour or like a control is a doubt of identity too), units, failed controls, conflicts and what is critical.
    Raises KeyError for a rule that is neither of the book nor declared.
    """
    return rule in _ALONE or rule.startswith("unit.") or concern_of(rule) in _ALONE_CONCERNS


def finding(
    rule: str, sentence: str, *, place: Place | None = None, pad: str = "", releasable: bool | None = None, remedy: str = ""
) -> Finding:
    """Give what ``rule`` says. ``releasable`` and ``remedy`` replace the rulebook's where the case decides it.

    Raises KeyError for a rule that is not in the book.
    """
    book = RULES[rule]
    return Finding(
        rule=rule,
        severity=book.severity,
        sentence=sentence,
        remedy=remedy or book.remedy,
        place=place,
        pad=pad,
        releasable=book.releasable if releasable is None else releasable,
    )


def in_order(findings: tuple[Finding, ...]) -> tuple[Finding, ...]:
    """Give the findings as they are shown: what stops before what is only noted, each by concern."""
    return tuple(sorted(findings, key=lambda each: (each.severity is Severity.NOTE, concern_of(each.rule))))
