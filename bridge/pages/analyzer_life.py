"""How analyzers stand by what people said of them, in words for the pages."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime, timedelta

from bridge.bench.analyzer_life import RUNS, KeptHappening, LifeEvent, Standing, in_order, standing
from bridge.pages.language import _
from bridge.pages.site import PagesSite
from bridge.store.api import Store

SHOWN = timedelta(days=40)  # ours: of what happened before, the last of each kind is shown
TOLD = timedelta(days=1)  # ours: so long it is told that what was declared ended by itself
LISTED = 10  # ours: what happened last to an analyzer; its whole history stands in the store


@dataclass(frozen=True, kw_only=True, slots=True)
class ShownLife:
    """An analyzer with how it stands, what about that asks for something (``asks``, in words), and what happened last, newest first."""

    analyzer: str
    standing: Standing
    asks: tuple[str, ...]
    last: tuple[KeptHappening, ...]

    @property
    def is_off(self) -> bool:
        """Say whether its strips are held."""
        return self.standing.out_since is not None or self.standing.failed_at is not None


class LifeBoard:
    """How analyzers stand, for the pages."""

    def __init__(self, store: Store, site: PagesSite) -> None:
        self._store = store
        self._zone = site.zone
        self._power_on = site.bench.tables.policy.power_on

    def lives(self, names: tuple[str, ...], *, now: datetime) -> dict[str, ShownLife]:
        """Give each analyzer of ``names``, and each that something was said of."""
        kept = self._store.life_events(since=now - SHOWN)
        every = sorted({*names, *(each.happened.analyzer for each in kept)})
        return {name: self._life(name, [each for each in kept if each.happened.analyzer == name], now) for name in every}

    def _life(self, name: str, kept: list[KeptHappening], now: datetime) -> ShownLife:
        stands = standing(in_order(kept), now)  # what is declared for a time is among it until it has ended, and for a day after
        newest = sorted(kept, key=lambda each: (each.happened.at, each.event_id), reverse=True)
        return ShownLife(
            analyzer=name, standing=stands, asks=(*self._asks(stands), *self._of_run(stands, now)), last=tuple(newest[:LISTED])
        )

    def _of_run(self, stands: Standing, now: datetime) -> tuple[str, ...]:
        if stands.run_until is None or now - stands.run_until > TOLD:
            return ()
        until = f"{stands.run_until.astimezone(self._zone):%Y-%m-%d %H:%M}"
        if stands.run_at(now):
            return (
                _(
                    "runs {run} until {until}: its strips go to no patient's record, and one that bears a patient's ID is held",
                    run=_(stands.run),
                    until=until,
                ),
            )
        said = _(
            "was declared to run {run} until {until}, which ended by itself; say that patients are run again",
            run=_(stands.run),
            until=until,
        )
        return (said,)

    def _asks(self, stands: Standing) -> tuple[str, ...]:
        asks = []
        if stands.out_since is not None:
            asks.append(_("out of service ({reason}); strips that it reads are held", reason=stands.out_reason))
        if stands.failed_at is not None:
            asks.append(_("the last self-test failed; strips that it reads are held"))
        if self._power_on != "nothing" and stands.on_since is not None and not stands.strip_type:
            asks.append(_("switched on, and nobody has confirmed the strip type"))
        return tuple(asks)


RUN_CHOICES = tuple(RUNS)
CHOICES = tuple(each for each in LifeEvent if each not in RUNS)  # the words of the form's choice
