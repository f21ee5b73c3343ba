"""What a digest needs of the store, read in one go; and the engine's part of it."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path

from watchd.alarms.alarm import Alarm
from watchd.alarms.state import LATCHED, RAISED, State
from watchd.config import Config
from watchd.digest import energy
from watchd.digest.budget import OVER_S
from watchd.digest.facts import Earlier, Facts, PackFacts, Standing
from watchd.digest.schedule import DAY_S, SPAN_S, Period
from watchd.digest.standing import PUT_ASIDE
from watchd.figures import Value
from watchd.history.charge import Throughput
from watchd.history.trends import FullCharge, PackDay
from watchd.messages import JournalEntry
from watchd.rules.rule import Rule
from watchd.shell.store.history import History

_ENTRY = frozenset({"at", "alarm", "event", "state", "condition", "priority", "told", "text"})


@dataclass(slots=True)
class Kept:
    """What the store had of the time until `end`, by pack; what it had not is None or not there."""

    through: dict[str, Throughput] = field(default_factory=dict)
    full_charges: dict[str, tuple[FullCharge, ...]] = field(default_factory=dict)
    before: dict[str, Earlier] = field(default_factory=dict)
    journal: list[JournalEntry] | None = None
    journal_from: float | None = None
    missing: list[str] = field(default_factory=list)


def read_kept(path: Path, packs: Sequence[str], period: Period, end: float) -> Kept:
    """Read it, as far as it can be read; takes seconds where days are to be computed yet."""
    kept = Kept()
    try:
        with History(path) as history:
            _read(history, kept, packs, period, end)
            if history.damaged:
                blocks = "1 block" if history.damaged == 1 else f"{history.damaged} blocks"
                kept.missing.append(f"{blocks} of the store could not be read.")
    except (sqlite3.Error, OSError, ValueError) as error:
        kept.missing.append(f"The store could not be read ({error}); figures of now alone.")
    return kept


def _read(history: History, kept: Kept, packs: Sequence[str], period: Period, end: float) -> None:
    begin = end - SPAN_S[period]
    ends = [found[0] for pack in packs if (found := history.ends(pack)) is not None]
    kept.journal = list(journal_of(history, end - OVER_S, end))
    begun = min([*ends, *(entry["at"] for entry in kept.journal[:1])], default=None)
    kept.journal_from = None if begun is None else max(end - OVER_S, min(begun, end))
    for pack in packs:
        kept.through[pack] = through(history, pack, begin, end)
        days = list(history.pack_days(pack, begin, end))
        if days:
            kept.full_charges[pack] = _between(days, begin, end)
        if period is Period.WEEKLY:
            earlier = last_day(history, pack, begin)
            kept.before[pack] = Earlier(
                {} if earlier is None else earlier.figures,
                through(history, pack, begin - SPAN_S[period], begin),
            )


def journal_of(history: History, begin: float, end: float) -> Iterator[JournalEntry]:
    """The entries that are whole; the others are counted as damaged."""
    for entry in history.journal(begin, end):
        if _ENTRY.issubset(entry) and isinstance(entry["at"], int | float):
            yield entry
        else:
            history.damaged += 1


def through(history: History, pack: str, begin: float, end: float) -> Throughput:
    """Charge and energy of a pack in a time."""
    whole, rest = energy.parts(begin, end)
    found = Throughput() if whole is None else energy.of_days(history.days(pack, *whole))
    for part in rest:
        found += energy.of_minutes(history.minutes(pack, *part, with_cells=False))
    return found


def last_day(history: History, pack: str, before: float) -> PackDay | None:
    """The last day of a pack that had ended by then, at most a week earlier."""
    found = None
    for day in history.pack_days(pack, before - 8 * DAY_S, before):
        if day.at + DAY_S <= before:
            found = day
    return found


def _between(days: Iterable[PackDay], begin: float, end: float) -> tuple[FullCharge, ...]:
    return tuple(c for day in days for c in day.full_charges if begin <= c.at < end)


def standing(alarms: Iterable[Alarm], step_s: float) -> list[Standing]:
    """Those of an engine's alarms that stand and are for people; `step_s`: shown minus kept time.

    What is suppressed by design means nothing now, and is left out.
    """
    return [
        Standing(
            alarm.key,
            alarm.rule.priority,
            None if alarm.since is None else alarm.since + step_s,
            alarm.text,
            is_shelved=alarm.state in PUT_ASIDE,
        )
        for alarm in alarms
        if alarm.condition in RAISED | LATCHED
        and alarm.state is not State.SUPPRESSED_BY_DESIGN
        and not alarm.rule.is_silent
    ]


def facts_of(
    config: Config,
    rules: Iterable[Rule],
    period: Period,
    end: float,
    figures: Mapping[str, Mapping[str, Value]],
    stands: Sequence[Standing],
    kept: Kept,
) -> Facts:
    """Both together. `figures` by pack."""
    packs = [
        PackFacts(
            name,
            config.packs[name].bank,
            found,
            kept.through.get(name),
            kept.full_charges.get(name),
            kept.before.get(name),
        )
        for name, found in figures.items()
    ]
    return Facts(
        period,
        end - SPAN_S[period],
        end,
        packs,
        stands,
        kept.journal,
        kept.journal_from,
        {rule.name: rule.cause for rule in rules},
        tuple(kept.missing),
    )
