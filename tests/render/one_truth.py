"""One strip, two renderings, one truth: the mapping's conversion of our ORU^R01 beside our Bundle, for every message.

``python -m tests.render.one_truth`` prints the lists and counts of docs/explanation/one-truth.md.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import cache
from typing import Any
from zoneinfo import ZoneInfo

from bridge.model import Coded, CodedResult, Format
from bridge.render import compile_plan
from bridge.render.plans import Plan
from bridge.render.samples import samples
from tests.render.every_sample import EVERY_PLAN, ORDERS, terms_for
from tests.render.leaf_by_leaf import Found, Leaf, Leaves, bundle_resources, differences, leaves
from tests.render.left_out import NOT_APPLIED
from tests.render.named_differences import DIFFERENCES, PLACES, Case, Difference, Side, text_of
from tests.render.results_for_tests import MADE_AT
from tests.render.tables_for_tests import tables_of
from tests.render.test_every_fixture import EXPECTED, strips
from tests.render.v2_map import Row
from tests.render.v2_to_fhir import convert

# What the interface specification tells a receiver: the URIs of the test site's authority, of its own codes of grades, and of our codes of pads.
AGREED = {"CLINIC": "urn:oid:2.999.1", "99QLB": "urn:oid:2.999.7", "L": "urn:padpost:local"}


# Options of a destination that change what a message says, beside the order and form of its values.
OPTIONS: Mapping[str, dict[str, Any]] = {
    "as usual": {},
    "no time for collection": {"observed_at": "empty"},
    "no local codes": {"local_codes": False},
    "no facility": {"sending_facility": ""},
    "far zone": {"zone": ZoneInfo("Asia/Kathmandu")},
}
Pair = tuple[Format, Format]
PAIRS: Mapping[Pair, tuple[Difference, ...]] = {(Format.ORU_R01, Format.FHIR): DIFFERENCES}


@dataclass(kw_only=True, slots=True)
class Tally:
    """What the comparison of many messages gave."""

    messages: int = 0
    leaves: int = 0
    equal: int = 0
    sides: Counter[str] = field(default_factory=Counter)
    named: dict[Difference, int] = field(default_factory=dict)
    unnamed: list[str] = field(default_factory=list)
    not_applied: set[str] = field(default_factory=set)
    applied: set[Row] = field(default_factory=set)
    untrue: set[Row] = field(default_factory=set)

    def add(self, oru: bytes, bundle: bytes, meant: Sequence[Difference], *, name: str) -> None:
        """Compare one result's two messages."""
        converted = convert(oru, AGREED)
        mapped, ours = leaves(converted.resources), leaves(bundle_resources(bundle), markdown=True)
        found = differences(mapped, ours)
        self.messages += 1
        self.leaves += len(mapped.keys() | ours.keys())
        self.equal += len(mapped.keys() | ours.keys()) - len(found)
        self.not_applied |= converted.left | {row.label for row in converted.passed}
        self.applied |= converted.applied
        self.untrue |= converted.untrue
        self.sides.update(each.side for each in found)
        case = Case(mapped=_side(mapped), ours=_side(ours), fields=converted.fields)
        by_place: dict[tuple[str, str], list[Difference]] = {}
        for named in meant:
            by_place.setdefault((named.path, named.side), []).append(named)
        for each in found:
            self._judge(each, case, by_place.get((each.leaf.pattern, each.side), ()), name)

    def _judge(self, found: Found, case: Case, meant: Sequence[Difference], name: str) -> None:
        for each in meant:
            if each.rule.holds(text_of(found.leaf.value), found, case):
                self.named[each] = self.named.get(each, 0) + 1
                return
        sides = [leaf.text if leaf else "nothing" for leaf in (found.mapped, found.ours)]
        self.unnamed.append(f"{name}: {'.'.join(found.leaf.path)}: the mapping gives {sides[0]}, we give {sides[1]}")


def _side(found: Leaves) -> Side:
    by_pattern: dict[str, list[Leaf]] = {}
    for leaf in found.values():
        by_pattern.setdefault(leaf.pattern, []).append(leaf)
    return Side(leaves=found, by_pattern=by_pattern)


@dataclass(frozen=True, kw_only=True, slots=True)
class Subject:
    """One result for one kind of destination: the order of its value forms, and what its options change."""

    what: str
    order: str
    result: CodedResult
    options: str = "as usual"


@cache
def _plan(fmt: Format, order: str, options: str, profile: str, strip: str) -> Plan:
    return compile_plan(replace(terms_for(fmt, order), **OPTIONS[options]), profile, strip, tables_of(profile))


def every_subject() -> Iterator[Subject]:
    """Give every capture, worked example and sample that becomes a message, in every order and under the options that change a message."""
    for what, profile, _ in EXPECTED:
        for result in (unordered(each.result) for each in strips(what, profile) if isinstance(each, Coded)):
            yield from (Subject(what=f"{what} of {profile}", order=order, result=result) for order in ORDERS)
            yield from (Subject(what=f"{what} of {profile}", order="numbers", result=result, options=each) for each in OPTIONS)
    for order, profile, strip in EVERY_PLAN:
        for options in OPTIONS if (order, profile) == ("numbers", "testing") else ("as usual",):
            # the texts that FHIR can carry; HL7 in UTF-8 carries them too
            for sample in samples(terms_for(Format.FHIR, order), profile, strip, tables_of(profile)):
                yield Subject(
                    what=f"{sample.result_id} of {profile}, {strip}", order=order, result=unordered(sample), options=options
                )


def unordered(result: CodedResult) -> CodedResult:
    """Leave out the order's number and the person's birth date and sex.

    The mapping makes a ServiceRequest and a Patient of them, to which our Bundle only points: nothing of ours stands beside those rows, so they are not compared.
    """
    return replace(result, order_number="", born=None, sex=None)


def compared(pair: Pair) -> Tally:
    """Compare both renderings of every result; what two profiles of one strip type write alike is compared once."""
    tally, seen = Tally(), set[tuple[bytes, bytes]]()
    for each in every_subject():
        result = each.result
        if result.status.value == "W":  # the mapping knows no entered-in-error: OBR-25 of a withdrawal says corrected
            continue
        plans = (_plan(fmt, each.order, each.options, result.profile, result.strip_type) for fmt in pair)
        oru, bundle = (plan.render(result, control_id="TRUTH1", made_at=MADE_AT).payload for plan in plans)
        if (oru, bundle) not in seen:
            seen.add((oru, bundle))
            tally.add(oru, bundle, PAIRS[pair], name=f"{each.what}, {each.order}, {each.options}")
    return tally


def page_lists(meant: Sequence[Difference]) -> str:
    """Give the lists of docs/explanation/one-truth.md: the differences under their reasons, and what the mapping does not bring over."""
    lines: list[str] = []
    for reason in dict.fromkeys(each.reason for each in meant):
        lines += [f"{reason}", ""]
        lines += [f"- `{each.path}`, {PLACES[each.side]}: {each.rule.said}" for each in meant if each.reason == reason]
        lines += [""]
    lines += ["## What the mapping does not bring over", "", "| component or row | why |", "| --- | --- |"]
    lines += [f"| {name if ' ' not in name else f'`{name}`'} | {reason} |" for name, reason in NOT_APPLIED.items()]
    return "\n".join(lines)


def counts(tally: Tally) -> str:
    """Give the counts of a comparison in one line."""
    return (
        f"{tally.messages:,} messages with {tally.leaves:,} leaves: {tally.equal:,} equal, {tally.sides['both']:,} on both sides with "
        f"other values, {tally.sides['mapping']:,} only in the mapping's, {tally.sides['ours']:,} only in ours; "
        f"differences under {len(tally.named)} names, {len(tally.unnamed)} without a name"
    )


if __name__ == "__main__":
    for each_pair, each_meant in PAIRS.items():
        print(page_lists(each_meant), f"\n{' and '.join(each_pair)}: {counts(compared(each_pair))}", sep="\n")
