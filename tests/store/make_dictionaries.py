"""Makes the compression dictionaries of ``bridge/store/dictionaries/`` from the shipped tables' samples: ``python -m tests.store.make_dictionaries FOLDER``.

A dictionary is what messages of a kind have in common: pieces of samples that are not yet in it, whole pads in turn, commonest last (zlib finds
what is near more cheaply). Once released a dictionary never changes; a better one is added beside it.
"""

from __future__ import annotations

import re
import sys
import zlib
from collections.abc import Iterable, Mapping, Sequence
from itertools import zip_longest
from pathlib import Path

from bridge.model import CodedResult, StripContent
from bridge.plan_book import PlanBook
from bridge.render.samples import samples
from bridge.site import example_terms
from bridge.store.codec import content_bytes, json_bytes, plain_result
from tests.tables.shipped_tables import tables

LARGEST = {"fhir": 28_000, "hl7": 8_000, "result": 22_000, "strip": 14_000}  # bytes; zlib looks back 32 KiB
WORTH = {
    "fhir": 60,
    "hl7": 30,
    "result": 90,
    "strip": 60,
}  # bytes that a piece takes beside what is there already, to be worth its place


def kinds() -> dict[str, list[bytes]]:
    """Give every sample of every plan of the shipped profiles, by kind; the first of each plan first."""
    known = tables()
    hl7, fhir = example_terms()
    profiles = sorted(known.profiles)
    book = PlanBook([hl7, fhir], profiles, known)
    found: dict[str, list[Sequence[bytes]]] = {"hl7": [], "fhir": [], "result": [], "strip": []}
    for kind, terms in (("hl7", hl7), ("fhir", fhir)):
        for profile, strip_type, _ in book.plans(terms.name):
            found[kind].append(book.payloads(terms.name, profile, strip_type))
            if kind == "hl7":
                made = samples(terms, profile, strip_type, known)
                found["result"].append([plain_result(result) for result in made])
                labels = {pad: label for label, pad in known.profiles[profile].labels.items()}
                found["strip"].append([each for result in made for each in columns(result, labels)])
    return {kind: [each for turn in zip_longest(*plans) for each in turn if each] for kind, plans in found.items()}


def columns(result: CodedResult, labels: Mapping[str, str]) -> tuple[bytes, bytes]:
    """Give what a strip's row says of its pads, as printed and as accepted."""
    printed = json_bytes(
        [(labels[pad.pad], pad.printed, "", False) for pad in result.pads if pad.pad in labels]
    )  # the others are computed
    pads = tuple((pad.pad, 0) for pad in result.pads if pad.pad in labels)
    content = StripContent(patient_id="", operator="", strip_type=result.strip_type, strip_lot="", pads=pads)
    return printed, content_bytes(content)


def pieces(kind: str, payload: bytes) -> list[bytes]:
    """Cut a message where its parts repeat in others: entries of a Bundle, segments, pads."""
    cut = {"fhir": rb'(?=\{"fullUrl")', "hl7": rb"(?<=\r)", "result": rb'(?=\{"pad")', "strip": rb"(?!)"}[
        kind
    ]  # a column of a strip is short: it is taken whole
    return [piece for piece in re.split(cut, payload) if piece]


def dictionary(kind: str, payloads: Iterable[bytes]) -> bytes:
    """Give a dictionary: each piece that what is there does not yet say, until it is full; the first message, which is whole, comes last."""
    taken: list[bytes] = []
    size = 0
    for payload in payloads:
        for piece in pieces(kind, payload):
            packer = zlib.compressobj(9, zdict=b"".join(taken)[-32_000:]) if taken else zlib.compressobj(9)
            cost = len(packer.compress(piece) + packer.flush())
            if cost > WORTH[kind] and size + len(piece) <= LARGEST[kind]:
                taken.append(piece)
                size += len(piece)
    return b"".join(reversed(taken))


if __name__ == "__main__":
    for name, found in kinds().items():
        made = dictionary(name, found)
        (Path(sys.argv[1]) / f"{name}-1.zdict").write_bytes(made)
        print(f"{name}: {len(made)} bytes from {len(found)} samples, Adler-32 {zlib.adler32(made):08x}")
