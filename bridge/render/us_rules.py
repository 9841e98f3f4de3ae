"""Rules for an ORU^R01 shaped after the US laboratory results guide: which fields must have a value, and which must not.

Source: the usage letters R and X of the guide's base flavours (MSH_ORU, PID_ORU, ORC_ORU, OBR_ORU, TQ1_ORU, OBX_ORU, SPM_ORU) in a
machine-readable profile of it (GitHub CDCgov/data-exchange-hl7, commit c1732e9e); tests/render/data holds the rows and a test
compares them. The guide's own text was not read, so nothing more than this shape is claimed.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence

from bridge.render.value_rules import Segment, field

REQUIRED: Mapping[str, tuple[int, ...]] = {
    "MSH": (1, 2, 4, 7, 9, 10, 11, 12, 15, 16, 21),
    "PID": (1, 3, 5, 8),
    "ORC": (1, 3, 12),
    "OBR": (1, 3, 4, 7, 16, 22, 25),
    "TQ1": (1, 9),
    "OBX": (1, 3, 11, 24, 29),
    "SPM": (1, 2, 4),
}
FORBIDDEN: Mapping[str, tuple[int, ...]] = {
    "PID": (2, 4, 9, 12, 19, 20, 28, 36, 37, 38),
    "ORC": (7, 20, 26),
    "OBR": (5, 6, 14, 15, 27),
    "TQ1": (12,),
    "OBX": (20, 21, 22),
}
# the same profile's conditions: with OBX-29 RSLT, OBX-19 and OBX-23 are required
RESULT_NEEDS = (19, 23)
# MSH-15 and MSH-16, table 0155; ours: no commit answer, always an application's (decision 0014); or both, where the site asks for both (0020)
ASKED = frozenset({("NE", "AL"), *(("AL", application) for application in ("AL", "NE", "ER", "SU"))})


def us_faults(segments: Sequence[Segment]) -> Iterator[str]:
    """Give the faults of a message that is cut into segments."""
    for segment in segments:
        name = segment[0]
        for number in REQUIRED.get(name, ()):
            if not field(segment, number):
                yield f"{name}-{number} is empty, which the US guide requires"
        for number in FORBIDDEN.get(name, ()):
            if field(segment, number):
                yield f"{name}-{number} is valued, which the US guide forbids"
        if name == "OBX":
            yield from _result_faults(segment)
    if (field(segments[0], 15), field(segments[0], 16)) not in ASKED:
        yield "MSH-15 and MSH-16 ask for no answer that we know"


def _result_faults(obx: Segment) -> Iterator[str]:
    if field(obx, 29) not in {"", "RSLT"}:
        yield f"OBX-29 is {field(obx, 29)!r}, which is no result"
    for number in RESULT_NEEDS:
        if not field(obx, number):
            yield f"OBX-{number} is empty, which the US guide requires of a result"
