"""Brings the catalogues up to date: `python -m tests.language` adds what is new, untranslated, and takes out what no page says any more."""

from __future__ import annotations

from bridge.pages.language import LOCALES
from tests.language.catalogues import read, text_of, updated


def main() -> None:
    """Write every catalogue again and say what is to be translated."""
    for path in sorted(LOCALES.glob("*/LC_MESSAGES/*.po")):
        made = updated(read(path))
        path.write_text(text_of(made), encoding="utf-8")
        print(f"{path.parent.parent.name}: {sum(not all(_forms(each.string)) for each in made if each.id)} to be translated")


def _forms(said: str | tuple[str, ...] | list[str] | None) -> tuple[str, ...]:
    return (said or "",) if isinstance(said, str) or said is None else tuple(said)


if __name__ == "__main__":
    main()
