"""The composition root: settings in, a running service out. The only place that constructs stores and clients."""

from __future__ import annotations

from pathlib import Path
from typing import TypeVar
from zoneinfo import ZoneInfo

from bridge.errors import SetupError, Spot, TableError
from bridge.settings import Document
from bridge.tables.compiled import CATALOGUE_FILE, compile_tables
from bridge.tables.documents import CatalogueDocument, ProfileDocument, Shape, StripTypeDocument
from bridge.tables.types import Policy, Tables

S = TypeVar("S", bound=Shape)


def load_tables(shipped: Path, own: Path | None, policy: Policy, *, zone: ZoneInfo) -> Tables:
    """Read and compile the mapping files. A file of ``own`` replaces the shipped one of the same name.

    ``zone`` is the site's, for profiles that say ``zone: site``. Raises TableError naming file, line and key.
    """
    documents: dict[str, Document] = {}
    try:
        catalogue = _shaped(_files(shipped, own, CATALOGUE_FILE), CatalogueDocument, documents)
        strip_types = _shaped(_files(shipped, own, "strip_types/*.yaml"), StripTypeDocument, documents)
        profiles = _shaped(_files(shipped, own, "profiles/*.yaml"), ProfileDocument, documents)
        if Path(CATALOGUE_FILE).stem not in catalogue:
            raise TableError(
                f"There is no {CATALOGUE_FILE}.",
                remedy="Restore it: without it nothing has a code.",
                spot=Spot(file=str(shipped), line=1, key=""),
            )
        return compile_tables(catalogue[Path(CATALOGUE_FILE).stem], strip_types, profiles, policy, zone=zone)
    except SetupError as error:
        raise _placed(error, documents) from error


def _files(shipped: Path, own: Path | None, pattern: str) -> dict[str, Path]:
    """Give the files of one kind by their name under mappings, the site's own before the shipped."""
    files: dict[str, Path] = {}
    for root in (shipped, own):
        if root is not None:
            files |= {path.relative_to(root).as_posix(): path for path in sorted(root.glob(pattern))}
    return files


def _shaped(files: dict[str, Path], shape: type[S], documents: dict[str, Document]) -> dict[str, S]:
    shaped: dict[str, S] = {}
    for name, path in files.items():
        documents[name] = Document(path, name)
        shaped[path.stem] = documents[name].shaped(shape)
    return shaped


def _placed(error: SetupError, documents: dict[str, Document]) -> TableError:
    """Give the error as a mapping file's, with file and line."""
    spot = error.spot
    if spot is None and error.path and str(error.path[0]) in documents:
        spot = documents[str(error.path[0])].spot(error.path[1:])
    return TableError(error.sentence, remedy=error.remedy, path=error.path, spot=spot)
