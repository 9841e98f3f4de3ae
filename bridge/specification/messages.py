"""The sample messages of a specification, rendered by the same plan that writes a patient's message."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date

from bridge.bench.corrections import Wanted, corrected, withdrawn
from bridge.model import CodedPad, CodedResult, Flag, Priority, Purpose, ResultStatus, Sex
from bridge.render import compile_plan
from bridge.render.forms import Ratio, every_pad, every_ratio, with_ratios
from bridge.render.samples import MADE_AT, samples
from bridge.render.segments import CODECS
from bridge.specification.types import Sample, Subject
from bridge.tables.types import DestinationTerms, Tables

SPECIMEN = "U-4711"  # ours: an invented specimen number, so that its field has an example
ORDER = "ORD-77"  # ours: as above, an order number
BORN = date(1980, 1, 2)  # ours: as above
CHANGED_BY, CHANGED_AT = "Ana Prado", MADE_AT  # ours: as above, who changed a result and when
MATERIAL = "CM-2"  # ours: as above, the number of control material


@dataclass(frozen=True, kw_only=True, slots=True)
class Shown:
    """One sample: its name, what it shows, the result behind it and its bytes."""

    name: str
    says: str
    result: CodedResult
    payload: bytes


def strip_types(subject: Subject) -> Mapping[str, str]:
    """Give each strip type that the sources' profiles read, with the first profile that reads it, sorted by strip type."""
    found: dict[str, str] = {}
    for source in subject.sources:
        profile = subject.tables.profiles.get(source.profile)
        for name in sorted(set(profile.strip_types.values())) if profile else ():
            found.setdefault(name, source.profile)
    return dict(sorted(found.items()))


def shown_samples(subject: Subject) -> tuple[Shown, ...]:
    """Render normal, abnormal and STAT for each strip type in use, and a control where they are sent; empty without a source.

    Of the first strip type later versions too: one that a person corrected, and one that takes the result back.

    Raises RejectError ``render.charset`` if a name of the site or of a code cannot be said in the destination's character set.
    """
    found: list[Shown] = []
    for strip_type, profile in strip_types(subject).items():
        title = subject.tables.strip_types[strip_type].title
        base = samples(subject.terms, profile, strip_type, subject.tables)[0]
        ratios = every_ratio(profile, strip_type, subject.tables)
        pads = [every for every in every_pad(profile, strip_type, subject.tables).values() if not every[0].computed_from]
        plan = compile_plan(subject.terms, profile, strip_type, subject.tables)
        normal = replace(base, pads=_with_ratios([_normal(every) for every in pads], ratios, is_normal=True))
        abnormal = replace(base, pads=_with_ratios([_abnormal(every) for every in pads], ratios, is_normal=False))
        stat = replace(abnormal, priority=Priority.STAT, specimen_id=SPECIMEN, order_number=ORDER, born=BORN, sex=Sex.FEMALE)
        for name, says, result in (
            ("Normal", "Every pad at its first step that is not abnormal.", normal),
            ("Abnormal", "Every pad at its last abnormal step, where it has one.", abnormal),
            (
                "STAT",
                "As above, run as urgent, with specimen and order number, birth date and sex, which some analyzers tell.",
                stat,
            ),
            *(_control(abnormal) if subject.terms.non_patient else ()),
            *(() if found else _later(normal)),
        ):
            number = len(found) + 1
            numbered = replace(result, result_id=f"SAMPLER{number}")
            payload = plan.render(numbered, control_id=f"SAMPLEM{number}", made_at=MADE_AT).payload
            found.append(Shown(name=f"{name}: {title} ({strip_type})", says=says, result=numbered, payload=payload))
    return tuple(found)


def _control(base: CodedResult) -> tuple[tuple[str, str, CodedResult], ...]:
    material = replace(base, patient_id="", patient_name="", specimen_id=MATERIAL, comments=(), purpose=Purpose.CONTROL)
    return (("Control", "A reading of control material: no patient, and the material's number in its place.", material),)


def _later(base: CodedResult) -> tuple[tuple[str, str, CodedResult], ...]:
    """Give what a receiver gets of a result that it has already, from the functions that make it."""
    made, _ = corrected(base, Wanted(specimen_id=SPECIMEN), by=CHANGED_BY, at=CHANGED_AT)
    return (
        ("Corrected", "The result of the sample Normal, with another specimen number: under its own number, in a new message.", replace(made, status=ResultStatus.CORRECTED)),
        ("Withdrawn", "A result that was posted in error: what was sent, said to be wrong. Nothing is put in its place under this number.", withdrawn(base, by=CHANGED_BY, at=CHANGED_AT)),
    )  # fmt: skip


def _normal(every: tuple[CodedPad, ...]) -> CodedPad:
    return next((pad for pad in every if pad.flag is Flag.NORMAL), every[0])


def _abnormal(every: tuple[CodedPad, ...]) -> CodedPad:
    return next((pad for pad in reversed(every) if pad.flag is not Flag.NORMAL and not pad.flag.is_critical), every[-1])


def _with_ratios(pads: Sequence[CodedPad], ratios: Sequence[Ratio], *, is_normal: bool) -> tuple[CodedPad, ...]:
    """Give the pads with a computed ratio, where the strip has one: two of them are moved to steps that give it."""
    normal = [each for each in ratios if each.pad.flag is each.of.flag is Flag.NORMAL]
    chosen = normal[:1] if is_normal else [each for each in ratios if each.pad.flag is not Flag.NORMAL][-1:]
    moved = {pad.pad: pad for pad in pads} | {pad.pad: pad for each in chosen for pad in (each.of, each.to)}
    return with_ratios(moved.values(), ratios)


def text_of(payload: bytes, terms: DestinationTerms) -> str:
    """Give a message's text: a segment a line, or JSON as it is sent."""
    if terms.format.is_fhir:
        return payload.decode()
    return payload.decode(CODECS[terms.charset]).replace("\r", "\n").rstrip("\n")


def sizes(terms: DestinationTerms, tables: Tables, used: Mapping[str, str]) -> tuple[int, int]:
    """Give the sizes in bytes of the shortest and the longest message over every step of every pad; ``used`` is never empty."""
    lengths = [
        len(compile_plan(terms, profile, strip_type, tables).render(result, control_id="SAMPLEM1", made_at=MADE_AT).payload)
        for strip_type, profile in used.items()
        for result in samples(terms, profile, strip_type, tables)
    ]
    return min(lengths), max(lengths)


def sample_parts(shown: tuple[Shown, ...], terms: DestinationTerms) -> tuple[Sample, ...]:
    """Give the samples, and in words those that Padpost has nothing to show for."""
    return (
        *(Sample(name=each.name, says=each.says, message=text_of(each.payload, terms)) for each in shown),
        *(Sample(name=name, says=says, message="") for name, says in UNSENT if not (name == "Control" and terms.non_patient)),
    )


# What the catalogue of samples asks for and Padpost does not send today; said in words in its place.
UNSENT = (
    (
        "Control",
        (
            "Controls, proficiency, comparison and training strips are stored and shown by Padpost and never sent: "
            "there is no message for them."
        ),
    ),
    (
        "Refused",
        (
            "A strip that fails a check (no patient ID, an unknown value, another unit) is never sent, and no message tells of it: "
            "it waits for a person at Padpost. A message that the receiver turns away is the same message as above; "
            "block K says what each answer does to it."
        ),
    ),
)
