"""What is to be kept of the figures, told as data: trends, full charges, and the days of packs.

Where a trend is due follows from the time that the system's clock shows, and what is told from the
messages alone: told the same again after a kill, it gives the same.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import asdict, dataclass
from typing import Any, cast

from watchd.figures import Figures, Value, rounded
from watchd.history.recorder import DAY_S, day_of
from watchd.history.trends import BANK_TRENDS, EVERY_S, PACK_TRENDS, FullCharge, PackDay, Trend
from watchd.watch import Watch
from watchd.watch.bank import BankWatch
from watchd.watch.pack import PackWatch

# What the BMS showed counts as what it showed before full for so long (s).
LATELY_S = 60.0
# A BMS that set itself on the way to full did it for this charge; a charge takes longer than that.
SET_ITSELF_H = 1.0


@dataclass(frozen=True, slots=True)
class Look:
    """What is to be kept of a subject (pack/alder, bank/hut). None is nothing new.

    `day` is without its full charges: `full` comes when the pack became full, and again when the
    cells were seen longer; the `at` of it stays.
    """

    subject: str
    trend: Trend | None = None
    day: PackDay | None = None
    full: FullCharge | None = None


@dataclass(slots=True)
class _Seen:
    """What is remembered of a pack or bank. `slot` and `day` are by the shown time.

    `before` is when the BMS's SoC was last seen while the pack was not full (kept time), it, and
    its error; `full_at` (shown) the last full charge, with both of them as they were before.
    """

    slot: int | None = None
    day: int | None = None
    count: int | None = None
    before: tuple[float, float | None, float | None] | None = None
    full_at: float | None = None
    soc_pct: float | None = None
    soc_error_pct: float | None = None
    has_news: bool = False


class Trending:
    """Looks at packs and banks as they are evaluated. Constant work and memory."""

    def __init__(self, saved: dict[str, Any] | None = None) -> None:
        self._seen = {name: _restored(of) for name, of in (saved or {}).items()}
        self._told: list[Look] = []

    def snapshot(self, subjects: Iterable[str] | None = None) -> dict[str, Any]:
        """Plain data from which it goes on, of some subjects or all."""
        names = self._seen if subjects is None else (n for n in subjects if n in self._seen)
        return {name: asdict(self._seen[name]) for name in names}

    def subjects(self) -> list[str]:
        """Of which something is remembered, be they watched or not."""
        return list(self._seen)

    def take(self) -> list[Look]:
        """What was told since the last call."""
        found, self._told = self._told, []
        return found

    def pause(self) -> None:
        """Nothing was watched: what is known then is nothing of the day before."""
        for seen in self._seen.values():
            seen.day = None

    def before(self, watch: PackWatch, shown_at: float) -> None:
        """A pack is about to be evaluated: the day that this ends is told."""
        seen, today = self._of(watch), day_of(shown_at)
        if seen.day != today:
            if seen.day is not None and watch.figures:
                self._told.append(Look(watch.subject, day=_day(watch, seen.day)))
            seen.day = today

    def look_at_pack(self, watch: PackWatch, at: float, shown_at: float) -> None:
        """A pack was evaluated `at` (kept time)."""
        seen = self._of(watch)
        self._see_full(watch, seen, at, shown_at)
        if self._look(watch, seen, PACK_TRENDS, shown_at) and seen.has_news:
            self._tell_full(watch, seen)

    def look_at_bank(self, watch: BankWatch, shown_at: float) -> None:
        """A bank was evaluated."""
        self._look(watch, self._of(watch), BANK_TRENDS, shown_at)

    def _look(self, watch: Watch, seen: _Seen, names: Sequence[str], shown_at: float) -> bool:
        """Tell the trend where one is due; whether one was."""
        slot = int(shown_at // EVERY_S)
        if slot == seen.slot:
            return False
        seen.slot = slot
        figures = _chosen(watch.figures, names)
        if figures:
            self._told.append(Look(watch.subject, trend=Trend(shown_at, figures)))
        return True

    def day_so_far(self, watch: PackWatch, shown_at: float) -> Look:
        """The day of a pack that is not over."""
        return Look(watch.subject, day=_day(watch, day_of(shown_at)))

    def _see_full(self, watch: PackWatch, seen: _Seen, at: float, shown_at: float) -> None:
        figures = watch.figures
        count = figures["full_count"]
        if isinstance(count, int):
            became_full = seen.count is not None and count > seen.count
            seen.count = count
            if became_full:
                seen.full_at = shown_at
                seen.soc_pct, seen.soc_error_pct = _before(seen, at, figures)
                self._tell_full(watch, seen)
        if figures["since_full_h"] == 0.0:
            seen.has_news = seen.full_at is not None
        elif figures["charge_state"] not in ("FULL", None) and not _has_set_itself(figures):
            soc = figures["soc_pct"]
            if isinstance(soc, int | float):
                error = figures["soc_error_pct"]
                seen.before = (at, soc, error if isinstance(error, int | float) else None)

    def _tell_full(self, watch: PackWatch, seen: _Seen) -> None:
        seen.has_news = False
        if seen.full_at is None:
            return
        spread = watch.figures["spread_at_full_mv"]
        deviation = watch.deviation_at_full_mv()
        full = FullCharge(
            seen.full_at,
            round(spread, 3) if isinstance(spread, int | float) else None,
            tuple(round(mv, 3) for mv in deviation) if deviation is not None else None,
            _short(seen.soc_pct),
            _short(seen.soc_error_pct),
        )
        self._told.append(Look(watch.subject, full=full))

    def _of(self, watch: Watch) -> _Seen:
        seen = self._seen.get(watch.subject)
        if seen is None:
            seen = self._seen[watch.subject] = _Seen()
        return seen


def _has_set_itself(figures: Figures) -> bool:
    since_h = figures["since_reanchor_h"]
    return isinstance(since_h, int | float) and since_h < SET_ITSELF_H


def _before(seen: _Seen, at: float, figures: Figures) -> tuple[float | None, float | None]:
    """What the BMS showed before the pack became full, and by how much that was off."""
    if seen.before is None:
        return None, None
    known_at, soc_pct, error_pct = seen.before
    if at - known_at > LATELY_S and not _has_set_itself(figures):
        return None, None
    return soc_pct, error_pct


def _chosen(figures: Figures, names: Sequence[str]) -> dict[str, Value]:
    known = {name: figures[name] for name in names if figures.get(name) is not None}
    return rounded(known)


def _day(watch: PackWatch, day: int) -> PackDay:
    figures = rounded(dict(watch.figures))
    excess: list[Value] = []
    imbalance: list[Value] = []
    for cell in range(1, watch.pack.cells_in_series + 1):
        own = watch.figures_of(f"cell/{watch.name}/{cell}")
        # Until the first evaluation there are none of cells.
        excess.append(own.get("cell_excess_mohm"))
        imbalance.append(own.get("cell_imbalance_ah"))
    return PackDay(float(day * DAY_S), figures, _each(excess), _each(imbalance), ())


def _each(values: Sequence[Value]) -> tuple[float | None, ...] | None:
    found = tuple(_short(cast("float | None", value)) for value in values)
    return None if all(value is None for value in found) else found


def _short(value: float | None) -> float | None:
    return None if value is None else round(float(value), 4)


def _restored(of: dict[str, Any]) -> _Seen:
    """Raises what data that is none leads to."""
    before = of["before"]
    return _Seen(
        _whole(of["slot"]),
        _whole(of["day"]),
        _whole(of["count"]),
        None if before is None else (float(before[0]), _number(before[1]), _number(before[2])),
        _number(of["full_at"]),
        _number(of["soc_pct"]),
        _number(of["soc_error_pct"]),
        bool(of["has_news"]),
    )


def _whole(value: Any) -> int | None:
    return None if value is None else int(value)


def _number(value: Any) -> float | None:
    return None if value is None else float(value)
