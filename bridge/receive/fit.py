"""Whether the sources of a site fit their profiles, their keys and each other; asked before anything listens."""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping, Sequence

from bridge.credentials.tls import server_context
from bridge.errors import SettingsError
from bridge.model import LIVE, Priority, Purpose, ReadBy
from bridge.settings import ByEyeSource, HttpSource, MllpSource, SourceShape, Tls
from bridge.tables.types import NumberScheme, Profile, SeriesRule

SHORTEST_KEY = 24  # ours: 24 characters of letters and digits are 142 bits, beyond any guessing over a network


def source_faults(
    sources: Sequence[SourceShape], profiles: Mapping[str, Profile], *, live: Sequence[str] = ()
) -> Iterator[SettingsError]:
    """Give an error for each source that could not work, by which one strip could become two, or whose tests would reach a record.

    ``live`` names the destinations that file results in patients' records. ``path`` names the key.
    """
    for number, source in enumerate(sources):
        yield from _profile_faults(number, source, profiles)
        yield from _twin_faults(number, sources, profiles)
        if isinstance(source, ByEyeSource):
            yield from _by_eye_faults(number, sources, profiles)
        yield from _processing_faults(number, sources, live)


def _profile_faults(number: int, source: SourceShape, profiles: Mapping[str, Profile]) -> Iterator[SettingsError]:
    if source.profile not in profiles:
        yield SettingsError(
            f"No profile is called {source.profile!r}.",
            remedy=f"There are {', '.join(sorted(profiles))}.",
            path=("sources", number, "profile"),
        )
    elif isinstance(source, MllpSource) and profiles[source.profile].hl7 is None:
        fitting = sorted(name for name, profile in profiles.items() if profile.hl7)
        yield SettingsError(
            f"The profile {source.profile!r} reads no HL7 messages.",
            remedy=f"A source of the kind mllp needs a profile of the layout hl7: {', '.join(fitting)}.",
            path=("sources", number, "profile"),
        )


def _twin_faults(number: int, sources: Sequence[SourceShape], profiles: Mapping[str, Profile]) -> Iterator[SettingsError]:
    """Compare a source with the first of the same analyzer: where they number strips otherwise, one strip by two ways is two."""
    source = sources[number]
    first = next(each for each in sources if each.analyzer == source.analyzer)
    pair = [profiles[each.profile].numbers for each in (first, source) if each.profile in profiles]
    if len({counting(scheme) for scheme in pair}) > 1:
        yield SettingsError(
            f"The profiles {first.profile!r} and {source.profile!r} of the analyzer {source.analyzer!r} number its strips differently.",
            remedy="Give both the same series, first, shared and modes, or name two analyzers.",
            path=("sources", number, "profile"),
        )


def _by_eye_faults(number: int, sources: Sequence[SourceShape], profiles: Mapping[str, Profile]) -> Iterator[SettingsError]:
    """Ask that entries can be coded as read by eye, and counted by Padpost alone."""
    source = sources[number]
    if any(each.analyzer == source.analyzer for each in sources if each is not source):
        yield SettingsError(
            f"{source.analyzer!r} is another source's too, and {source.name} counts its entries by itself.",
            remedy="Give the place where strips are read by eye an analyzer name of its own.",
            path=("sources", number, "analyzer"),
        )
    profile = profiles.get(source.profile)
    if profile is None:
        return
    path = ("sources", number, "profile")
    if profile.read_by is not ReadBy.EYE:
        fitting = sorted(name for name, each in profiles.items() if each.read_by is ReadBy.EYE)
        yield SettingsError(
            f"The profile {source.profile!r} is of strips that an analyzer reads.",
            remedy=f"A source of the kind by_eye needs a profile with reading: visual: {', '.join(fitting)}.",
            path=path,
        )
    scheme = profile.numbers
    is_plain = re.fullmatch(scheme.pattern, str(scheme.first)) is not None
    if scheme.series is not SeriesRule.DAILY or not scheme.shared or not is_plain:
        yield SettingsError(
            f"The numbers of the profile {source.profile!r} are not plain ones that all modes share and that begin anew each day.",
            remedy="Set series: daily and shared: true, and a pattern that takes digits alone.",
            path=path,
        )


def _processing_faults(number: int, sources: Sequence[SourceShape], live: Sequence[str]) -> Iterator[SettingsError]:
    source, path = sources[number], ("sources", number, "processing_id")
    first = next(each for each in sources if each.analyzer == source.analyzer)
    if source.processing_id != first.processing_id:
        yield SettingsError(
            f"The sources {first.name} and {source.name} of the analyzer {source.analyzer!r} expect different processing IDs.",
            remedy="Give both the same processing_id, or name two analyzers.",
            path=path,
        )
    elif source.processing_id != LIVE and live:
        yield SettingsError(
            f"{source.name} takes test messages for results, and {live[0]} is live: they would go to patients' records.",
            remedy="Take tests in a site of their own whose destinations are not live, or leave processing_id out here.",
            path=path,
        )


def counting(scheme: NumberScheme) -> tuple[SeriesRule, int, bool, frozenset[tuple[str, Purpose, Priority]]]:
    """Give what two layouts of one analyzer must agree on; how each writes the number and the mode may differ."""
    modes = frozenset((mode.mode, mode.purpose, mode.priority) for mode in scheme.modes.values())
    return scheme.series, scheme.first, scheme.shared, modes


def key_faults(sources: Sequence[SourceShape]) -> Iterator[SettingsError]:
    """Give an error for each source whose TLS files cannot be used, or whose key cannot be read, is too short, or is another's too."""
    seen: dict[str, str] = {}
    for number, source in enumerate(sources):
        if isinstance(source, MllpSource) and source.tls is not None:
            yield from _tls_faults(number, source.tls)
        if not isinstance(source, HttpSource):
            continue
        path = ("sources", number, "key", "env")
        try:
            key = source.key.value()
        except SettingsError as error:
            yield SettingsError(error.sentence, remedy=error.remedy, path=path)
            continue
        owner = seen.setdefault(key, source.name)
        if len(key) < SHORTEST_KEY:
            yield SettingsError(
                f"The key of {source.name} is shorter than {SHORTEST_KEY} characters.",
                remedy="Make a new one at random, for example with: openssl rand -hex 24",
                path=path,
            )
        elif owner != source.name:
            yield SettingsError(
                f"The sources {owner} and {source.name} have the same key.",
                remedy="Give each source a key of its own.",
                path=path,
            )


def _tls_faults(number: int, tls: Tls) -> Iterator[SettingsError]:
    try:
        server_context(tls)
    except SettingsError as error:
        yield SettingsError(error.sentence, remedy=error.remedy, path=("sources", number, *error.path))
