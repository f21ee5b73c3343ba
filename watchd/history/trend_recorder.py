"""Trends, full charges and days as they are told, gathered until they are written."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field

from watchd.history.recorder import day_of
from watchd.history.series import DamagedBlockError
from watchd.history.trend_blocks import (
    DayRow,
    FullRow,
    TrendBlock,
    day_row,
    full_row,
    pack_open,
    trend_block,
    unpack_open,
)
from watchd.history.trending import Look
from watchd.history.trends import FullCharge, PackDay, Trend

# A block is of so much time, as the clock shows it, at most.
BLOCK_S = 7200
# While the disk takes nothing: months of four packs and their bank, some MB.
MOST_RUNS = 5000
MOST_DAYS = 1000


@dataclass(frozen=True, slots=True)
class TrendPart:
    """What is written at once; `open` goes in the place of the one before."""

    blocks: Sequence[TrendBlock] = ()
    full: Sequence[FullRow] = ()
    days: Sequence[DayRow] = ()
    open: bytes | None = None

    @property
    def bytes(self) -> int:
        """What it takes."""
        packed = [b.data for b in self.blocks]
        packed += [f.data for f in self.full]
        packed += [d.data for d in self.days]
        return sum(map(len, packed)) + len(self.open or b"")


@dataclass(frozen=True, slots=True)
class TrendRun:
    """The same, not packed yet."""

    runs: Sequence[tuple[str, Sequence[Trend]]] = ()
    full: Mapping[tuple[str, float], FullCharge] = field(default_factory=dict)
    days: Mapping[tuple[str, int], PackDay] = field(default_factory=dict)
    open: Mapping[str, Sequence[Trend]] = field(default_factory=dict)
    open_full: Mapping[tuple[str, float], FullCharge] = field(default_factory=dict)

    def packed(self) -> TrendPart:
        """Some milliseconds; not where others wait."""
        return TrendPart(
            [trend_block(subject, trends) for subject, trends in self.runs],
            [full_row(pack, full) for (pack, _), full in self.full.items()],
            [day_row(pack, day) for (pack, _), day in self.days.items()],
            pack_open(self.open, self.open_full) if self.open or self.open_full else None,
        )


class TrendRecorder:
    """Takes looks. Trends become blocks where the clock shows a full two hours."""

    def __init__(self, begun: bytes | None = None) -> None:
        """`begun`: what was open when the last run ended; what can't be read of it is lost."""
        self._open: dict[str, list[Trend]] = {}
        self._full: dict[tuple[str, float], FullCharge] = {}
        self._runs: list[tuple[str, list[Trend]]] = []
        self._days: dict[tuple[str, int], PackDay] = {}
        self._newest_at: float | None = None
        if begun is not None:
            try:
                self._open, self._full = unpack_open(begun)
            except DamagedBlockError:
                return
            self._open = {subject: trends for subject, trends in self._open.items() if trends}
            self._newest_at = max((t[-1].at for t in self._open.values()), default=None)

    def take(self, looks: Iterable[Look]) -> None:
        """Take some, in the order in which they came."""
        for look in looks:
            name = look.subject.partition("/")[2]
            if look.trend is not None:
                self._take(look.subject, look.trend)
            if look.full is not None:
                self._full[name, look.full.at] = look.full
                _bound(self._full)
            if look.day is not None:
                self._days[name, day_of(look.day.at)] = look.day
                _bound(self._days)

    def take_run(self, *, last: bool = False) -> TrendRun:
        """What waits. What makes no full block stays open, unless it is the `last`."""
        for subject, trends in list(self._open.items()):
            if last or self._newest_at is None or _block(trends[0].at) != _block(self._newest_at):
                self._end(subject)
        runs, self._runs = self._runs, []
        days, self._days = self._days, {}
        full: dict[tuple[str, float], FullCharge] = {}
        if runs or last:
            full, self._full = self._full, {}
        return TrendRun(
            runs, full, days, {s: tuple(t) for s, t in self._open.items()}, dict(self._full)
        )

    def _take(self, subject: str, trend: Trend) -> None:
        self._newest_at = trend.at
        trends = self._open.get(subject)
        if trends and (_block(trends[0].at) != _block(trend.at) or trend.at <= trends[-1].at):
            self._end(subject)
        self._open.setdefault(subject, []).append(trend)

    def _end(self, subject: str) -> None:
        self._runs.append((subject, self._open.pop(subject)))
        del self._runs[:-MOST_RUNS]


def _block(at: float) -> int:
    return int(at // BLOCK_S)


def _bound(found: dict[tuple[str, float], FullCharge] | dict[tuple[str, int], PackDay]) -> None:
    while len(found) > MOST_DAYS:
        del found[next(iter(found))]  # type: ignore[arg-type]
