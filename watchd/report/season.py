"""What a report rests on, read once from what is kept."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from math import ceil, isfinite
from typing import Protocol

from watchd.config import Config
from watchd.figures import Value
from watchd.history.summaries import Day
from watchd.history.trends import FullCharge, PackDay, Trend
from watchd.messages import JournalEntry
from watchd.report.occurrences import Occurrence, occurrences_of
from watchd.report.span import DAY_S, Clock, Span

LONG_AGO = -1e12
ENDED_S = 900.0  # what is kept of a day that is over may end so long before its end
WHOLE_DAYS_FROM_D = 2.0  # a longer span begins at a UTC midnight, so that its days are whole


class Kept(Protocol):
    """What can be asked of a history; `watchd.shell.store.history.History` has it."""

    def ends(self, pack: str) -> tuple[float, float] | None:
        """When the first and the last that is kept of a pack were (Unix s)."""

    def days(self, pack: str, begin: float, end: float) -> Iterator[Day]:
        """UTC days with charge and energy."""

    def pack_days(self, pack: str, begin: float, end: float) -> Iterator[PackDay]:
        """UTC days with the figures at their end."""

    def trends(self, subject: str, begin: float, end: float) -> Iterator[Trend]:
        """Figures every five minutes."""

    def journal(self, begin: float, end: float) -> Iterator[JournalEntry]:
        """What alarms did."""


@dataclass(frozen=True, slots=True)
class PackSeason:
    """A pack. Everything in the order of time."""

    name: str
    nameplate_ah: float
    days: tuple[Day, ...]
    kept: tuple[PackDay, ...]
    trends: tuple[Trend, ...]
    occurrences: tuple[Occurrence, ...]

    @property
    def fulls(self) -> tuple[FullCharge, ...]:
        """Its full charges."""
        return tuple(full for day in self.kept for full in day.full_charges)

    def trips(self, span: Span) -> dict[float, int]:
        """Protection trips by the begin of the UTC day (Unix s), of days that had any.

        The figure counts each one, of the 24 h before the day's end, so that of a day that still
        runs has some of the day before. Its alarms, of which trips close together are one, count
        where they are more.
        """
        told = Counter(
            o.begin // DAY_S * DAY_S for o in self.occurrences if o.is_trip_in(span.begin)
        )
        found = dict(told)
        for number, day in enumerate(self.kept):
            is_whole = number == 0 or span.end - day.at > DAY_S - ENDED_S
            counted = round(number_of(day.figures.get("trips_24h")) or 0.0) if is_whole else 0
            if counted > told[day.at]:
                found[day.at] = counted
        return dict(sorted(found.items()))

    def number(self, name: str) -> float | None:
        """A figure as of the last that was kept."""
        return number_of(self.kept[-1].figures.get(name)) if self.kept else None

    def word(self, name: str) -> str | None:
        """The same of a text."""
        value = self.kept[-1].figures.get(name) if self.kept else None
        return value if isinstance(value, str) else None

    def holds(self, name: str) -> bool:
        """The same of yes and no; unknown is no."""
        return bool(self.kept) and self.kept[-1].figures.get(name) is True


@dataclass(frozen=True, slots=True)
class BankSeason:
    """A bank with those of its packs that the report is about."""

    name: str
    nameplate_ah: float  # of all of its packs
    packs: tuple[PackSeason, ...]
    left_out: tuple[str, ...]  # its other packs in service
    trends: tuple[Trend, ...]
    occurrences: tuple[Occurrence, ...]  # of the bank, these packs and watchd itself


@dataclass(frozen=True, slots=True)
class Season:
    """All of it."""

    span: Span
    banks: tuple[BankSeason, ...]

    @property
    def packs(self) -> tuple[PackSeason, ...]:
        """Of all banks."""
        return tuple(pack for bank in self.banks for pack in bank.packs)


def number_of(value: Value) -> float | None:
    """A figure's value if it is a number; yes and no are none, nor is what is not finite."""
    if isinstance(value, bool) or not isinstance(value, int | float) or not isfinite(value):
        return None
    return float(value)


def span_of(kept: Kept, packs: Sequence[str], since_s: float, clock: Clock) -> Span | None:
    """The last `since_s` of what is kept of these packs. None: nothing is."""
    ends = [found for name in packs if (found := kept.ends(name)) is not None]
    if not ends:
        return None
    first, last = min(begin for begin, _ in ends), max(end for _, end in ends)
    # What was condensed is known by its day; where trends begin in that day, the span does too.
    trends = (next(kept.trends(f"pack/{name}", first, first + DAY_S), None) for name in packs)
    first = min((t.at for t in trends if t is not None), default=first)
    end = last + 1.0  # a span goes up to, and without, its end
    begin = end - since_s
    if since_s > WHOLE_DAYS_FROM_D * DAY_S:
        begin = ceil(begin / DAY_S) * DAY_S
    return Span(max(begin, first), end, clock)


def read(
    kept: Kept,
    config: Config,
    packs: Sequence[str],
    span: Span,
    begins: Callable[[str], None] = lambda _: None,
) -> Iterator[BankSeason]:
    """Bank by bank, in the order of the config; a bank without one of `packs` is left out.

    `begins` is told the name of each pack before it is read.
    """
    entries = list(kept.journal(LONG_AGO, span.end))
    occurrences = occurrences_of(entries, span.begin, span.end)
    for name in config.banks:
        own = [pack for pack in packs if config.packs[pack].bank == name]
        if own:
            yield BankSeason(
                name,
                sum(p.nameplate_ah for p in config.packs_of(name).values()),
                tuple(_pack(kept, pack, config, span, occurrences, begins) for pack in own),
                tuple(pack for pack in config.packs_of(name) if pack not in own),
                tuple(kept.trends(f"bank/{name}", span.begin, span.end)),
                tuple(
                    o
                    for o in occurrences
                    if o.pack in own or o.is_of_watchd or o.subject == f"bank/{name}"
                ),
            )


def _pack(
    kept: Kept,
    name: str,
    config: Config,
    span: Span,
    occurrences: Sequence[Occurrence],
    begins: Callable[[str], None],
) -> PackSeason:
    begins(name)
    return PackSeason(
        name,
        config.packs[name].nameplate_ah,
        tuple(kept.days(name, span.begin, span.end)),
        tuple(kept.pack_days(name, span.begin, span.end)),
        tuple(kept.trends(f"pack/{name}", span.begin, span.end)),
        tuple(o for o in occurrences if o.pack == name),
    )
