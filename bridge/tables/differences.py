"""What differs between two table sets, in lines that name file and key: for the person who signs the later one."""

from __future__ import annotations

import json
from collections.abc import Iterator
from difflib import SequenceMatcher
from typing import Any

from bridge.tables.additions import ADDITIONS_FILE
from bridge.tables.care import CATALOGUE_FILE
from bridge.tables.containers import CONTAINERS_FILE
from bridge.tables.controls import CONTROLS_FILE
from bridge.tables.holds import HOLDS_FILE

Path = tuple[str | int, ...]
_SETTINGS = {
    "patient_id": "patient_ids",
    "processing_ids": "sources.processing_id",
}  # what the site's file calls a part of the policy; the rest stands under `checks`
LONGEST = 200  # ours: a value that is longer than a few screen lines is cut; the file has it whole


def differences(before: bytes, after: bytes) -> tuple[str, ...]:
    """Give a line for each file, key or row that differs between two canonical table sets; none if they say the same.

    A changed list is told row by row: those that both have are left out.
    """
    old, new = json.loads(before), json.loads(after)
    return tuple(f"{_place(path)}: {words}" for path, words in sorted(_unlike(old, new, ()), key=lambda each: _place(each[0])))


def _unlike(old: Any, new: Any, path: Path) -> Iterator[tuple[Path, str]]:
    if old == new:
        return
    if isinstance(old, dict) and isinstance(new, dict):
        for key in sorted(old.keys() | new.keys()):
            yield from _member(old, new, key, path)
    elif isinstance(old, list) and isinstance(new, list):
        yield from _rows(old, new, path)
    else:
        yield path, f"was {_text(old)}, is {_text(new)}"


def _member(old: dict[str, Any], new: dict[str, Any], key: str, path: Path) -> Iterator[tuple[Path, str]]:
    is_file = path in {("profiles",), ("strip_types",)}
    if key not in old:
        yield (*path, key), "a new file" if is_file else f"new, {_text(new[key])}"
    elif key not in new:
        yield (*path, key), "not there any more" if is_file else f"not there any more, was {_text(old[key])}"
    else:
        yield from _unlike(old[key], new[key], (*path, key))


def _rows(old: list[Any], new: list[Any], path: Path) -> Iterator[tuple[Path, str]]:
    pairs = SequenceMatcher(None, [_whole(row) for row in old], [_whole(row) for row in new], autojunk=False)
    for kind, first, last, start, end in pairs.get_opcodes():
        if kind == "replace" and last - first == end - start:
            for was, now in zip(range(first, last), range(start, end), strict=True):
                yield from _unlike(old[was], new[now], (*path, now))
        elif kind != "equal":
            yield from (((*path, place), f"not there any more, was {_text(old[place])}") for place in range(first, last))
            yield from (((*path, place), f"new, {_text(new[place])}") for place in range(start, end))


def _whole(value: Any) -> str:
    return json.dumps(value, sort_keys=True, ensure_ascii=False)


def _text(value: Any) -> str:
    text = _whole(value)
    return text if len(text) <= LONGEST else f"{text[:LONGEST]}…"


def _place(path: Path) -> str:
    """Give file and key as a person finds them."""
    match path:
        case ("catalogue", *keys):
            return f"{CATALOGUE_FILE}: {_dotted(keys)}" if keys else CATALOGUE_FILE
        case ("controls", *keys):
            return f"{CONTROLS_FILE}: {_dotted(keys)}" if keys else CONTROLS_FILE
        case ("containers", *keys):
            return f"{CONTAINERS_FILE}: {_dotted(keys)}" if keys else CONTAINERS_FILE
        case ("additions", "sources", *keys):
            return f"the site's file: sources.additions {_dotted(keys)}".rstrip()
        case ("additions", *keys):
            return f"{ADDITIONS_FILE}: {_dotted(keys)}" if keys else ADDITIONS_FILE
        case ("holds", *keys):
            return f"{HOLDS_FILE}: {_dotted(keys)}" if keys else HOLDS_FILE
        case ("profiles" | "strip_types" as folder, name, *keys):
            return f"{folder}/{name}.yaml: {_dotted(keys)}" if keys else f"{folder}/{name}.yaml"
        case ("policy", part, *keys):
            return f"the site's file: {_dotted([_SETTINGS[str(part)], *keys] if part in _SETTINGS else ['checks', part, *keys])}"
        case ("zone",):
            return "the site's file: site.zone"
    return _dotted(list(path))


def _dotted(keys: list[str | int]) -> str:
    return "".join(f"[{key}]" if isinstance(key, int) else f".{key}" for key in keys).lstrip(".")
