"""Two sets of FHIR resources beside each other, leaf by leaf: the mapping's conversion of our ORU, and our Bundle.

A leaf is one JSON value with the path to it. References are followed into the resources that only hang on others (Patient,
Device, Practitioner), because the two sides hold those differently; a reference to a resource that is compared itself is one leaf.
"""

from __future__ import annotations

import json
import re
from collections import Counter
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Any
from urllib.parse import unquote

from tests.render.v2_map import Number

# An element whose order means nothing: its occurrences are paired by this member, so that a missing one does not shift the others.
PAIRED_BY = {"identifier": "value", "note": "text"}


@dataclass(frozen=True, kw_only=True, slots=True)
class Leaf:
    """One value. ``pattern`` is its path without positions: Observation.code.coding[].code."""

    resource: str
    path: tuple[str, ...]
    pattern: str
    value: Any

    @property
    def kind(self) -> str:
        """Give the resource's type."""
        return self.resource.partition("[")[0]

    @property
    def text(self) -> str:
        """Give the value as it stands in JSON, near enough to read."""
        return self.value.digits if isinstance(self.value, Number) else repr(self.value)


Leaves = Mapping[tuple[str, ...], Leaf]


# CommonMark 0.31, backslash escapes: a backslash before ASCII punctuation or a line end is no part of the text.
_ESCAPED = re.compile(r"\\([!-/:-@\[-`{-~\r\n])")


def markdown_text(text: str) -> str:
    """Give what a reader sees of a markdown text that is plain text with escapes."""
    return _ESCAPED.sub(r"\1", text)


def leaves(resources: Mapping[str, Any], *, markdown: bool = False) -> Leaves:
    """Give every leaf of every resource by its path; ``markdown`` says that notes are written as such, and are paired as read."""
    found = (
        Leaf(resource=name, path=(name, *path), pattern=pattern, value=value)
        for name, tree in resources.items()
        for path, pattern, value in _walk(tree, (), name.partition("[")[0], "")
    )
    return {_paired(leaf) if markdown and leaf.pattern.endswith(".note[].text") else leaf.path: leaf for leaf in found}


def _paired(leaf: Leaf) -> tuple[str, ...]:
    return tuple(markdown_text(step) for step in leaf.path)


def _walk(tree: Any, path: tuple[str, ...], pattern: str, name: str) -> Iterator[tuple[tuple[str, ...], str, Any]]:
    if isinstance(tree, dict):
        for key, each in tree.items():
            yield from _walk(each, (*path, key), pattern + (key if key.startswith("->") else f".{key}"), key)
    elif isinstance(tree, list):
        seen: Counter[str] = Counter()
        for position, each in enumerate(tree):
            label = str(each.get(PAIRED_BY[name], "")) if name in PAIRED_BY else str(position)
            seen[label] += 1
            yield from _walk(each, (*path, f"[{label}]{seen[label]}"), f"{pattern}[]", "")
    else:
        yield path, pattern, tree


def bundle_resources(payload: bytes) -> dict[str, Any]:
    """Give the resources of a transaction Bundle of ours by name; the Bundle itself keeps each entry's address and request.

    The Observations are counted in the order of DiagnosticReport.result. Raises ValueError if a resource is neither
    compared nor reached through a reference.
    """
    document = json.loads(payload, parse_float=Number, parse_int=Number)
    entries = {entry["fullUrl"]: entry["resource"] for entry in document["entry"]}
    reports = [address for address, resource in entries.items() if resource["resourceType"] == "DiagnosticReport"]
    order = [link["reference"] for report in reports for link in entries[report]["result"]]
    names = {address: f"Observation[{number}]" for number, address in enumerate(order)}
    names |= {
        address: each["resourceType"]
        for address, each in entries.items()
        if each["resourceType"] in {"DiagnosticReport", "Specimen"}
    }
    followed: set[str] = set()
    found = {name: _followed(entries[address], entries, names, followed) for address, name in names.items()}
    # who withdrew or corrected it: a message says that nowhere, tests/render/test_fhir_provenance.py reads it
    apart = {address for address, each in entries.items() if each["resourceType"] == "Provenance"}
    if unreached := entries.keys() - names.keys() - followed - apart:
        raise ValueError(f"not compared: {unreached}")
    del document["resourceType"]
    document["entry"] = [
        {"fullUrl": each["fullUrl"], "request": each["request"]} for each in document["entry"] if each["fullUrl"] not in apart
    ]
    return {"Bundle": document, **found}


def _followed(tree: Any, entries: Mapping[str, Any], names: Mapping[str, str], followed: set[str]) -> Any:
    """Give the tree with its references followed; a logical one is the resource of its type with that identifier (R4, References)."""
    if isinstance(tree, list):
        return [_followed(each, entries, names, followed) for each in tree]
    if not isinstance(tree, dict):
        return tree
    rest = {
        key: _followed(each, entries, names, followed) for key, each in tree.items() if key not in {"reference", "resourceType"}
    }
    if address := tree.get("reference"):
        if address in names:
            return f"-> {names[address]}"
        if address in entries:
            followed.add(address)
            return {f"->{entries[address]['resourceType']}": _followed(entries[address], entries, names, followed), **rest}
        kind, _, query = address.partition("?identifier=")  # a conditional reference (R4, http, transaction)
        system, _, value = unquote(query).partition("|")
        return {f"->{kind}": {"identifier": [{"system": system, "value": value}]}, **rest}
    if "type" in tree and isinstance(tree.get("identifier"), dict):
        return {f"->{rest.pop('type')}": {"identifier": [rest.pop("identifier")]}, **rest}
    return rest


@dataclass(frozen=True, kw_only=True, slots=True)
class Found:
    """One difference: a leaf of one side alone, or of both with other values."""

    mapped: Leaf | None
    ours: Leaf | None

    @property
    def leaf(self) -> Leaf:
        """Give the leaf that stands for the path: ours where there is one."""
        leaf = self.ours or self.mapped
        assert leaf is not None
        return leaf

    @property
    def side(self) -> str:
        """Say where the leaf is: ``mapping``, ``ours``, or ``both``."""
        if self.mapped and self.ours:
            return "both"
        return "mapping" if self.mapped else "ours"


def differences(mapped: Leaves, ours: Leaves) -> list[Found]:
    """Compare both ways: every leaf of either side that the other does not have with the same value."""
    return [
        Found(mapped=mapped.get(path), ours=ours.get(path))
        for path in dict.fromkeys((*mapped, *ours))
        if path not in mapped or path not in ours or mapped[path].value != ours[path].value
    ]
