"""One YAML file as plain values that keep their places, so that an error names file, line, key and the nearest right word."""

from __future__ import annotations

import difflib
from collections.abc import Iterator, Mapping
from pathlib import Path
from types import UnionType
from typing import Annotated, Any, TypeVar, Union, get_args, get_origin

import yaml
from pydantic import BaseModel, ValidationError

from bridge.errors import SettingsError, Spot
from bridge.settings.shapes import QUIET, cause

T = TypeVar("T", bound=BaseModel)
KeyPath = tuple[str | int, ...]


class _Loader(getattr(yaml, "CSafeLoader", yaml.SafeLoader)):  # type: ignore[misc]  # libyaml's where it is there: a tenth of the time
    """Safe YAML that refuses a key given twice and leaves dates and yes/no as text."""


_Loader.yaml_implicit_resolvers = {
    first: [(tag, pattern) for tag, pattern in resolvers if tag != "tag:yaml.org,2002:timestamp"]
    for first, resolvers in yaml.SafeLoader.yaml_implicit_resolvers.items()
}


class Document:
    """One YAML file as plain values, with the line of every key. Decimals stay text where the file quotes them."""

    def __init__(self, path: Path, name: str = "") -> None:
        """Read ``path``. Raises SettingsError with file and line if it cannot be read or is no YAML mapping."""
        self.path = path
        self.name = name or str(path)
        self._lines: dict[KeyPath, int] = {}
        try:
            text = path.read_text(encoding="utf-8")
        except (OSError, UnicodeDecodeError) as error:
            raise SettingsError(
                f"The file cannot be read: {cause(error)}.",
                remedy="Check its name, its rights, and that it is UTF-8.",
                spot=Spot(file=self.name, line=1, key=""),
            ) from error
        try:
            loader = _Loader(text)
            node = loader.get_single_node()
            if not isinstance(node, yaml.MappingNode):
                raise SettingsError(
                    "The file holds no mapping.", remedy="Write keys and values.", spot=Spot(file=self.name, line=1, key="")
                )
            self._walk(node, ())
            loaded: Any = loader.construct_document(node)
        except yaml.MarkedYAMLError as error:
            line = error.problem_mark.line + 1 if error.problem_mark else 1
            raise SettingsError(
                f"This is not YAML: {error.problem}.",
                remedy="Check indentation, colons and quotes near this line.",
                spot=Spot(file=self.name, line=line, key=""),
            ) from error
        self.values: dict[str, Any] = loaded

    def _walk(self, node: yaml.Node, path: KeyPath) -> None:
        self._lines.setdefault(path, node.start_mark.line + 1)
        if isinstance(node, yaml.MappingNode):
            for key_node, value_node in node.value:
                key = key_node.value
                inner = (*path, key)
                if inner in self._lines:
                    raise SettingsError(
                        f"The key {key!r} is given twice.",
                        remedy="Keep one.",
                        spot=Spot(file=self.name, line=key_node.start_mark.line + 1, key=_dotted(inner)),
                    )
                self._lines[inner] = key_node.start_mark.line + 1
                self._walk(value_node, inner)
        elif isinstance(node, yaml.SequenceNode):
            for number, item in enumerate(node.value):
                self._walk(item, (*path, number))

    def spot(self, path: KeyPath) -> Spot:
        """Give the place of ``path``, or of its nearest parent that the file has."""
        known = path
        while known and known not in self._lines:
            known = known[:-1]
        return Spot(file=self.name, line=self._lines.get(known, 1), key=_dotted(path))

    def shaped(self, shape: type[T]) -> T:
        """Give the file's values as ``shape``. Raises SettingsError naming line, key and nearest right key."""
        try:
            return shape.model_validate(self.values)
        except ValidationError as error:
            # an unknown key comes first: a misspelt one also makes its right spelling "missing"
            first = min(error.errors(), key=lambda e: (e["type"] != "extra_forbidden", self.spot(self._real(e)).line))
            path = self._real(first)
            sentence, remedy = _sentence(first, path, shape)
            raise SettingsError(sentence, remedy=remedy, path=path, spot=self.spot(path)) from error

    def _real(self, error: Mapping[str, Any]) -> KeyPath:
        """Drop the union tags that pydantic puts into a location, so that it follows the file's own keys."""
        loc, kind = error["loc"], error["type"]
        path: list[str | int] = []
        for place, part in enumerate(loc):
            inner = (*path, part)
            if inner in self._lines or (kind == "missing" and place == len(loc) - 1):
                path.append(part)
        if kind == "union_tag_invalid":
            path.append("kind")
        return tuple(path)

    def placed(self, error: SettingsError) -> SettingsError:
        """Give the same error with file and line."""
        return SettingsError(error.sentence, remedy=error.remedy, path=error.path, spot=self.spot(error.path))


def _dotted(path: KeyPath) -> str:
    return "".join(f"[{part}]" if isinstance(part, int) else f".{part}" for part in path).lstrip(".")


def _sentence(error: Mapping[str, Any], path: KeyPath, shape: type[BaseModel]) -> tuple[str, str]:
    key = path[-1] if path else ""
    match error["type"]:
        case "extra_forbidden":
            near = difflib.get_close_matches(str(key), sorted(set(_all_keys(shape))), n=1)
            return (
                f"The key {key!r} is unknown here.",
                f"Did you mean {near[0]!r}?" if near else "Remove it, or see docs/reference/configuration.md.",
            )
        case "missing":
            return f"The key {key!r} is missing.", "Add it; docs/reference/configuration.md says what it holds."
        case "union_tag_invalid" | "union_tag_not_found":
            given = error["ctx"].get("tag", "")
            return (
                f"There is no kind {given!r}." if given else "The key 'kind' is missing.",
                f"Write one of {error['ctx'].get('expected_tags', 'those that docs/reference/configuration.md names')}.",
            )
        case _:
            given = None if error["type"] == QUIET else error.get("input")
            shown = f" It says {given!r}." if isinstance(given, str | int | float | bool) else ""
            return f"{error['msg'].removeprefix('Value error, ')}.{shown}", "Correct the value."


def _all_keys(shape: Any) -> Iterator[str]:
    """Walk a shape's key names, nested ones too, for the nearest-key hint."""
    if isinstance(shape, type) and issubclass(shape, BaseModel):
        for name, field in shape.model_fields.items():
            yield name
            yield from _all_keys(field.annotation)
    elif get_origin(shape) in {tuple, list, dict, Mapping, Annotated, Union, UnionType}:
        for part in get_args(shape):
            yield from _all_keys(part)
