"""Writes docs/reference/configuration.md from the settings' shapes: ``python -m bridge.cli.reference``.

A test compares the page with what this gives, so that no key goes undescribed.
"""

from __future__ import annotations

import inspect
import sys
from collections.abc import Iterator, Mapping
from datetime import time
from enum import StrEnum
from types import NoneType, UnionType
from typing import Annotated, Any, Literal, Union, get_args, get_origin
from zoneinfo import ZoneInfo

from pydantic import BaseModel
from pydantic.fields import FieldInfo

from bridge import settings

HEAD = """# Site configuration

One YAML file, read by `padpost serve --config site.yaml`. An unknown key, a key given twice or a wrong value is an error that names the
line, the key and the nearest right one. Relative paths start at the file's own folder. Secrets are never written in it: it names
a variable, which is read from the environment or from the file that `VARIABLE_FILE` names.

This page is made from the code by `python -m bridge.cli.reference`.
"""


def configuration_page() -> str:
    """Give the whole page as Markdown."""
    parts = [HEAD]
    for shape in _shapes(settings.Settings, set()):
        parts.append(f"\n## {shape.__name__}\n\n{_docstring(shape)}\n\n| key | what it takes | default |\n| --- | --- | --- |")
        parts += [
            f"| `{name}` | {_takes(field.annotation, field)} | {_default(field)} |" for name, field in shape.model_fields.items()
        ]
    return "\n".join(parts) + "\n"


def _shapes(shape: type[BaseModel], seen: set[type[BaseModel]]) -> Iterator[type[BaseModel]]:
    """Walk the shapes in the order in which a reader meets them."""
    if shape in seen:
        return
    seen.add(shape)
    yield shape
    for field in shape.model_fields.values():
        for inner in _models(field.annotation):
            yield from _shapes(inner, seen)


def _models(annotation: Any) -> Iterator[type[BaseModel]]:
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        yield annotation
    for part in get_args(annotation):
        yield from _models(part)


def _docstring(shape: type[BaseModel]) -> str:
    return inspect.cleandoc(shape.__doc__ or "").replace("``", "`")


def _takes(annotation: Any, field: FieldInfo | None = None) -> str:
    """Say in words what a key takes."""
    return _composed(annotation) or _single(annotation, field)


def _composed(annotation: Any) -> str:
    """Say what a type made of others takes; nothing for a type that stands alone."""
    parts = get_args(annotation)
    match get_origin(annotation):
        case origin if origin is Literal:
            return " or ".join(f"`{value}`" if value != "" else "nothing" for value in parts)
        case origin if origin is Annotated:
            return _takes(parts[0])
        case origin if origin in {Union, UnionType}:
            return " or ".join(_takes(part) for part in parts if part is not NoneType)
        case origin if origin is tuple:
            return f"a list of {_takes(parts[0])}"
        case origin if origin is Mapping:
            return f"keys {_takes(parts[0])}, each with a {_takes(parts[1])}"
        case _:
            return ""


def _single(annotation: Any, field: FieldInfo | None) -> str:
    if annotation is ZoneInfo:
        return "a time zone such as Europe/Lisbon"
    if annotation is time:
        return 'a time in quotes such as `"07:00"`'
    if issubclass(annotation, StrEnum):
        return " or ".join(f"`{member.value}`" for member in annotation)
    if issubclass(annotation, BaseModel):
        return f"[{annotation.__name__}](#{annotation.__name__.lower()})"
    words = {"str": "text", "int": "a whole number", "float": "a number", "bool": "true or false", "Path": "a path"}[
        annotation.__name__
    ]
    limits = [_limit(limit) for limit in (field.metadata if field else [])]
    return f"{words}, {', '.join(limits)}".replace("|", "\\|") if limits else words


def _limit(limit: Any) -> str:
    """Say a pydantic limit in words."""
    for name, words in (
        ("ge", "at least"),
        ("gt", "more than"),
        ("le", "at most"),
        ("min_length", "at least"),
        ("max_length", "at most"),
    ):
        if hasattr(limit, name):
            return f"{words} {getattr(limit, name)}{' long' if name.endswith('length') else ''}"
    return f"like `{limit.pattern}`"


def _default(field: FieldInfo) -> str:
    if field.is_required():
        return "required"
    if field.default_factory is not None:
        return "nothing"
    value = str(field.default).lower() if isinstance(field.default, bool) else field.default
    if isinstance(value, BaseModel):
        return "its defaults"
    return (
        {None: "none", (): "none", "": "nothing"}.get(value, f"`{value}`")
        if not isinstance(value, tuple) or not value
        else f"`{', '.join(value)}`"
    )


if __name__ == "__main__":
    sys.stdout.write(configuration_page())
